"""What to do first: the fields that still lack passes, ordered by what closes first."""

import math
from dataclasses import dataclass

from cabapp.planning.finish_time import Finish

HOURS_A_DAY = 10.0
"""Hours worked in a day, where nobody has said otherwise (common practice)."""


@dataclass(frozen=True)
class Work:
    """A field's work: `left` m2 of passes it lacks, `closes` POSIX s or None when nothing closes it."""

    name: str
    left: float
    closes: float | None = None


@dataclass(frozen=True)
class Slot:
    """A place in the list.

    Attributes
    ----------
    work : Work
    seconds : float
        What it needs at the pace given.
    ends : float
        When it would be done, with that before it done first and so many hours worked a day.
    late : float
        Seconds of work that would be left when it closes; 0 when it fits.
    """

    work: Work
    seconds: float
    ends: float
    late: float


def in_order(works: list[Work], pace: float, now: float, hours: float = HOURS_A_DAY) -> list[Slot]:
    """Return the work in the order in which the worst of what comes too late is least.

    Parameters
    ----------
    works : list of Work
        Those with nothing left are left out.
    pace : float
        Pass area a second of all who work, m2/s, above 0.
    now : float
        POSIX s.
    hours : float
        Worked in a day.

    Notes
    -----
    Earliest due date first: no order has a smaller greatest lateness (Jackson 1955, "Scheduling a
    production line to minimize maximum tardiness"). What nothing closes comes last, least first.

    Examples
    --------
    >>> works = [Work("South", 36000.0), Work("North", 72000.0, closes=86400.0)]
    >>> [(slot.work.name, slot.seconds / 3600, slot.late) for slot in in_order(works, 2.0, 0.0)]
    [('North', 10.0, 0.0), ('South', 5.0, 0.0)]
    """
    if not (pace > 0 and 0 < hours <= 24):
        raise ValueError(f"no work is done at {pace!r} m2/s and {hours!r} hours a day")
    share = hours / 24
    slots, clock = [], now
    for work in sorted((w for w in works if w.left > 0), key=_rank):
        seconds = work.left / pace
        clock += seconds / share
        late = 0.0 if work.closes is None else max(0.0, clock - work.closes) * share
        slots.append(Slot(work, seconds, clock, min(late, seconds)))
    return slots


def _rank(work: Work) -> tuple[float, float]:
    return math.inf if work.closes is None else work.closes, work.left


def left_at(until: float, now: float, pass_area_left: float, end: Finish) -> float:
    """Return the pass area that will be lacking at a moment such as rain or dusk, m2.

    Parameters
    ----------
    until, now : float
        POSIX s.
    pass_area_left : float
        m2 now.
    end : Finish
        When it would all be done.

    Notes
    -----
    At the likely pace: left (1 - (until - now) / (likely - now)), never below 0.

    Examples
    --------
    >>> left_at(1800.0, 0.0, 7200.0, Finish(3000.0, 3600.0, 4000.0))
    3600.0
    """
    if end.likely <= until:
        return 0.0
    return pass_area_left * (1 - max(0.0, until - now) / (end.likely - now))
