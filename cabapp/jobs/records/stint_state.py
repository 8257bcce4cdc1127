"""The rules of a stint: which tap fits which state, what it leads to, what undo restores.

Rule 1: everything that decides the state of a stint lives in this file.
Rule 2: this file knows no store, clock, receiver or screen; taps in, standing out.
Rule 3: the state is never kept anywhere. It is what the taps say (``stint_state``), so
the same taps give the same state after a kill, an undo, or on another tablet.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from cabapp.track.work_switches import WorkSwitch
from store.errors import Refused

IDLE, READY, WORKING, STOPPED = "idle", "ready", "working", "stopped"
FINISHED, HANDED_OVER = "finished", "handed over"
OPEN = (READY, WORKING, STOPPED)
STATES = (IDLE, READY, WORKING, STOPPED, FINISHED, HANDED_OVER)

UNDO_S = 10.0
"""A tap can be undone for this long, s; the rest of the stint is corrected in the office."""

# Taps that move the stint from one state to another.
TABLE: dict[tuple[str, str], str] = {
    (IDLE, "take_over"): READY,
    (FINISHED, "take_over"): READY,
    (HANDED_OVER, "take_over"): READY,
    (READY, "start"): WORKING,
    (WORKING, "stop"): STOPPED,
    (STOPPED, "restart"): WORKING,
    (READY, "finish"): FINISHED,
    (WORKING, "finish"): FINISHED,
    (STOPPED, "finish"): FINISHED,
    (READY, "hand_over"): HANDED_OVER,
    (STOPPED, "hand_over"): HANDED_OVER,
    (IDLE, "receive"): IDLE,
    (FINISHED, "receive"): IDLE,
    (HANDED_OVER, "receive"): IDLE,
    # Answers to "Were you rolling since ...?" and "Stop counting from ...?"
    (READY, "were_rolling"): WORKING,
    (STOPPED, "were_rolling"): WORKING,
    (WORKING, "stop_counting"): STOPPED,
}

# Taps that are noted and leave the state as it is.
NOTED: dict[str, tuple[str, ...]] = {
    "mark": (READY, WORKING, STOPPED),
    "width": (READY, WORKING, STOPPED),
    "pass_counted": (WORKING, STOPPED),
    "stop_reason": (STOPPED,),  # said after the stop, which is recorded at once
    "fuel": (READY, WORKING, STOPPED),
    "i_know": (READY, WORKING, STOPPED),
    "caution": STATES,
    "look_first": (READY, WORKING, STOPPED),
    "walk_round": (READY, STOPPED),  # what was looked at on foot, and what was not right
    "seeder": (READY, WORKING, STOPPED),
    "seeder_pace": (READY, WORKING, STOPPED),  # how fast it works, and how much it has done
    "rain": (READY, WORKING, STOPPED),  # in how many hours she expects it
    "weather": (READY, WORKING, STOPPED),  # wind, and how warm the air is
    "soil": (READY, STOPPED),  # its temperature at seeding depth
    "seeded": (READY, STOPPED),  # how many days ago
    "grease": (READY, STOPPED),
    "hitching_ok": (READY, WORKING, STOPPED),
    "not_rolling": (READY, STOPPED),
    "still_working": (WORKING,),
    "undo": (READY, WORKING, STOPPED, FINISHED),
}
for _tap, _states in NOTED.items():
    for _state in _states:
        TABLE[_state, _tap] = _state

TAPS = tuple(dict.fromkeys(tap for _, tap in TABLE))

# What undo calls each tap it can take back; a tap not named here cannot be undone.
UNDOABLE: dict[str, str] = {
    "start": "start",
    "stop": "stop",
    "restart": "restart",
    "finish": "finish",
    "mark": "mark",
    "width": "width change",
    "pass_counted": "counted pass",
    "fuel": "fuel",
    "seeder": "seeder",
    "seeder_pace": "pace of the seeder",
    "rain": "rain",
    "weather": "weather",
    "soil": "soil temperature",
    "seeded": "day of seeding",
    "grease": "grease",
    "were_rolling": "counting from earlier",
    "stop_counting": "stop from earlier",
}

_WHY_NOT: dict[tuple[str, str], str] = {
    (IDLE, "start"): "Nobody has taken over yet. Choose operator, tractor, tool and field first.",
    (READY, "stop"): "Work has not started yet, so there is nothing to stop.",
    (READY, "restart"): "Work has not started yet. Press Start.",
    (READY, "pass_counted"): "Press Start before counting a pass.",
    (WORKING, "start"): "Work is already being recorded.",
    (WORKING, "restart"): "Work is already being recorded.",
    (WORKING, "take_over"): "A stint is open. Stop and finish it, or hand it over, before another begins.",
    (WORKING, "hand_over"): "Stop first. A hand-over is done standing, with the engine off.",
    (WORKING, "receive"): "Stop first. A hand-over is received standing, with the engine off.",
    (STOPPED, "start"): "You have stopped. Press Restart to go on.",
    (STOPPED, "stop"): "You have stopped already.",
    (STOPPED, "receive"): "A stint is open. Finish it, or hand it over, before receiving another.",
    (HANDED_OVER, "undo"): "A hand-over cannot be undone. Take over again to go on with the field.",
}
_IN_STATE: dict[str, str] = {
    IDLE: "Nobody has taken over yet. Take over first.",
    READY: "A stint is open but work has not started. Press Start, or finish it.",
    WORKING: "Not while work is being recorded. Stop first.",
    STOPPED: "Not while stopped. Restart, finish, or hand over first.",
    FINISHED: "This stint is finished. Take over to begin another.",
    HANDED_OVER: "This stint has been handed over. The next operator takes over first.",
}


class TapRefused(Refused):
    """A tap that does not fit the state, or lacks what it needs; nothing was recorded."""


# A wing is a third of the tool, as in cabapp.track.tool.
_SHARE = {"all": 1.0, "left up": 2 / 3, "right up": 2 / 3}


def next_state(state: str, tap: str) -> str:
    """Return the state that a tap leads to.

    Raises
    ------
    TapRefused
        When the tap does not fit the state; the sentence says why and what to do.
    ValueError
        When there is no such state or tap: a mistake in the program.

    Examples
    --------
    >>> next_state("ready", "start")
    'working'
    >>> next_state("stopped", "stop")
    Traceback (most recent call last):
    cabapp.jobs.records.stint_state.TapRefused: You have stopped already.
    """
    if state not in STATES or tap not in TAPS:
        raise ValueError(f"no such state or tap: {state!r}, {tap!r}")
    try:
        return TABLE[state, tap]
    except KeyError:
        raise TapRefused(_WHY_NOT.get((state, tap), _IN_STATE[state])) from None


@dataclass(frozen=True)
class StintState:
    """Where a stint stands, as its taps say.

    Attributes
    ----------
    state, since : str, float
        State, and when it began (POSIX s).
    reason : str or None
        Why stopped.
    wing : str
        "all", "left up" or "right up".
    switches : tuple of WorkSwitch
        Working on and off, in time order: what the pass count is told.
    tally : int
        Passes counted by tap.
    tally_m : float or None
        Their length together, m, a pass with a wing up as two thirds; None when the length
        of any of them was never told.
    """

    state: str
    since: float
    reason: str | None = None
    wing: str = "all"
    switches: tuple[WorkSwitch, ...] = ()
    tally: int = 0
    tally_m: float | None = 0.0

    def working_s(self, now: float) -> float:
        """Return the seconds worked until ``now``."""
        total, began = 0.0, None
        for switch in self.switches:
            if switch.working and began is None:
                began = switch.t
            elif not switch.working and began is not None:
                total, began = total + switch.t - began, None
        return total + (max(0.0, now - began) if began is not None else 0.0)


def effective_taps(taps: Iterable) -> list:
    """Return the taps that still stand: those not undone, without the undo taps.

    Parameters
    ----------
    taps : iterable
        One stint's taps in the order they were made; each has ``id``, ``kind``, ``at``
        (POSIX s), ``reason``, ``detail`` (dict or None).
    """
    taps = list(taps)
    undone = {(tap.detail or {}).get("tap") for tap in taps if tap.kind == "undo"}
    return [tap for tap in taps if tap.kind != "undo" and tap.id not in undone]


def stint_state(taken_over: float, taps: Iterable) -> StintState:
    """Return where the stint stands after its taps.

    Parameters
    ----------
    taken_over : float
        When the stint was taken over, POSIX s.
    taps : iterable
        As for ``effective_taps``. Taps of other kinds than those in ``TABLE`` are passed
        over, so a logbook written by a newer version can still be read.

    Notes
    -----
    An answer "yes, count from 10:31" replaces whatever the switches said after that time.
    """
    state, since, reason, wing = READY, taken_over, None, "all"
    tally, tally_m, length = 0, 0.0, None
    switches: list[WorkSwitch] = []
    for tap in effective_taps(taps):
        if (state, tap.kind) not in TABLE:
            continue
        detail = tap.detail or {}
        at = tap.at
        if tap.kind in ("were_rolling", "stop_counting"):
            at = max(taken_over, float(detail.get("from", tap.at)))
            switches = [switch for switch in switches if switch.t < at]
        elif tap.kind == "stop_reason":
            reason = tap.reason
        elif tap.kind == "width":
            wing = detail.get("wing", "all")
        elif tap.kind == "pass_counted":
            passes = int(detail.get("passes", 1))
            length = detail.get("length_m", length)
            tally += passes
            known = length is not None and tally_m is not None
            tally_m = tally_m + passes * length * _SHARE[wing] if known else None
        after = TABLE[state, tap.kind]
        if after != state or tap.kind == "width":
            switches.append(WorkSwitch(at, after == WORKING, wing))
        if after != state:
            state, since, reason = after, at, tap.reason
    return StintState(state, since, reason, wing, tuple(switches), tally, tally_m)


def undoable(taps: Iterable, now: float):
    """Return the last tap that undo would take back now, or None.

    A tap can be taken back for ``UNDO_S``; the last one goes first.
    """
    for tap in reversed(effective_taps(taps)):
        if tap.kind in UNDOABLE:
            return tap if 0.0 <= now - tap.at < UNDO_S else None
    return None
