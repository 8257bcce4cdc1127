"""White noise of a trace, estimated from the trace itself, and how wide to smooth because of it.

Difference-based estimator: a residual is a weighted sum of neighbouring values in which every smooth movement
cancels, its variance that of the noise times the sum of the squared weights (Rice 1984, Annals of Statistics 12,
1215-1230; for unequal spacing Gasser, Sroka and Jennen-Steinmetz 1986, Biometrika 73, 625-633; of higher order Hall,
Kay and Titterington 1990, Biometrika 77, 521-528). Here of third order, in which constant acceleration cancels.
"""

from math import floor, log
from typing import Any

import numpy as np

from cabapp.geometry.arrays import Floats, Ints
from cabapp.track.fixes.smoothing import half_width

NOISY = 0.1
"""m. Less noise is left as it is: it adds under 0.3 % to the pass area."""
APART = 0.5
"""s. Fixes are compared at least so far apart, for the noise of quick receivers resembles that of the fix before."""
SPARSE, SLOW = 2.0, 1.0
"""s, m/s. Fixes farther apart in time say something of noise only at a standstill, for turns lie between them."""
WINDOW, EVERY = 64, 16
"""Residuals an estimate is made of, and after how many a new one is made."""
QUARTILE = 2 * log(4 / 3)
"""Lower quartile of the squared length of two standard normal errors: up to three in four residuals may be of turns."""
LIMIT = NOISY * NOISY * QUARTILE

Noise = tuple[float, float]
"""White noise, 1 sigma per axis, m, 0 where below `NOISY`; and fixes to either side to smooth over."""
CALM: Noise = (0.0, 0.0)
_Pick = tuple[float, float, float]


class WhiteNoise:
    """The white noise of a trace, 1 sigma per axis, known as fixes come.

    Parameters
    ----------
    first : Noise
        What holds before the first estimate.

    Attributes
    ----------
    now : Noise
    first : Noise or None
        The first estimate; None until there is one.

    Notes
    -----
    One fix at a time and all at once give the same. Repeated places are left out: some receivers hold the place at
    a standstill.
    """

    def __init__(self, first: Noise = CALM) -> None:
        self.now = first
        self.first: Noise | None = None
        self._fixes = 0
        self._since: tuple[int, float] | None = None  # fixes and time, s, at the estimate before
        self._picks: list[_Pick] = []
        self._bucket = -1
        self._squares: list[float] = []  # squared residuals over the squared weights, m2
        self._fresh = 0

    def feed(self, t: Floats, xy: Floats) -> Floats:
        """Return the `Noise` that holds at each of the next fixes, shape (n, 2), times in s and places (n, 2) in m."""
        if self._since is None:
            self._since = 0, float(t[0])
        if len(t) == 1:
            self._fixes += 1
            bucket = floor(t[0] / APART)
            if bucket != self._bucket:
                self._bucket = bucket
                self._pick((float(t[0]), float(xy[0, 0]), float(xy[0, 1])))
            return np.array([self.now])
        base = self._fixes
        found = self._feed_many(t, xy)
        self._fixes = base + len(t)
        return found

    def _feed_many(self, t: Floats, xy: Floats) -> Floats:
        bucket = np.floor(t / APART)
        chosen = np.flatnonzero(np.diff(bucket, prepend=self._bucket) != 0)
        found = np.empty((len(t), 2))
        found[:] = self.now
        if len(chosen) == 0:
            return found
        self._bucket = int(bucket[chosen[-1]])
        known = np.array(self._picks).reshape(-1, 3)
        picks = np.concatenate([known, np.column_stack([t[chosen], xy[chosen]])])
        at = np.concatenate([np.full(len(known), -1), chosen])
        if not (np.diff(picks[:, 0]) > 0).all():
            return self._singly(t, xy, chosen, found)
        new = np.ones(len(picks), bool)
        new[1:] = (picks[1:, 1] != picks[:-1, 1]) | (picks[1:, 2] != picks[:-1, 2])
        picks, at = picks[new], at[new]
        self._picks = [tuple(pick) for pick in picks[-3:].tolist()]
        if len(picks) < 4:
            return found
        a, b, c, d = (picks[n : len(picks) - 3 + n].T for n in range(4))
        squares, useful = _residuals(a, b, c, d)
        useful &= at[3:] >= 0
        self._take(squares[useful], at[3:][useful], t, found)
        return found

    def _singly(self, t: Floats, xy: Floats, chosen: Ints, found: Floats) -> Floats:
        """Do what `feed` does where times stand or run back."""
        base = self._fixes
        for n in chosen.tolist():
            self._fixes = base + n + 1
            self._pick((float(t[n]), float(xy[n, 0]), float(xy[n, 1])))
            found[n:] = self.now
        return found

    def _pick(self, pick: _Pick) -> None:
        picks = self._picks
        if picks and (pick[0] <= picks[-1][0] or pick[1:] == picks[-1][1:]):
            return
        if len(picks) == 3:
            square, useful = _residuals(picks[0], picks[1], picks[2], pick)
            if useful:
                self._squares.append(square)
                self._fresh += 1
                if self._fresh == EVERY:
                    self._estimate(pick[0])
            del picks[0]
        picks.append(pick)

    def _take(self, squares: Floats, at: Ints, t: Floats, found: Floats) -> None:
        """Take residuals made at fixes number `at`, and write the noise that holds from then on into `found`."""
        if self.now == CALM and self._all_calm(squares, at, t):
            return
        base, begin = self._fixes, 0
        while begin < len(squares):
            some = squares[begin : begin + EVERY - self._fresh]
            self._squares += some.tolist()
            self._fresh += len(some)
            begin += len(some)
            if self._fresh == EVERY:
                n = int(at[begin - 1])
                self._fixes = base + n + 1
                self._estimate(float(t[n]))
                found[n:] = self.now

    def _all_calm(self, squares: Floats, at: Ints, t: Floats) -> bool:
        """Return whether no estimate with the next residuals is noisy; if so take them, which is many times faster."""
        known = len(self._squares)
        ends = np.arange(known + EVERY - self._fresh, known + len(squares) + 1, EVERY)
        if len(ends) == 0:
            return False
        every = np.concatenate([self._squares, squares])
        calm = np.concatenate([[0], np.cumsum(every <= LIMIT)])
        begins = np.maximum(ends - WINDOW, 0)
        if (calm[ends] - calm[begins] <= (ends - begins) // 4).any():
            return False
        self._squares = every[begins[-1] :].tolist()
        self._fresh = int(known + len(squares) - ends[-1])
        self.first = CALM if self.first is None else self.first
        n = int(at[ends[-1] - known - 1])
        self._since = self._fixes + n + 1, float(t[n])
        return True

    def _estimate(self, t: float) -> None:
        """Set the noise from time t on."""
        del self._squares[:-WINDOW]
        self._fresh = 0
        square = sorted(self._squares)[len(self._squares) // 4]
        count, before = self._since or (0, t)
        self._since = self._fixes, t
        self.now = CALM
        if square > LIMIT:
            noise = (square / QUARTILE) ** 0.5
            self.now = noise, float(half_width(noise, (t - before) / max(self._fixes - count, 1)))
        if self.first is None:
            self.first = self.now


def _residuals(a: Any, b: Any, c: Any, d: Any) -> Any:
    """Return the squared third divided difference of picks (t, x, y), of unit variance, and whether it says anything."""
    ab, ac, ad = b[0] - a[0], c[0] - a[0], d[0] - a[0]
    bc, bd, cd = c[0] - b[0], d[0] - b[0], d[0] - c[0]
    wa, wb, wc, wd = -1 / (ab * ac * ad), 1 / (ab * bc * bd), -1 / (ac * bc * cd), 1 / (ad * bd * cd)
    rx = wa * (a[1] - b[1]) + wc * (c[1] - b[1]) + wd * (d[1] - b[1])
    ry = wa * (a[2] - b[2]) + wc * (c[2] - b[2]) + wd * (d[2] - b[2])
    square = (rx * rx + ry * ry) / (wa * wa + wb * wb + wc * wc + wd * wd)
    slow = _slow(a, b) & _slow(b, c) & _slow(c, d)
    return square, (ad <= 3 * SPARSE) | slow


def _slow(a: Any, b: Any) -> Any:
    dx, dy, reach = b[1] - a[1], b[2] - a[2], SLOW * (b[0] - a[0])
    return dx * dx + dy * dy < reach * reach


def first_noise(t: Floats, xy: Floats) -> Noise:
    """Return the first noise that can be estimated from a trace, `CALM` of too short a one."""
    found = WhiteNoise()
    for begin in range(0, len(t), 256):
        found.feed(t[begin : begin + 256], xy[begin : begin + 256])
        if found.first is not None:
            return found.first
    return CALM
