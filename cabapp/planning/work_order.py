"""The order of fields that lack passes, by what closes first. Pure."""

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

    `seconds`: working time it needs.
    `ends`: when it is done, POSIX s, after all before it, at so many hours a day.
    `late`: seconds of work left when it closes; 0 when it fits.
    """

    work: Work
    seconds: float
    ends: float
    late: float


def scheduled(works: list[Work], pace: float, now: float, hours: float = HOURS_A_DAY) -> list[Slot]:
    """Return the work in the order in which the greatest lateness is least; work with nothing left is out.

    `pace` is the pass area a second of all who work, m2/s, above 0; `now` is POSIX s; `hours` are
    worked in a day (ValueError outside 0 to 24).

    Notes: Earliest due date first (Jackson 1955, "Scheduling a production line to minimize maximum tardiness"). What
    nothing closes comes last, least first.

    >>> works = [Work("South", 36000.0), Work("North", 72000.0, closes=86400.0)]
    >>> [(slot.work.name, slot.seconds / 3600, slot.late) for slot in scheduled(works, 2.0, 0.0)]
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
    """Return the pass area that will be lacking at `until`, such as rain or dusk, m2, at least 0.

    Times are POSIX s, `pass_area_left` is m2 now, `end` when it would all be done: at the likely rate
    left (1 - (until - now) / (likely - now)).

    >>> left_at(1800.0, 0.0, 7200.0, Finish(3000.0, 3600.0, 4000.0))
    3600.0
    """
    if end.likely <= until:
        return 0.0
    return pass_area_left * (1 - max(0.0, until - now) / (end.likely - now))
