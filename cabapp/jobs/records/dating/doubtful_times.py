"""Which times of stints cannot be right: work that lies ahead, and somebody or something in two stints at once. Pure."""

from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from cabapp.position.recordings.machine_split import OVERLAP_S

AHEAD_S = 300.0
"""By so much two clocks may differ before it is said, s (our own choice)."""


class Worked(NamedTuple):
    """When a stint was open, POSIX s, and who and what was in it, by name."""

    stint: str
    operator: str
    tractor: str
    field: str
    began: float
    ended: float


class Twice(NamedTuple):
    """The time, POSIX s, in which the same names are in two stints."""

    names: tuple[str, ...]
    one: Worked
    other: Worked
    began: float
    ended: float


def ahead(worked: Iterable[Worked], now: float) -> list[Worked]:
    """Return the stints that end later than now, POSIX s, oldest first.

    >>> [one.stint for one in ahead([Worked("a", "Ida", "Ox", "North", 0.0, 9000.0)], 8000.0)]
    ['a']
    """
    return sorted((one for one in worked if one.ended > now + AHEAD_S), key=lambda one: (one.began, one.stint))


def twice_at_work(worked: Iterable[Worked]) -> list[Twice]:
    """Return where an operator or a tractor is in two stints at once for longer than `OVERLAP_S`, oldest first.

    Notes: Each stint is held against the one before it that lasts longest, so there are no more than stints.

    >>> day = [Worked("a", "Ida", "Ox", "North", 0.0, 100.0), Worked("b", "Ida", "Elk", "South", 60.0, 200.0)]
    >>> [(one.names, one.began, one.ended) for one in twice_at_work(day)]
    [(('Ida',), 60.0, 100.0)]
    """
    found: dict[tuple[str, str], Twice] = {}
    for of in ("operator", "tractor"):
        groups = defaultdict(list)
        for one in worked:
            groups[getattr(one, of)].append(one)
        for name, group in groups.items():
            longest: Worked | None = None
            for one in sorted(group, key=lambda one: (one.began, one.stint)):
                if longest is not None and (end := min(longest.ended, one.ended)) - one.began > OVERLAP_S:
                    names = found[key].names if (key := (longest.stint, one.stint)) in found else ()
                    found[key] = Twice((*names, name), longest, one, one.began, end)
                if longest is None or one.ended > longest.ended:
                    longest = one
    return sorted(found.values(), key=lambda one: (one.began, one.other.stint))
