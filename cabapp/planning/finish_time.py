"""When the work will be done, as a range from the operator's own work rate. Pure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Floats

WINDOW = 600.0
"""Pace is taken over spans of this many seconds: long enough to hold turns."""
FEWEST = 3
"""Fewer spans than this say nothing about spread."""


@dataclass(frozen=True)
class Finish:
    """When the work ends, POSIX s.

    `early` and `late` follow from the rates of the fastest and slowest tenth of the spans held to
    the end.
    """

    early: float
    likely: float
    late: float


def paces(t: ArrayLike, pass_area: ArrayLike, window: float = WINDOW) -> Floats:
    """Return the work rate of every whole span, m2/s, oldest first, counted back from the last time.

    `t`: shape (n,); s, rising: of working time, or of all time when stops are to count.
    `pass_area`: shape (n,); pass area done up to then, m2, never falling.
    `window`: length of a span, s.

    >>> paces([0, 600, 1200], [0, 6000, 18000]).tolist()
    [10.0, 20.0]
    """
    t, pass_area = np.asarray(t, float), np.asarray(pass_area, float)
    if len(t) < 2:
        return np.zeros(0)
    spans = int((t[-1] - t[0]) // window)
    edges = t[-1] - window * np.arange(spans, -1, -1)
    return np.diff(np.interp(edges, t, pass_area)) / window if spans else np.zeros(0)


def finish_time(now: float, pass_area_left: float, pace: ArrayLike) -> Finish | None:
    """Return when the work will be done; None below three spans, or when the median rate is 0.

    `now`: POSIX s.
    `pass_area_left`: sum over the ground of the passes it still lacks, m2; not field minus done.
    `pace`: shape (n,); m2/s of recent spans (`paces`).

    Notes: now + left / pace at the 90 %, 50 % and 10 % quantiles of the spans. `late` is infinite when the slowest
    tenth makes no progress.

    >>> end = finish_time(0.0, 3600.0, [0.5, 1.0, 1.0, 1.0, 2.0])
    >>> end.likely, end.early < end.likely < end.late
    (3600.0, True)
    >>> finish_time(0.0, 3600.0, []) is None
    True
    """
    pace = np.asarray(pace, float)
    if len(pace) < FEWEST:
        return None
    slow, middle, fast = np.quantile(pace, [0.1, 0.5, 0.9])
    if middle <= 0:
        return None
    left = max(0.0, pass_area_left)
    late = left / slow if slow > 0 else (np.inf if left else 0.0)
    return Finish(now + left / float(fast), now + left / float(middle), now + float(late))


SPANS = 12
"""Ten minutes each: the last two hours of work."""
