"""Convex quadrilaterals cut into rows: on each row one interval, exact in x. Pure."""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil

import numpy as np

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.polygon_rows import first_row_above

NEXT = np.array([1, 2, 3, 0])
BEFORE, AFTER = slice(0, 2), slice(3, 1, -1)
"""The corners at the left and right end of the tool line, before and after the piece."""


@dataclass
class Spans:
    """n intervals on rows: x0 <= x < x1 on row k, whose middle is y = (k + 0.5) * row.

    `k`: int64, shape (n,).
    `x0`, `x1`: shape (n,); m.
    `piece`: int64, shape (n,); index of the quadrilateral; its spans stand together, rows ascending.
    `first`, `count`, `offset`: int64, shape (quadrilaterals,); lowest row of each, how many rows, and where its spans
        start.
    """

    k: Ints
    x0: Floats
    x1: Floats
    piece: Ints
    first: Ints
    count: Ints
    offset: Ints


def corners(quad: Floats) -> tuple[Floats, Floats]:
    """Return x and y of corners, each (4, n) in one stretch of memory."""
    return np.ascontiguousarray(quad[:, :, 0].T), np.ascontiguousarray(quad[:, :, 1].T)


def turned(x: Floats, y: Floats, angle: float) -> tuple[Floats, Floats]:
    """Return places, m, in a frame turned by an angle, rad."""
    if angle == 0:
        return x, y
    c, s = np.cos(angle), np.sin(angle)
    return x * c - y * s, x * s + y * c


def counter_clockwise(x: Floats, y: Floats) -> Bools:
    """Return which convex quadrilaterals, (4, n), run counter-clockwise."""
    turns: Bools = (x[2] - x[0]) * (y[3] - y[1]) >= (y[2] - y[0]) * (x[3] - x[1])
    return turns


def row_spans(quad: Floats, row: float) -> Spans:
    """Return the intervals that convex quadrilaterals cover on rows.

    `quad`: shape (n, 4, 2); corners, m; a triangle repeats one.
    `row`: distance between rows, m.
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
    at, place, number = cross_rows(x[a], y[a], x[b], y[b], c[a], c[b], lambda k: (k + 0.5) * np.float64(row))
    right = (c[b] < c[a]) != counter_clockwise(x, y)[whose]
    ends = np.empty(2 * len(k))
    ends[at + np.repeat(slot[whose] + right * len(k), number)] = place
    return Spans(k, ends[: len(k)], ends[len(k) :], piece, first, count, offset)


def quad_rows(quad: Floats, row: float) -> tuple[int, Floats]:
    """Return the first row and the ends x0 and x1, (2, n), m, on it and those above, of one quadrilateral, (4, 2).

    The very numbers of `row_spans`, several times faster for one.
    """
    x, y = quad.T.tolist()
    c = [ceil(place * (1 / row) - 0.5) for place in y]
    first = min(c)
    middle = (np.arange(first, max(c)) + 0.5) * row
    ends = np.empty((2, len(middle)))
    forward = (x[2] - x[0]) * (y[3] - y[1]) >= (y[2] - y[0]) * (x[3] - x[1])
    for a, b in ((0, 1), (1, 2), (2, 3), (3, 0)):
        low, high = (a, b) if c[b] > c[a] else (b, a)
        number = c[high] - c[low]
        if number:
            slope = (x[b] - x[a]) / (y[b] - y[a])
            start = (c[low] + 0.5) * row
            at = x[low] + (start - y[low]) * slope
            slope *= number > 1
            on = slice(c[low] - first, c[high] - first)
            ends[int((low == b) != forward), on] = middle[on] * slope + (at - start * slope)
    return first, ends


def cross_rows(
    xa: Floats, ya: Floats, xb: Floats, yb: Floats, ca: Ints, cb: Ints, middle: Callable[[Ints], Floats]
) -> tuple[Ints, Floats, Ints]:
    """Return row and x of every crossing of edges a to b with rows, and how many each has.

    `xa`, `ya`, `xb`, `yb`: shape (n,); ends of the edges, m.
    `ca`, `cb`: int64, shape (n,); first row not below each end.
    `middle`: rows to where their middles lie, m.

    Notes: Counted from the lower end, so that an edge two quadrilaterals share gives both the same x.
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
