"""The state of a stint: which tap fits which state, what it leads to, what undo takes back. Pure.

Notes: The state is never kept. It is what the taps say (``stint_state``), so the same taps give the same state after a
restart, an undo, or on another tablet.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from cabapp.jobs.records.tap_kinds import (
    FINISHED,
    HANDED_OVER,
    IDLE,
    OPEN,
    READY,
    STATES,
    STOPPED,
    TAP_KINDS,
    TAPS,
    WHY_NOT_IN_STATE,
    WORKING,
    TapRefused,
)
from cabapp.jobs.records.tap_log import effective_taps
from cabapp.jobs.records.tool_parts import PART_KINDS, number_of, part_of
from cabapp.jobs.records.work_intervals import Spans, seconds, work_spans
from cabapp.track.tool import Part, ToolGeometry
from cabapp.track.work_switches import WorkSwitch
from store.models import Tap

__all__ = [
    "FINISHED", "HANDED_OVER", "IDLE", "OPEN", "READY", "STATES", "STOPPED", "TAPS", "UNDO_S", "WORKING",
    "StintState", "TapRefused", "next_state", "stint_state", "undoable",
]  # fmt: skip

UNDO_S = 10.0
"""A tap can be undone for this long, s."""

_PLAIN = ToolGeometry(1.0)


def next_state(state: str, tap: str) -> str:
    """Return the state that a tap leads to.

    Raises TapRefused when the tap does not fit the state; the sentence says why and what to do.
    Raises ValueError when there is no such state or tap: a mistake in the program.

    >>> next_state("ready", "start")
    'working'
    >>> next_state("stopped", "stop")
    Traceback (most recent call last):
    cabapp.jobs.records.tap_kinds.TapRefused: You have stopped already.
    """
    if state not in STATES or tap not in TAPS:
        raise ValueError(f"no such state or tap: {state!r}, {tap!r}")
    kind = TAP_KINDS[tap]
    if state not in kind.transitions:
        raise TapRefused(kind.why_not.get(state, WHY_NOT_IN_STATE[state]))
    return kind.transitions[state]


@dataclass(frozen=True)
class StintState:
    """State of a stint, as its taps say.

    `state`, `since`: state, and when it began (POSIX s).
    `reason`: why stopped.
    `on`: which sections of the tool work, from the left, or which thirds of one without; () = all.
    `width`: only so much of it works, m.
    `switches`: working on and off, in time order: what the pass count is told.
    `stops`: when work ended, POSIX s, and why.
    `tally`: passes counted by tap.
    `tally_m`: their length together, m, a pass with a part of the tool as its share; None when the length of any
        of them was never told.
    """

    state: str
    since: float
    reason: str | None = None
    on: Part = ()
    width: float | None = None
    switches: tuple[WorkSwitch, ...] = ()
    stops: tuple[tuple[float, str | None], ...] = ()
    tally: int = 0
    tally_m: float | None = 0.0

    def work(self, until: float) -> Spans:
        """Return the spans of work, POSIX s; an open one goes to ``until``."""
        return work_spans(self.switches, until)

    def tally_area(self, width: float) -> float | None:
        """Return the pass area counted by tap, m2; None unless every length was told."""
        return self.tally_m * width if self.tally and self.tally_m is not None else None

    def working_s(self, now: float) -> float:
        """Return the seconds worked until ``now``."""
        return seconds(self.work(now))


def stint_state(taken_over: float, taps: Iterable[Tap], tool: ToolGeometry = _PLAIN) -> StintState:
    """Return the state of a stint after its taps.

    `taken_over`: when the stint was taken over, POSIX s.
    `taps`: one stint's taps in the order they were made; each has ``id``, ``kind``, ``at`` (POSIX s), ``reason``,
        ``detail`` (dict or None). Kinds of a newer version, and numbers that are none, are passed over.
    `tool`: what share of its width a pass counted by tap had; by default a tool without sections.

    Notes: An answer "yes, count from 10:31" replaces whatever the switches said after that time.
    """
    state, since, reason = READY, taken_over, None
    on: Part = ()
    width: float | None = None
    tally = 0
    length: float | None = None
    tally_m: float | None = 0.0
    switches: list[WorkSwitch] = []
    stops: list[tuple[float, str | None]] = []
    for tap in effective_taps(taps):
        after = TAP_KINDS[tap.kind].transitions.get(state) if tap.kind in TAP_KINDS else None
        if after is None:
            continue
        detail, at = tap.detail or {}, max(taken_over, tap.at, *(switch.t for switch in switches[-1:]))
        if tap.kind in ("were_rolling", "stop_counting"):
            at = max(taken_over, number_of(detail.get("from"), at))
            switches = [switch for switch in switches if switch.t < at]
        elif tap.kind == "stop_reason":
            reason = tap.reason
            stops[-1:] = [(at, reason) for at, _ in stops[-1:]]
        elif tap.kind in PART_KINDS:
            on, width = part_of(detail)
        elif tap.kind == "pass_counted":
            passes = int(number_of(detail.get("passes"), 1))
            length = number_of(detail.get("length_m"), length)
            tally += passes
            tally_m = None if length is None or tally_m is None else tally_m + passes * length * tool.share(on, width)
        if after != state or tap.kind in PART_KINDS:
            switches.append(WorkSwitch(at, after == WORKING, on, width))
        if after != state:
            if state == WORKING:
                stops.append((at, tap.reason))
            state, since, reason = after, at, tap.reason
    return StintState(state, since, reason, on, width, tuple(switches), tuple(stops), tally, tally_m)


def undoable(taps: Iterable[Tap], now: float) -> Tap | None:
    """Return the tap that undo would take back now, or None: the last one, for ``UNDO_S``."""
    for tap in reversed(effective_taps(taps)):
        if tap.kind in TAP_KINDS and TAP_KINDS[tap.kind].undo:
            return tap if 0.0 <= now - tap.at < UNDO_S else None
    return None
