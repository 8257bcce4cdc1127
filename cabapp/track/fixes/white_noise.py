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

    def feed(self, rows: Floats) -> Floats | Noise:
        """Return the `Noise` that holds at each of the next fixes (t, x, y), shape (n, 2), or one of all, s and m."""
        if len(rows) == 0:
            return self.now
        if len(rows) == 1:
            return self.feed_one(*rows[0].tolist())
        base = self._fixes
        found = self._feed_many(rows)
        self._fixes = base + len(rows)
        return found

    def feed_one(self, t: float, x: float, y: float) -> Noise:
        """Do what `feed` does with one fix in plain numbers."""
        self._fixes += 1
        bucket = floor(t / APART)
        if bucket != self._bucket:
            self._bucket = bucket
            self._pick((t, x, y))
        return self.now

    def _feed_many(self, rows: Floats) -> Floats | Noise:
        t, x, y = rows.T.copy()
        if self._since is None:
            self._since = 0, float(t[0])
        bucket = np.floor(t / APART)
        fresh = np.empty(len(t), bool)
        fresh[0] = bucket[0] != self._bucket
        np.not_equal(bucket[1:], bucket[:-1], out=fresh[1:])
        self._bucket = int(bucket[-1])
        chosen = np.flatnonzero(fresh)
        if len(chosen) == 0:
            return self.now
        known = len(self._picks)
        old = np.array(self._picks).reshape(-1, 3).T
        t_, x_, y_ = (np.concatenate([a, b[chosen]]) for a, b in zip(old, (t, x, y)))
        if not (t_[1:] > t_[:-1]).all():
            return self._singly(rows, chosen)
        at = np.concatenate([np.full(known, -1), chosen])
        same = np.flatnonzero((x_[1:] == x_[:-1]) & (y_[1:] == y_[:-1])) + 1
        if len(same):
            t_, x_, y_, at = (np.delete(column, same) for column in (t_, x_, y_, at))
        self._picks = list(zip(t_[-3:].tolist(), x_[-3:].tolist(), y_[-3:].tolist()))
        if len(t_) < 4:
            return self.now
        places = [(t_[n : len(t_) - 3 + n], x_[n : len(t_) - 3 + n], y_[n : len(t_) - 3 + n]) for n in range(4)]
        squares, useful = _residuals(places[0], places[1], places[2], places[3])
        useful &= at[3:] >= 0
        return self._take(squares[useful], at[3:][useful], t)

    def _singly(self, rows: Floats, chosen: Ints) -> Floats:
        """Do what `feed` does where times stand or run back."""
        found = np.empty((len(rows), 2))
        found[:] = self.now
        base = self._fixes
        for n, (t, x, y) in zip(chosen.tolist(), rows[chosen].tolist()):
            self._fixes = base + n + 1
            self._pick((t, x, y))
            found[n:] = self.now
        return found

    def _pick(self, pick: _Pick) -> None:
        picks = self._picks
        if self._since is None:
            self._since = 0, pick[0]
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

    def _take(self, squares: Floats, at: Ints, t: Floats) -> Floats | Noise:
        """Take residuals made at fixes number `at`; return the noise that holds at each of them."""
        if self.now == CALM and self._all_calm(squares, at, t):
            return CALM
        found = np.empty((len(t), 2))
        found[:] = self.now
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
        return found

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
        found.feed(np.column_stack([t[begin : begin + 256], xy[begin : begin + 256]]))
        if found.first is not None:
            return found.first
    return CALM
