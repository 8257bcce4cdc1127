"""Spans of work and of standing idle, from the switches of a stint. Pure.

This is the only walk over switches: hours, grease, fuel, seat time, hand-over sheet and reports read it.
"""

import itertools
from collections.abc import Iterable, Sequence

from cabapp.track.work_switches import WorkSwitch

Span = tuple[float, float]
Spans = list[Span]

BEFORE_START = "before the start"
NO_REASON = "no reason given"
LOST = "no position"
"""Why work stopped where a recording states a break in reception: whether it went on nobody knows."""


def _spans(steps: Iterable[tuple[float, object]], until: float) -> list[tuple[float, float, object]]:
    """Return the spans of equal keys, an open one to ``until``; key None is left out."""
    begins = [(next(group)[0], key) for key, group in itertools.groupby(steps, key=lambda step: step[1])]
    ends = [t for t, _ in begins[1:]] + [until]
    return [(t, max(t, end), key) for (t, key), end in zip(begins, ends) if key is not None]


def work_spans(switches: Iterable[WorkSwitch], until: float) -> Spans:
    """Return the spans of work, (begin, end) in POSIX s; an open one goes to ``until``.

    >>> on, wing, off = WorkSwitch(10, True), WorkSwitch(15, True, (False, True)), WorkSwitch(20, False)
    >>> work_spans([on, wing, off], 99), work_spans([on], 12)
    ([(10, 20)], [(10, 12)])
    """
    return [(t, end) for t, end, _ in _spans(((s.t, s.working or None) for s in switches), until)]


def part_spans(switches: Iterable[WorkSwitch], until: float) -> list[tuple[float, float, WorkSwitch]]:
    """Return the spans worked with a part of the tool, (begin, end, a switch that says which).

    >>> part = (False, True, True)
    >>> [(t, end, one.on) for t, end, one in part_spans([WorkSwitch(15, True, part), WorkSwitch(20, False, part)], 99)]
    [(15, 20, (False, True, True))]
    """
    kept = [(s.t, WorkSwitch(0.0, True, () if all(s.on) else s.on, s.width) if s.working else None) for s in switches]
    whole = WorkSwitch(0.0, True)
    return [(t, end, one) for t, end, one in _spans(kept, until) if isinstance(one, WorkSwitch) and one != whole]


def idle_spans(
    taken_over: float, ended: float, switches: Iterable[WorkSwitch], stops: Sequence[tuple[float, str | None]]
) -> list[tuple[float, float, str]]:
    """Return the spans without work between taking over and the end, (begin, end, reason).

    `taken_over`, `ended`: POSIX s.
    `stops`: when work ended, and why, as in ``StintState.stops``.

    Notes: A wing moved while idle does not end a span. Time before the first work is "before the start".
    """
    work, why = work_spans(switches, ended), dict(stops)
    edges = [taken_over, *itertools.chain.from_iterable(work), ended]
    idle = zip(edges[::2], edges[1::2], strict=True)
    return [
        (begin, end, (why.get(begin) or NO_REASON) if n else BEFORE_START)
        for n, (begin, end) in enumerate(idle)
        if end > begin
    ]


def seconds(spans: Iterable[Span], since: float = float("-inf"), until: float = float("inf")) -> float:
    """Return the seconds of spans between two moments.

    >>> seconds([(0, 10), (20, 30)], 5, 24)
    9
    """
    return sum(max(0, min(end, until) - max(begin, since)) for begin, end in spans)
