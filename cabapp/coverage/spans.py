"""Swept pieces cut into rows: on each row a piece covers one interval, exact in x.

The visit rule lives here and in `Grid.paint`, and a test holds the two together: a place gets one
more pass when a piece covers it and no piece of the last `leave` of path has.
"""

from dataclasses import dataclass

import numpy as np

from cabapp.coverage.pieces import Pieces


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
    y = quad[:, :, 1]
    first = np.ceil(y.min(axis=1) / row - 0.5).astype(np.int64)
    count = np.ceil(y.max(axis=1) / row - 0.5).astype(np.int64) - first
    offset = np.cumsum(count) - count
    piece = np.repeat(np.arange(len(quad)), count)
    k = np.arange(len(piece)) - offset[piece] + first[piece]
    middle = (k + 0.5) * row
    x0 = np.full(len(k), np.inf)
    x1 = np.full(len(k), -np.inf)
    x = quad[:, :, 0]
    for a in range(4):
        b = (a + 1) % 4
        ya, yb = y[:, a], y[:, b]
        rise = yb - ya
        slope = (x[:, b] - x[:, a]) / np.where(rise == 0, 1.0, rise)
        crosses = (ya[piece] <= middle) != (yb[piece] <= middle)
        at = x[:, a][piece] + (middle - ya[piece]) * slope[piece]
        np.minimum(x0, np.where(crosses, at, np.inf), out=x0)
        np.maximum(x1, np.where(crosses, at, -np.inf), out=x1)
    return Spans(k, x0, x1, piece, first, count, offset)


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
    spans = row_spans(pieces.quad, row)
    x0, x1 = spans.x0.copy(), spans.x1.copy()
    split: list[tuple[np.ndarray, ...]] = []
    n = len(pieces)
    later = np.arange(n)
    lag = 0
    while True:
        lag += 1
        later = later[later >= lag]
        later = later[pieces.s0[later] - pieces.s1[later - lag] <= pieces.leave]
        if len(later) == 0:
            break
        earlier = later - lag
        low = np.maximum(spans.first[later], spans.first[earlier])
        high = np.minimum(
            spans.first[later] + spans.count[later], spans.first[earlier] + spans.count[earlier]
        )
        shared = np.maximum(high - low, 0)
        pair = np.repeat(np.arange(len(later)), shared)
        if len(pair) == 0:
            continue
        k = np.arange(len(pair)) - (np.cumsum(shared) - shared)[pair] + low[pair]
        mine = spans.offset[later[pair]] + k - spans.first[later[pair]]
        theirs = spans.offset[earlier[pair]] + k - spans.first[earlier[pair]]
        c, d = spans.x0[theirs], spans.x1[theirs]
        a, b = x0[mine], x1[mine]
        touch = (c < b) & (d > a)
        inside = touch & (c > a) & (d < b)
        if inside.any():
            split.append((mine[inside], d[inside], b[inside].copy(), np.full(inside.sum(), lag)))
        x1[mine] = np.where(touch & (c > a), c, b)
        x0[mine] = np.where(touch & (c <= a), d, a)
    k, piece = spans.k, spans.piece
    if split:
        more = _second_parts(pieces, spans, split)
        k = np.concatenate([k, more[0]])
        x0 = np.concatenate([x0, more[1]])
        x1 = np.concatenate([x1, more[2]])
        piece = np.concatenate([piece, more[3]])
    keep = x0 < x1
    return k[keep], x0[keep], x1[keep], piece[keep]


def _second_parts(pieces, spans, split):
    """Finish, one by one, the right halves of intervals that an earlier piece cut in two."""
    out_k, out_x0, out_x1, out_piece = [], [], [], []
    for mine, start, end, lag in zip(*(np.concatenate(c).tolist() for c in zip(*split))):
        piece, row = int(spans.piece[mine]), int(spans.k[mine])
        parts = [(start, end)]
        for other in range(piece - lag - 1, -1, -1):
            if pieces.s0[piece] - pieces.s1[other] > pieces.leave or not parts:
                break
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
            out_piece.append(piece)
    return (
        np.array(out_k, np.int64),
        np.array(out_x0),
        np.array(out_x1),
        np.array(out_piece, np.int64),
    )
