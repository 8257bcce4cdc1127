"""Which fixes are of one machine, and which stand twice: by where they are at the same time. Pure arrays.

Notes
-----
No file says how many machines it was written by. Spans that follow each other are one machine's; of two that
lie at the same time, the second is another machine where it is elsewhere, and the same one where it is not.
"""

import numpy as np

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.plane import METRES_PER_DEGREE

APART_M = 6.0
"""Median distance at the same times from which on it is another machine: more than two receivers of one machine
differ, less than two tractors can be beside each other (common practice, from memory)."""
NEAR_S = 30.0
"""A track is compared with another only within this of its fixes, s."""
OVERLAP_S = 2.0
"""Spans that overlap by no more than this follow each other, s."""
JUMP_M, JUMP_MPS = 20.0, 50.0
"""No fix of one machine lies farther from the one before than this, m and m/s; few do in noise."""
MIXED = 0.2
"""Share of such jumps from which on the fixes are of several machines by turns."""
MOST_MACHINES, FEWEST = 8, 10
"""Machines told apart without a name, and fixes below which one is no machine but noise."""


def metres(lat: Floats, lon: Floats) -> Floats:
    """Return places east and north of the first known one, m, shape (n, 2); NaN for NaN.

    >>> metres(np.array([60.0, 60.0]), np.array([179.9999, -179.9999])).round(1).tolist()
    [[0.0, 0.0], [11.1, 0.0]]
    """
    known = np.flatnonzero(np.isfinite(lat))
    if not len(known):
        return np.full((len(lat), 2), np.nan)
    lat0, lon0 = float(lat[known[0]]), float(lon[known[0]])
    east = ((lon - lon0 + 180) % 360 - 180) * np.cos(np.radians(lat0))
    return np.column_stack([east, lat - lat0]) * METRES_PER_DEGREE


def repeated(t: Floats, lat: Floats, lon: Floats, t2: Floats, lat2: Floats, lon2: Floats) -> Bools | None:
    """Return which of a second track's fixes the first one has already; None where they are apart.

    Both are in order of time. The second has a fix already where it lies at a time of the first, within the first's
    own interval; what it has before, after, or in a break of the first is new.
    """
    xy = metres(np.append(lat, lat2), np.append(lon, lon2))
    here, there = np.isfinite(xy[: len(t), 0]), np.isfinite(xy[len(t) :, 0])
    one, new = xy[: len(t)][here], xy[len(t) :][there]
    known, asked = t[here], t2[there]
    near = (_apart(known, asked) <= NEAR_S) & (asked >= known.min(initial=np.inf)) & (asked <= known.max(initial=0.0))
    if near.any():
        at = np.column_stack([np.interp(asked[near], known, one[:, axis]) for axis in (0, 1)])
        if np.median(np.hypot(*(new[near] - at).T)) > APART_M:
            return None
    steps = np.diff(known)
    interval = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    had: Bools = _apart(t, t2) == 0
    had[there] = near & (_apart(known, asked) <= max(1.0, interval))
    return had


def _apart(t: Floats, other: Floats) -> Floats:
    """Return how far in time each of `other` is from the nearest of t, s; both rising."""
    if not len(t):
        return np.full(len(other), np.inf)
    after = np.searchsorted(t, other)
    return np.minimum(np.abs(t[np.minimum(after, len(t) - 1)] - other), np.abs(other - t[np.maximum(after - 1, 0)]))


def machines_of(t: Floats, lat: Floats, lon: Floats, span: np.ndarray, name: np.ndarray) -> list[Ints]:
    """Return the rows of each machine in order of time, machines by their first fix; rows in none stand twice.

    Parameters
    ----------
    t, lat, lon : ndarray, shape (n,)
        In the order of the file; NaN where there is no position.
    span : ndarray of int, shape (n,)
        Which unbroken piece of the file a row lies in.
    name : ndarray of int, shape (n,)
        Which machine a row names; all alike where none is named.
    """
    if (np.diff(t) > 0).all() and (name == name[:1]).all():
        return _unmixed(np.arange(len(t)), t, lat, lon)
    order = np.lexsort((np.nan_to_num(lon, nan=999.0), np.nan_to_num(lat, nan=999.0), t))
    same = np.concatenate([[False], _equal(t, order) & _equal(lat, order) & _equal(lon, order)])
    rows = np.sort(order[~same])
    rows = _in_order(rows, t)
    label = span[rows] * (int(name.max()) + 1) + name[rows]
    grouped = np.argsort(label, kind="stable")
    parts = np.split(rows[grouped], np.flatnonzero(np.diff(label[grouped])) + 1)
    columns = np.column_stack([t, lat, lon])
    found: list[_Machine] = []
    for part in sorted(parts, key=lambda part: (t[part[0]], part[0])):
        _place(part, int(name[part[0]]), found, columns)
    machines = [some for one in found for some in _unmixed(_in_order(np.concatenate(one.parts), t), t, lat, lon)]
    return sorted(machines, key=lambda one: (t[one[0]], one[0]))


class _Machine:
    """Spans of one machine, those that may still be met, and the time and place of its last fix."""

    def __init__(self, name: int) -> None:
        self.name, self.parts, self.end, self.place = name, [np.zeros(0, np.int64)], -np.inf, np.full(2, np.nan)
        self._recent: list[tuple[Floats, Ints]] = []

    def add(self, part: Ints, columns: Floats) -> None:
        """Add the rows of a span."""
        if not len(part):
            return
        self.parts.append(part)
        t = columns[part, 0]
        self._recent.append((t, part))
        placed = part[np.isfinite(columns[part, 1])]
        if t[-1] >= self.end and len(placed):
            self.place = columns[placed[-1], 1:]
        self.end = max(self.end, float(t[-1]))

    def during(self, begin: float, end: float, columns: Floats) -> Floats:
        """Return its fixes about a time, in order of time; later ones are asked for times no earlier."""
        begin, end = begin - NEAR_S, end + NEAR_S
        self._recent = [(t, part) for t, part in self._recent if t[-1] >= begin]
        some = [part[np.searchsorted(t, begin) : np.searchsorted(t, end, side="right")] for t, part in self._recent]
        return columns[_in_order(np.concatenate([np.zeros(0, np.int64), *some]), columns[:, 0])]


def _in_order(rows: Ints, t: Floats) -> Ints:
    return rows[np.argsort(t[rows], kind="stable")]


def _place(part: Ints, name: int, machines: list[_Machine], columns: Floats) -> None:
    """Give a span to the machine it is of, or make one of it; spans come by their first fix."""
    begin = columns[part[0], 0]
    for one in machines:
        if one.end < begin or (one.name == name and one.end <= begin + OVERLAP_S):
            continue
        had = repeated(*one.during(begin, columns[part[-1], 0], columns).T, *columns[part].T)
        if had is not None:
            one.add(part[~had], columns)
            return
    free = [one for one in machines if one.name == name and one.end <= begin + OVERLAP_S]
    if not free:
        free = [_Machine(name)]
        machines += free
    placed = part[np.isfinite(columns[part, 1])][:1]
    first = columns[placed[0], 1:] if len(placed) else np.full(2, np.nan)
    min(free, key=lambda one: np.nan_to_num(abs(one.place - first).sum())).add(part, columns)


def _equal(column: Floats, order: Ints) -> Bools:
    one, other = column[order[:-1]], column[order[1:]]
    alike: Bools = (one == other) | (np.isnan(one) & np.isnan(other))
    return alike


def _unmixed(rows: Ints, t: Floats, lat: Floats, lon: Floats) -> list[Ints]:
    """Return the rows of each of several machines whose fixes come by turns; all of them where it is one."""
    placed = rows[np.isfinite(lat[rows])]
    if len(placed) < 2 * FEWEST:
        return [rows]
    xy = metres(lat[placed], lon[placed])
    step, away = np.diff(t[placed]), np.hypot(*np.diff(xy, axis=0).T)
    jumps = np.where(step > 0, away > JUMP_M + JUMP_MPS * step, away > APART_M)
    if jumps.mean() < MIXED:
        return [rows]
    machine = _followed(t[placed], xy)
    counts = np.bincount(machine)
    real = np.flatnonzero(counts >= max(FEWEST, 0.02 * len(placed)))
    if len(real) < 2:
        return [rows]
    machine[~np.isin(machine, real)] = real[0]
    found = [placed[machine == n] for n in real]
    lost = np.append(found[0], rows[~np.isfinite(lat[rows])])
    return [lost[np.argsort(t[lost], kind="stable")], *found[1:]]


def _followed(t: Floats, xy: Floats) -> Ints:
    """Return the machine of each fix: the one whose last course comes nearest."""
    found = np.zeros(len(t), np.int64)
    last: list[tuple[float, float, float, float, float]] = []  # t, x, y, speed east and north
    for i, (now, x, y) in enumerate(zip(t.tolist(), *xy.T.tolist())):
        best, least = -1, np.inf
        for n, (then, x0, y0, u, v) in enumerate(last):
            past = now - then
            if past <= 0 and len(last) < MOST_MACHINES:
                continue
            ahead = min(past, 5.0)
            away = float(np.hypot(x - x0 - u * ahead, y - y0 - v * ahead))
            if away < least and (away <= JUMP_M + JUMP_MPS * past or len(last) == MOST_MACHINES):
                best, least = n, away
        if best < 0:
            last.append((now, x, y, 0.0, 0.0))
            found[i] = len(last) - 1
            continue
        then, x0, y0, _, _ = last[best]
        past = max(now - then, 0.01)
        last[best] = (now, x, y, (x - x0) / past, (y - y0) / past)
        found[i] = best
    return found
