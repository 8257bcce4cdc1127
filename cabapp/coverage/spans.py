"""Swept pieces cut into rows: on each row a piece covers one interval, exact in x.

The visit rule lives here and in `Grid.paint`, and a test holds the two together: a place gets one
more pass when a piece covers it and no piece of the last `leave` of path has.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from cabapp.coverage.pieces import Pieces
from cabapp.coverage.reach import BLOCK, corners, counter_clockwise, reaches


@dataclass
class Spans:
    """n intervals on rows: x0 <= x < x1 on row k, whose middle is y = (k + 0.5) * row.

    Attributes
    ----------
    k : ndarray of int64, shape (n,)
    x0, x1 : ndarray, shape (n,)
        m.
    piece : ndarray of int64, shape (n,)
        Which piece made it; n spans of one piece stand together, rows ascending.
    first, count, offset : ndarray of int64, shape (pieces,)
        Lowest row of each piece, how many, and where its spans start.
    """

    k: np.ndarray
    x0: np.ndarray
    x1: np.ndarray
    piece: np.ndarray
    first: np.ndarray
    count: np.ndarray
    offset: np.ndarray


def row_spans(quad: np.ndarray, row: float) -> Spans:
    """Return the intervals that convex quadrilaterals, shape (n, 4, 2), cover on rows.

    Parameters
    ----------
    quad : ndarray, shape (n, 4, 2)
        Corners, m.
    row : float
        Distance between rows, m.
    """
    x, y = corners(quad)
    c = _above(y, row)
    first = c.min(axis=0)
    count = c.max(axis=0) - first
    offset = np.cumsum(count) - count
    piece = np.repeat(np.arange(len(quad)), count)
    slot = offset - first
    k = np.arange(len(piece)) - slot[piece]
    # a convex outline run through counter-clockwise comes down on its left and goes up on its right
    corner, whose = np.nonzero(c[NEXT] != c)
    a, b = (corner, whose), (NEXT[corner], whose)
    at, place, number = _crossed(x[a], y[a], x[b], y[b], c[a], c[b], row)
    right = (c[b] < c[a]) != counter_clockwise(x, y)[whose]
    ends = np.empty(2 * len(k))
    ends[at + np.repeat(slot[whose] + right * len(k), number)] = place
    x0, x1 = ends[: len(k)], ends[len(k) :]
    return Spans(k, x0, x1, piece, first, count, offset)


NEXT = np.array([1, 2, 3, 0])


def _above(y, row):
    """Return the first row whose middle is not below y."""
    return np.ceil(y * (1 / row) - 0.5).astype(np.int64)


def _crossed(xa, ya, xb, yb, ca, cb, row):
    """Return row and x of every crossing of edges a to b with rows, and how many each has.

    Reckoned from the lower end, so that an edge two pieces share gives both the very same x.
    """
    rise = cb > ca
    low = np.where(rise, ca, cb)
    number = np.abs(cb - ca)
    slope = (xb - xa) / np.where(number == 0, 1.0, yb - ya)
    k = np.repeat(low - np.cumsum(number) + number, number)
    k += np.arange(len(k))
    x = k * row
    x += np.repeat(0.5 * row - np.where(rise, ya, yb), number)
    x *= np.repeat(slope, number)
    x += np.repeat(np.where(rise, xa, xb), number)
    return k, x, number


def visits(
    pieces: Pieces, row: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return row, start, end and piece of intervals that each add one pass, in any order.

    Parameters
    ----------
    pieces : Pieces
        Of one stint.
    row : float
        Distance between rows, m.

    Returns
    -------
    k : ndarray of int64, shape (m,)
    x0, x1 : ndarray, shape (m,)
        m; x0 < x1.
    piece : ndarray of int64, shape (m,)
        Which piece made it: tells when, and orders the passes over a place by time.
    """
    far, near, _ = reaches(*corners(pieces.quad), pieces.s0, pieces.s1, pieces.leave)
    later = np.flatnonzero(far < near)
    return _fresh(pieces.quad, row, later, near[later], far[later])


def crossings(
    pieces: Pieces, row: float, angle: float = 0.0
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Yield row, x and kind of places on rows where a visit starts (False) or ends (True).

    The same ground as `visits`, block by block, but pieces that overlap none of their visit are
    taken together: where one joins the next nothing starts or ends, so only the paths of the
    tool's two ends are left to follow.

    Parameters
    ----------
    pieces : Pieces
        Of one stint.
    row : float
        Distance between rows, m.
    angle : float
        What the frame is turned by first, rad.
    """
    c, s = np.cos(angle), np.sin(angle)
    asking = []
    for start in range(0, len(pieces), BLOCK):
        begin = int(np.searchsorted(pieces.s1, pieces.s0[start] - pieces.leave))
        part = slice(begin, start + BLOCK)
        east, north = corners(pieces.quad[part])
        x, y = east * c - north * s, east * s + north * c
        far, near, joins = reaches(x, y, pieces.s0[part], pieces.s1[part], pieces.leave)
        free = far >= near
        free[: start - begin] = True
        busy = np.flatnonzero(~free)
        asking.append(begin + np.stack([busy, near[busy], far[busy]]))
        free[: start - begin] = False
        yield _outer_edges(x, y, free, joins, row)
    if not asking:
        return
    # together, for few pieces ask but they ask for many before them, one after the other
    later, near, far = np.concatenate(asking, axis=1)
    for start in range(0, len(later), BLOCK):
        some = slice(start, start + BLOCK)
        yield from _asked(pieces, row, (c, s), later[some], near[some], far[some])


def _outer_edges(x, y, free, joins, row):
    """Return row, x and whether it is an end, for pieces taken together where they join."""
    some = np.flatnonzero(free)
    joined = joins & free
    joined[1:] &= free[:-1]
    first = some[~joined[some]]
    last = some[~np.append(joined, False)[some + 1]]
    a = np.concatenate([some + 3 * len(free), some + len(free), first, last + 2 * len(free)])
    b = np.concatenate([some, some + 2 * len(free), first + len(free), last + 3 * len(free)])
    c = _above(y, row).ravel()
    ahead = counter_clockwise(x, y)[np.concatenate([some, some, first, last])]
    ends = (c[b] > c[a]) == ahead
    x, y = x.ravel(), y.ravel()
    k, x, number = _crossed(x[a], y[a], x[b], y[b], c[a], c[b], row)
    return k, x, np.repeat(ends, number)


def _asked(pieces, row, turn, later, near, far):
    """Yield the same for pieces that must ask which ground pieces before them covered."""
    c, s = turn
    low = far.min()
    marks = np.zeros(later[-1] + 2 - low, np.int64)
    for start, stop in ((far, near), (later, later + 1)):
        np.add.at(marks, start - low, 1)
        np.add.at(marks, stop - low, -1)
    asked = np.flatnonzero(np.cumsum(marks) > 0)
    quad = pieces.quad[asked + low] @ np.array([[c, s], [-s, c]])
    later, near, far = (
        np.searchsorted(asked, later - low),
        np.searchsorted(asked, near - 1 - low) + 1,
        np.searchsorted(asked, far - low),
    )
    k, x0, x1, piece = _fresh(quad, row, later, near, far)
    mine = np.zeros(len(quad), bool)
    mine[later] = True
    mine = mine[piece]
    k, x0, x1 = k[mine], x0[mine], x1[mine]
    yield k, x0, np.zeros(len(k), bool)
    yield k, x1, np.ones(len(k), bool)


def _fresh(quad, row, later, near, far):
    """Cut quadrilaterals into rows, some of them less the ground of pieces before them.

    Piece `later[n]` loses what pieces `far[n]` to `near[n]` (exclusive) cover.
    """
    spans = row_spans(quad, row)
    x0, x1 = spans.x0.copy(), spans.x1.copy()
    split: list[tuple[np.ndarray, ...]] = []
    end = spans.first + spans.count
    slot = spans.offset - spans.first
    west, east = quad[:, :, 0].min(axis=1), quad[:, :, 0].max(axis=1)
    earlier = near - 1
    while len(later):
        low = np.maximum(spans.first[later], spans.first[earlier])
        shared = np.maximum(np.minimum(end[later], end[earlier]) - low, 0)
        shared[(west[later] >= east[earlier]) | (west[earlier] >= east[later])] = 0
        pair = np.repeat(np.arange(len(later)), shared)
        k = np.arange(len(pair)) + (low - np.cumsum(shared) + shared)[pair]
        mine = slot[later][pair] + k
        theirs = slot[earlier][pair] + k
        c, d = spans.x0[theirs], spans.x1[theirs]
        a, b = x0[mine], x1[mine]
        touch = (c < b) & (d > a)
        inside = touch & (c > a) & (d < b)
        if inside.any():
            rest = pair[inside]
            split.append((mine[inside], d[inside], b[inside], earlier[rest], far[rest]))
        x1[mine] = np.where(touch & (c > a), c, b)
        x0[mine] = np.where(touch & (c <= a), d, a)
        on = earlier > far
        later, earlier, far = later[on], earlier[on] - 1, far[on]
    k, piece = spans.k, spans.piece
    if split:
        more = _second_parts(spans, split)
        k = np.concatenate([k, more[0]])
        x0 = np.concatenate([x0, more[1]])
        x1 = np.concatenate([x1, more[2]])
        piece = np.concatenate([piece, more[3]])
    keep = x0 < x1
    return k[keep], x0[keep], x1[keep], piece[keep]


def _second_parts(spans, split):
    """Finish, one by one, the right halves of intervals that an earlier piece cut in two."""
    out_k, out_x0, out_x1, out_piece = [], [], [], []
    for mine, start, end, near, far in zip(*(np.concatenate(c).tolist() for c in zip(*split))):
        row = int(spans.k[mine])
        parts = [(start, end)]
        for other in range(near - 1, far - 1, -1):
            at = row - spans.first[other]
            if 0 <= at < spans.count[other]:
                c = float(spans.x0[spans.offset[other] + at])
                d = float(spans.x1[spans.offset[other] + at])
                parts = [
                    (p, q)
                    for a, b in parts
                    for p, q in ((a, min(b, max(a, c))), (max(a, min(b, d)), b))
                    if p < q
                ] if c < d else parts
        for a, b in parts:
            out_k.append(row)
            out_x0.append(a)
            out_x1.append(b)
            out_piece.append(int(spans.piece[mine]))
    return (
        np.array(out_k, np.int64),
        np.array(out_x0),
        np.array(out_x1),
        np.array(out_piece, np.int64),
    )
