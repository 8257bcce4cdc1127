"""Ground swept between two moments, as convex quadrilaterals. Knows no grid and no field."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from cabapp.geometry.arrays import Floats, Ints

TICK = 1 / 1024
"""m. Ends of the tool line and the odometer are whole ticks, so that a trace gives the same pieces
whether fed one fix at a time or all at once."""


@dataclass
class SweptPieces:
    """n swept pieces of one stint, in the order they were swept.

    Attributes
    ----------
    quad : ndarray, shape (n, 4, 2)
        Corners, m on the plane; convex, a triangle repeats a corner. Quickest where `quad.T` is
        contiguous.
    s0, s1 : ndarray of int64, shape (n,)
        Odometer at the start and end of the piece, ticks.
    t : ndarray, shape (n,)
        POSIX seconds at the end of the piece.
    leave : int
        Ticks of path after which ground swept again is a new visit.
    """

    quad: Floats
    s0: Ints
    s1: Ints
    t: Floats
    leave: int

    def __len__(self) -> int:
        return len(self.s0)

    @classmethod
    def none(cls, leave: int) -> "SweptPieces":
        """Return no pieces."""
        whole = np.zeros(0, np.int64)
        return cls(np.zeros((0, 4, 2)), whole, whole, np.zeros(0), leave)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """West, south, east, north, m; of one piece or more."""
        if len(self) < 25:  # plain numbers are several times faster
            x, y = self.quad.reshape(-1, 2).T.tolist()
            return min(x), min(y), max(x), max(y)
        places = self.quad.T
        (west, south), (east, north) = places.min(axis=(1, 2)).tolist(), places.max(axis=(1, 2)).tolist()
        return west, south, east, north

    def cut(self, start: int, stop: int) -> "SweptPieces":
        """Return some of the pieces, sharing memory."""
        some = slice(start, stop)
        return SweptPieces(self.quad[some], self.s0[some], self.s1[some], self.t[some], self.leave)

    def turned(self, angle: float) -> "SweptPieces":
        """Return the pieces in a frame turned by an angle, rad."""
        if angle == 0:
            return self
        c, s = np.cos(angle), np.sin(angle)
        x, y = self.quad[..., 0], self.quad[..., 1]
        quad = np.stack([(x * c - y * s).T, (x * s + y * c).T]).T
        return SweptPieces(quad, self.s0, self.s1, self.t, self.leave)

    @classmethod
    def join(cls, parts: list["SweptPieces"], leave: int) -> "SweptPieces":
        """Return the pieces of several batches of one stint as one, in order."""
        parts = [p for p in parts if len(p)]
        if not parts:
            return cls.none(leave)
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([p.quad for p in parts]),
            np.concatenate([p.s0 for p in parts]),
            np.concatenate([p.s1 for p in parts]),
            np.concatenate([p.t for p in parts]),
            leave,
        )

    @classmethod
    def gathered(cls, parts: Iterable["SweptPieces"], leave: int, about: int) -> "SweptPieces":
        """Return the pieces of many batches of one stint, each of which may go when the next comes.

        There is room for `about` at first; what is not used takes no memory.
        """
        number, room = 0, max(about, 1)
        quad, s0, s1, t = np.empty((2, 4, room)).T, np.empty(room, np.int64), np.empty(room, np.int64), np.empty(room)
        for part in parts:
            stop = number + len(part)
            if stop > room:
                room = 2 * stop
                quad, old = np.empty((2, 4, room)).T, quad
                quad[:number] = old[:number]
                s0, s1, t = np.resize(s0, room), np.resize(s1, room), np.resize(t, room)
            some = slice(number, stop)
            quad[some], s0[some], s1[some], t[some] = part.quad, part.s0, part.s1, part.t
            number = stop
        return cls(quad, s0, s1, t, leave).cut(0, number)


def cross(a: Floats, b: Floats) -> Floats:
    """Return the z part of the cross product of vectors, shape (..., 2)."""
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def swept(quad: Floats, s0: Ints, s1: Ints, t: Floats, leave: int) -> SweptPieces:
    """Return what a straight tool line sweeps from one place to the next.

    `quad`, shape (n, 4, 2), holds the left and right end of the tool line before, and the right and
    left end after, m; the rest is as in `SweptPieces`.

    Notes
    -----
    Where the line pivots inside itself (a turn tighter than half the width) one end goes forward
    and the other backward: two triangles that meet in the pivot.
    """
    after = [1, 2, 3, 0]
    # corner by corner in one stretch of memory
    x, y = np.ascontiguousarray(quad[:, :, 0].T), np.ascontiguousarray(quad[:, :, 1].T)
    dx, dy = x[after] - x, y[after] - y
    turns = dx * dy[after] - dy * dx[after]
    convex = (turns.min(axis=0) >= 0) | (turns.max(axis=0) <= 0)
    if convex.all():
        return SweptPieces(quad, s0, s1, t, leave)
    odd = np.flatnonzero(~convex)
    first, second = _split(quad[odd], turns[:, odd].T)
    repeat = np.ones(len(quad), np.int64)
    repeat[odd] = 2
    which = np.repeat(np.arange(len(quad)), repeat)
    quad = quad.T[..., which].T
    start = np.cumsum(repeat) - repeat
    quad[start[odd]] = first
    quad[start[odd] + 1] = second
    return SweptPieces(quad, s0[which], s1[which], t[which], leave)


def swept_few(
    corners: list[tuple[list[float], list[float]]], s0: list[int], s1: list[int], t: list[float], leave: int
) -> SweptPieces:
    """Return `swept` of plain numbers; of each quadrilateral x and y of its four corners, m."""
    if not corners:
        return SweptPieces.none(leave)
    which, parts = [], []
    for n, (x, y) in enumerate(corners):
        dx, dy = ([one[k - 3] - one[k] for k in range(4)] for one in (x, y))
        turns = [dx[k] * dy[k - 3] - dy[k] * dx[k - 3] for k in range(4)]
        some = [(x, y)] if min(turns) >= 0 or max(turns) <= 0 else _split_one(x, y, turns)
        parts += some
        which += [n] * len(some)
    quad = np.array(parts).transpose(0, 2, 1)
    begin, end = (np.array([one[n] for n in which], np.int64) for one in (s0, s1))
    return SweptPieces(quad, begin, end, np.array([t[n] for n in which]), leave)


def _split_one(x: list[float], y: list[float], turns: list[float]) -> list[tuple[list[float], list[float]]]:
    """Do what `_split` does with one in plain numbers."""
    ax, ay, bx, by = x[1] - x[0], y[1] - y[0], x[2] - x[3], y[2] - y[3]
    den = ax * by - ay * bx
    if den != 0:
        f = ((x[3] - x[0]) * by - (y[3] - y[0]) * bx) / den
        g = ((x[3] - x[0]) * ay - (y[3] - y[0]) * ax) / den
        if 0 <= f <= 1 and 0 <= g <= 1:
            px, py = x[0] + f * ax, y[0] + f * ay
            return [([x[k], px, x[m], x[m]], [y[k], py, y[m], y[m]]) for k, m in ((0, 3), (1, 2))]
    minority = 1.0 if sum(turn > 0 for turn in turns) == 1 else -1.0
    bent = [turn * minority for turn in turns]
    a, b, c, d = ((bent.index(max(bent)) + k) % 4 for k in range(4))
    return [([x[k] for k in some], [y[k] for k in some]) for some in ((a, b, c, c), (a, c, d, d))]


def _split(quad: Floats, turns: Floats) -> tuple[Floats, Floats]:
    """Cut quadrilaterals (n, 4, 2) that are crossed or dented into two triangles each."""
    left0, right0, right1, left1 = (quad[:, i] for i in range(4))
    along0, along1 = right0 - left0, right1 - left1
    den = cross(along0, along1)
    safe = np.where(den == 0, 1.0, den)
    f = cross(left1 - left0, along1) / safe
    g = cross(left1 - left0, along0) / safe
    crossed = (den != 0) & (f >= 0) & (f <= 1) & (g >= 0) & (g <= 1)
    pivot = left0 + f[:, None] * along0
    first = np.stack([left0, pivot, left1, left1], axis=1)
    second = np.stack([right0, pivot, right1, right1], axis=1)
    # not crossed: one corner is dented; cut from that corner to the one opposite
    minority = np.where((turns > 0).sum(axis=1) == 1, 1.0, -1.0)
    dent = np.argmax(turns * minority[:, None], axis=1)
    row = np.arange(len(quad))
    a, b, c, d = (quad[row, (dent + k) % 4] for k in range(4))
    plain = ~crossed
    first[plain] = np.stack([a, b, c, c], axis=1)[plain]
    second[plain] = np.stack([a, c, d, d], axis=1)[plain]
    return first, second
