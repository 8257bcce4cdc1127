"""Swept pieces cut into rows: on each row a piece covers one interval, exact in x.

The visit rule lives here and in `Grid.paint`, and a test holds the two together: a place gets one
more pass when a piece covers it and no piece of the last `leave` of path has.
"""

from dataclasses import dataclass

import numpy as np

from cabapp.counting.visits.overlap_search import corners, counter_clockwise, overlap_candidates
from cabapp.geometry.polygon_rows import first_row_above
from cabapp.track.swept_ground import SweptPieces


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
    c = first_row_above(y, row)
    first = c.min(axis=0)
    count = c.max(axis=0) - first
    offset = np.cumsum(count) - count
    piece = np.repeat(np.arange(len(quad)), count)
    slot = offset - first
    k = np.arange(len(piece)) - slot[piece]
    # a convex outline run through counter-clockwise comes down on its left and goes up on its right
    corner, whose = np.nonzero(c[NEXT] != c)
    a, b = (corner, whose), (NEXT[corner], whose)
    at, place, number = cross_rows(x[a], y[a], x[b], y[b], c[a], c[b], lambda k: (k + 0.5) * row)
    right = (c[b] < c[a]) != counter_clockwise(x, y)[whose]
    ends = np.empty(2 * len(k))
    ends[at + np.repeat(slot[whose] + right * len(k), number)] = place
    x0, x1 = ends[: len(k)], ends[len(k) :]
    return Spans(k, x0, x1, piece, first, count, offset)


NEXT = np.array([1, 2, 3, 0])


def cross_rows(xa, ya, xb, yb, ca, cb, middle):
    """Return row and x of every crossing of edges a to b with rows, and how many each has.

    Reckoned from the lower end, so that an edge two pieces share gives both the very same x.
    """
    rise = cb > ca
    low = np.where(rise, ca, cb)
    number = np.abs(cb - ca)
    y, x = np.where(rise, ya, yb), np.where(rise, xa, xb)
    slope = (xb - xa) / np.where(number == 0, 1.0, yb - ya)
    first = middle(low)
    x += (first - y) * slope
    # a short edge may lie all but along the row: only one that meets two rows is carried on
    slope *= number > 1
    x -= first * slope
    k = np.repeat(low - np.cumsum(number) + number, number)
    k += np.arange(len(k))
    across = middle(k)
    across *= np.repeat(slope, number)
    across += np.repeat(x, number)
    return k, across, number


def visits(pieces: SweptPieces, row: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return row, start, end and piece of intervals that each add one pass, in any order.

    Parameters
    ----------
    pieces : SweptPieces
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
    far, near, *_ = overlap_candidates(*corners(pieces.quad), pieces.s0, pieces.s1, pieces.leave)
    later = np.flatnonzero(far < near)
    return fresh(pieces.quad, row, later, near[later], far[later])


def fresh(quad, row, later, near, far):
    """Cut quadrilaterals into rows, some of them less the ground of pieces before them.

    Piece `later[n]` loses what pieces `far[n]` to `near[n]` (exclusive) cover.
    """
    spans = row_spans(quad, row)
    x0, x1 = spans.x0.copy(), spans.x1.copy()
    split: list[tuple[np.ndarray, ...]] = []
    end = spans.first + spans.count
    slot = spans.offset - spans.first
    x, _ = corners(quad)
    west, east = x.min(axis=0), x.max(axis=0)
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
                parts = (
                    [(p, q) for a, b in parts for p, q in ((a, min(b, max(a, c))), (max(a, min(b, d)), b)) if p < q]
                    if c < d
                    else parts
                )
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
