"""Plays an operator's script through a real session: replayed fixes, taps at their times."""

from collections.abc import Callable
from dataclasses import dataclass, field

from cabapp.common.clock import ManualClock
from cabapp.common.rendering import render
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.position.fix import Fix
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session
from cabapp.session.state.sentence import RECOVER
from demo_db.scenario import OperatorScript
from store import Store

TICK = 5.0
"""Seconds of the story between two ticks, about what a replay at 50 times has; every tick takes
all the fixes since the last, judges each, and makes them durable."""


@dataclass
class Played:
    """What happened while a script was played: sounds as ``(POSIX s, text)``, receipts of the hand-over,
    and taps left out because there was nothing to answer.
    """

    warnings: list = field(default_factory=list)
    received: list = field(default_factory=list)
    left_out: list = field(default_factory=list)


def replay_of(part: OperatorScript, after: float = 0.0) -> Replay:
    """A receiver that gives the part's fixes again, those after a time only."""
    rows = zip(part.t, part.lat, part.lon, part.hdop)
    fixes = (Fix(float(t), float(lat), float(lon), quality=2, hdop=float(h)) for t, lat, lon, h in rows if t > after)
    return Replay(fixes, "the recorded drive")


def play(
    store: Store,
    part: OperatorScript,
    rows: dict[str, str],
    *,
    until: str | None = None,
    after: float = 0.0,
    progress: Callable[[int, int, str], None] | None = None,
) -> Played:
    """Play a script without a window, on the session's own code.

    `rows` are the ids of reference rows by key. `until` names a tap after which the stint is left
    open; `after`, POSIX s, goes on with an open stint; `progress` is called with ``(done, of, text)``.
    """
    taps = [tap for tap in part.taps if tap["t"] > after]
    first = max(after, min(part.taps[0]["t"], part.t[0]) - 10.0)
    last = max(taps[-1]["t"], part.t[-1]) + 12.0
    clock = ManualClock(first)
    session = Session(store, clock, replay_of(part, after))
    seen, sounds, farm = Played(), 0, FarmSettings(store).format
    while clock.now() < last:
        now = clock.now() + TICK if not taps else min(clock.now() + TICK, max(taps[0]["t"], clock.now()))
        clock.advance(now - clock.now())
        view = session.tick()
        if view.sentence and view.sentence.sound > sounds:
            sounds = view.sentence.sound
            seen.warnings.append((now, render(view.sentence.words, farm=farm)))
        while taps and taps[0]["t"] <= now:
            tap = taps.pop(0)
            _tap(session, part, rows, tap, seen)
            if tap["tap"] == until:
                session.close()
                return seen
        if progress:
            progress(int(now - first), int(last - first), f"{part.operator} works")
    session.close()
    if progress:
        progress(1, 1, f"{part.operator} is done")
    return seen


def _take_over(session: Session, part: OperatorScript, rows: dict[str, str]) -> None:
    session.tap("caution")
    session.take_over(rows[part.operator], rows[part.tractor], rows[part.tool], rows["heron"])
    session.tap("hitching_ok")


def _tap(session: Session, part: OperatorScript, rows: dict[str, str], tap: dict, seen: Played) -> None:
    words = {key: value for key, value in tap.items() if key not in ("t", "tap")}
    kind = tap["tap"]
    if kind == "take_over":
        _take_over(session, part, rows)
    elif kind == "hand_over":
        session.hand_over(session.prepare_hand_over(words["state"]))
    elif kind == "receive":
        waiting = session.choices().hand_overs[0]
        answer = session.receive(waiting.id, rows[part.operator], words["lat"], words["lon"])
        seen.received.append(answer)
    elif kind == "i_know" and not _can_be_silenced(session):
        seen.left_out.append(tap)
    else:
        session.tap(kind, **words)


def _can_be_silenced(session: Session) -> bool:
    sentence = session.view.sentence
    return sentence is not None and sentence.i_know and sentence.rank <= RECOVER
