"""What of recorded work is known already, and what is left of it: the same place at the same time is the same work.

Notes
-----
`rollbook bring` asks it of the stints in the logbook, `rollbook measure` of the recordings given before.
Work is taken out by time, to where the known trace ends, so the seam is neither a gap nor a second pass.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from cabapp.geometry.arrays import Floats
from cabapp.jobs.imports.recorded_day import RecordedDay
from cabapp.jobs.records.work_intervals import Spans
from cabapp.position.recordings.machine_split import repeated
from cabapp.track.activity import FieldStay
from cabapp.track.logging_interval import break_limit, logging_interval
from cabapp.track.usable_fixes import usable_fixes

LEAST_NEW_S = 20.0
"""Less work than this beside known work is no news, s: an estimate of when work began is no sharper."""


@dataclass(frozen=True)
class KnownWork:
    """A trace in order of time, and when it worked, POSIX s; None where all of its time was accounted for."""

    t: Floats
    lat: Floats
    lon: Floats
    quality: np.ndarray
    spans: Spans | None

    @property
    def times(self) -> Spans:
        """The time that needs no other trace, POSIX s: what lies between two fixes too far apart is left out."""
        t = self.t[usable_fixes(self.t, self.lat, self.lon, self.quality).keep]
        if not len(t):
            return []
        ends = np.flatnonzero(np.diff(t) > break_limit(logging_interval(t)))
        runs = [(float(t[a]), float(t[b])) for a, b in zip([0, *(ends + 1)], [*ends, len(t) - 1])]
        return runs if self.spans is None else common_time(runs, self.spans)

    def has_of(self, day: RecordedDay, stay: FieldStay) -> bool:
        """Return whether it is of the same machine, at some of the same time."""
        track = day.track.at(slice(day.rows[stay.first], day.rows[stay.last] + 1))
        if not len(self.t) or self.t[-1] < track.t[0] or track.t[-1] < self.t[0]:
            return False
        had = repeated(self.t, self.lat, self.lon, track.t, track.lat, track.lon)
        return had is not None and bool(had.any())


def rest_of(day: RecordedDay, stay: FieldStay, known: Iterable[KnownWork]) -> tuple[list[FieldStay], float]:
    """Return what of a stay is not known, a stay for each piece of time without known work, and s left out."""
    free = _free(sorted(span for one in known if one.has_of(day, stay) for span in one.times))
    new = common_time(stay.spells, free)
    left_out = _length(stay.spells) - _length(new)
    if left_out <= 0:
        return [stay], 0.0
    if _length(new) < LEAST_NEW_S:
        return [], left_out
    # what lies in one stretch of time without known work is one piece
    begins = [begin for begin, _ in free]
    pieces = itertools.groupby(new, lambda span: bisect.bisect(begins, span[0]))
    return [_piece(day, stay, tuple(spans)) for _, spans in pieces], left_out


def common_time(one: Sequence[tuple[float, float]], other: Sequence[tuple[float, float]]) -> Spans:
    """Return the time in both, POSIX s; each in order, without overlap.

    >>> common_time([(0, 10), (20, 30)], [(5, 25)])
    [(5, 10), (20, 25)]
    """
    both, n, k = [], 0, 0
    while n < len(one) and k < len(other):
        begin, end = max(one[n][0], other[k][0]), min(one[n][1], other[k][1])
        if begin < end:
            both.append((begin, end))
        if one[n][1] < other[k][1]:
            n += 1
        else:
            k += 1
    return both


def _free(times: Spans) -> Spans:
    """Return the time outside of some, which are in order of their begin and may overlap.

    >>> _free([(2, 9), (3, 4), (9, 12)])
    [(-inf, 2), (12, inf)]
    """
    free, begin = [], -math.inf
    for a, b in times:
        if a > begin:
            free.append((begin, a))
        begin = max(begin, b)
    return [*free, (begin, math.inf)]


def _length(spans: Iterable[tuple[float, float]]) -> float:
    return sum(b - a for a, b in spans)


def _piece(day: RecordedDay, stay: FieldStay, spells: tuple[tuple[float, float], ...]) -> FieldStay:
    """Return the part of a stay from the fix before some of its work to the one after."""
    t = day.track.t[day.rows]
    first = int(np.searchsorted(t, spells[0][0], side="right")) - 1
    last = int(np.searchsorted(t, spells[-1][1]))
    return replace(stay, first=max(stay.first, first), last=min(stay.last, last), spells=spells)
