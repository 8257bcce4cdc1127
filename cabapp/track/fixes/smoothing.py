"""Noisy places of a track moved to the parabola through those around them.

Savitzky and Golay 1964, Analytical Chemistry 36(8), 1627-1639: least-squares parabola through 2 h + 1 equally
spaced values, here at its middle; a turn keeps its radius, where a mean would cut it off.
"""

import itertools
from functools import lru_cache

import numpy as np

from cabapp.geometry.arrays import Floats, Ints

ENOUGH = 0.05
"""m. Noise left over that needs no wider window."""
JERK = 0.16
"""m/s4. Fourth derivative of the place in a turn of 8 m radius at 3 m/s."""
WIDEST = 60
"""Fixes to either side."""
WIDTHS = (2, 3, 4, 6, 8, 11, 16, 22, 30, 42, WIDEST)
_WHOLE = np.array([max((width for width in WIDTHS if width <= half), default=0) for half in range(WIDEST + 1)])


@lru_cache(maxsize=WIDEST + 1)
def weights(half: int) -> tuple[float, ...]:
    """Return the weights of the parabola's middle: of the middle itself, then of each pair beside it, outward.

    >>> [round(35 * weight) for weight in weights(2)]
    [17, 12, -3]
    """
    h = float(half)
    below = (2 * h - 1) * (2 * h + 1) * (2 * h + 3) / 3
    return tuple((3 * h * h + 3 * h - 1 - 5.0 * k * k) / below for k in range(half + 1))


@lru_cache(maxsize=WIDEST + 1)
def left_over(half: int) -> float:
    """Return the share of white noise that a window leaves, 1 sigma."""
    return weights(half)[0] ** 0.5 if half else 1.0


def half_width(noise: float, interval: float) -> int:
    """Return how many fixes to either side to smooth over: until little noise is left or turns would be cut off.

    Parameters
    ----------
    noise : float
        1 sigma, m.
    interval : float
        Between fixes, s.

    Notes
    -----
    The middle of the parabola is off by the fourth derivative times the half width, s, to the fourth, over 280.

    >>> [half_width(0.4, 0.1), half_width(1.0, 0.05), half_width(1.0, 1.0), half_width(3.0, 15.0)]
    [30, 60, 4, 0]
    """
    half = 0
    for wider in WIDTHS:
        cut_off = JERK / 280 * (wider * interval) ** 4
        if noise * left_over(half) <= ENOUGH or cut_off > noise * left_over(wider):
            break
        half = wider
    return half


def runs(values: Ints) -> list[tuple[int, int]]:
    """Return where equal values begin and end.

    >>> runs(np.array([3, 3, 5]))
    [(0, 2), (2, 3)]
    """
    cuts = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), len(values)]
    return [(a, b) for a, b in itertools.pairwise(cuts) if a < b]


def _middles(rows: Floats, begin: int, end: int, half: int) -> Floats:
    """Return the smoothed places of rows begin to end, m, shape (n, 2)."""
    middle, *pairs = weights(half)
    columns = []
    for one in (1, 2):
        if end == begin + 1:  # the same sum in plain numbers, which is many times faster for one
            values = rows[begin - half : end + half, one].tolist()
            total = values[half] * middle
            for k, weight in enumerate(pairs, 1):
                total += (values[half - k] + values[half + k]) * weight
            columns.append(np.array([total]))
            continue
        column = np.ascontiguousarray(rows[begin - half : end + half, one])
        count = end - begin
        sums = column[half : half + count] * middle
        for k, weight in enumerate(pairs, 1):
            sums += (column[half - k : half - k + count] + column[half + k : half + k + count]) * weight
        columns.append(sums)
    return np.column_stack(columns)


class TrackSmoothing:
    """Smooths the fixes of one stretch as they come, each when enough after it are known.

    Notes
    -----
    Windows reach back to the first noisy fix and on to the last of the stretch, and are as wide on both sides. One
    fix at a time and all at once give the same, for weighted values are added in one order.
    """

    def __init__(self) -> None:
        self._rows = np.zeros((0, 6))  # some given out already and all waiting
        self._before = np.zeros(0, np.int64)  # noisy ones right before each of them
        self._given = 0

    def feed(self, rows: Floats, last: bool = False) -> Floats:
        """Return the rows whose windows are full, in order: as given, place smoothed, error that is left.

        Parameters
        ----------
        rows : ndarray, shape (n, 6)
            Of one stretch: time, s, place, m, stated error, m, noise, m, and half width, fixes.
        last : bool
            The stretch ends: all that wait are returned.
        """
        if not len(self._rows) and not rows[:, 5].any():
            if rows[:, 4].any():
                rows = rows.copy()
                rows[:, 3] = np.where(rows[:, 4] > 0, rows[:, 4], rows[:, 3])
            return rows
        noisy = rows[:, 5] > 0
        known = int(self._before[-1] + 1) if len(self._rows) and self._rows[-1, 5] > 0 else 0
        at = np.arange(len(rows))
        calm = np.maximum.accumulate(np.where(noisy, -1, at))
        before = np.where(np.concatenate([[-1], calm[:-1]]) < 0, at + known, at - 1 - np.concatenate([[-1], calm[:-1]]))
        self._rows = np.concatenate([self._rows, rows])
        self._before = np.concatenate([self._before, before])
        return self._ready(last)

    def _ready(self, last: bool) -> Floats:
        rows, first = self._rows, self._given
        after = len(rows) - 1 - np.arange(first, len(rows))
        half = np.minimum(rows[first:, 5].astype(np.int64), self._before[first:])
        if last:
            half = np.minimum(half, after)
        ready = half <= after
        count = len(half) if ready.all() else int(ready.argmin())
        out = rows[first : first + count].copy()
        half = _WHOLE[half[:count]]
        for begin, end in runs(half):
            width = int(half[begin])
            if width:
                out[begin:end, 1:3] = _middles(rows, first + begin, first + end, width)
        left = out[:, 4] * np.array([left_over(width) for width in half.tolist()])
        out[:, 3] = np.where(out[:, 4] > 0, left, out[:, 3])
        self._given = first + count
        spare = max(self._given - WIDEST, 0)
        if last or (self._given == len(rows) and rows[-1, 5] == 0):
            spare = len(rows)
        self._rows, self._before, self._given = rows[spare:], self._before[spare:], max(self._given - spare, 0)
        return out
