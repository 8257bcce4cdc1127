"""Rows of quadrilaterals less the ground that earlier ones cover."""

from collections.abc import Iterator

import numpy as np

from cabapp.geometry.arrays import Floats, Ints
from cabapp.geometry.quad_rows import Spans, corners, row_spans

Visits = tuple[Ints, Floats, Floats, Ints]
"""Row, start and end (m), and index of the piece, of intervals; shape (n,) each."""


def uncovered(quad: Floats, row: float, later: Ints, near: Ints, far: Ints) -> Visits:
    """Return the intervals of quadrilaterals, shape (n, 4, 2), on rows, less those of earlier ones.

    Quadrilateral `later[n]` loses what quadrilaterals `far[n]` to `near[n]` (exclusive) cover.
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
        more = np.array(list(_second_parts(spans, split)), object).reshape(-1, 4).T
        k, x0, x1, piece = (np.concatenate([a, b.astype(a.dtype)]) for a, b in zip((k, x0, x1, piece), more))
    keep = x0 < x1
    return k[keep], x0[keep], x1[keep], piece[keep]


def _second_parts(spans: Spans, split: list[tuple[np.ndarray, ...]]) -> Iterator[tuple[int, float, float, int]]:
    """Yield the right halves of intervals that an earlier piece cut in two, less still earlier ones."""
    for mine, start, end, near, far in zip(*(np.concatenate(c).tolist() for c in zip(*split))):
        row = int(spans.k[mine])
        parts = [(start, end)]
        for other in range(near - 1, far - 1, -1):
            at = row - spans.first[other]
            if not 0 <= at < spans.count[other]:
                continue
            c, d = (float(ends[spans.offset[other] + at]) for ends in (spans.x0, spans.x1))
            if c < d:
                halves = ((p, q) for a, b in parts for p, q in ((a, min(b, max(a, c))), (max(a, min(b, d)), b)))
                parts = [(p, q) for p, q in halves if p < q]
        yield from ((row, a, b, int(spans.piece[mine])) for a, b in parts)
