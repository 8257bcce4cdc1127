"""Voids passes made before seeding, because seeding lifts stones again.

(Common practice; from memory, no source.) Time is taken in buckets of five minutes: a pass is void
where a seeding pass of a later bucket ran. A roller closer behind the seeder than that counts.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from cabapp.counting.visits.row_intervals import Visits
from cabapp.geometry.arrays import Floats, Ints
from cabapp.geometry.quad_rows import row_spans
from cabapp.track.swept_ground import SweptPieces

BUCKET = 300.0  # s

Rows = tuple[Ints, Floats, Floats]
"""Row, start and end, m, of stretches, shape (n,) each."""


def void_seeded(found: Visits, pieces: SweptPieces, seedings: Sequence[SweptPieces], row: float) -> Visits:
    """Return the visits of a stint less the ground that was seeded later.

    Parameters
    ----------
    found : tuple of ndarray
        Row, start and end (m) and piece of each visit.
    pieces : SweptPieces
        Of the stint.
    seedings : list of SweptPieces
        Of all stints that seeded the field, on the same plane.
    row : float
        Distance between rows, m.
    """
    k, x0, x1, piece = found
    seedings = [s for s in seedings if len(s)]
    if not seedings or len(k) == 0 or max(s.t[-1] for s in seedings) < pieces.t[0]:
        return found
    bucket = (pieces.t // BUCKET).astype(np.int64)[piece]
    out = []
    for one in np.unique(bucket):
        mine = bucket == one
        later = [s.quad[(s.t // BUCKET).astype(np.int64) > one] for s in seedings]
        ground = union(np.concatenate(later), row)
        out.append(minus((k[mine], x0[mine], x1[mine], piece[mine]), ground))
    k, x0, x1, piece = (np.concatenate(column) for column in zip(*out))
    return k, x0, x1, piece


def union(quad: Floats, row: float) -> Rows:
    """Return the rows of ground that any of some convex quadrilaterals, (n, 4, 2), covers.

    Row, start and end, m, of stretches that do not touch, in order.
    """
    spans = row_spans(quad, row)
    some = spans.x0 < spans.x1
    k, x0, x1 = spans.k[some], spans.x0[some], spans.x1[some]
    if len(k) == 0:
        return k, x0, x1
    order = np.lexsort((x0, k))
    k, x0, x1 = k[order], x0[order], x1[order]
    # farthest end so far on the same row: ends are lifted row by row so that one sweep serves all
    base, width = x0.min() - 1, x1.max() - x0.min() + 2
    lift = (k - k[0]) * width
    reach = np.maximum.accumulate(x1 - base + lift)
    fresh = np.concatenate([[True], x0[1:] - base + lift[1:] > reach[:-1]])
    first = np.flatnonzero(fresh)
    return k[first], x0[first], np.maximum.reduceat(x1, first)


def minus(stretches: tuple[ArrayLike, ArrayLike, ArrayLike, ArrayLike], ground: Rows) -> Visits:
    """Return stretches of rows (k, x0, x1, label) without some ground (k, x0, x1, in order).

    >>> minus(([0], [0.0], [10.0], [7]), (np.array([0]), np.array([2.0]), np.array([3.0])))
    (array([0, 0]), array([0., 3.]), array([ 2., 10.]), array([7, 7]))
    """
    k, x0, x1, label = (np.asarray(a) for a in stretches)
    gk, g0, g1 = ground
    if len(gk) == 0 or len(k) == 0:
        return k, x0, x1, label
    low = min(x0.min(), g0.min()) - 1
    width = max(x1.max(), g1.max()) - low + 1
    starts, ends = gk * width + (g0 - low), gk * width + (g1 - low)
    first = np.searchsorted(ends, k * width + (x0 - low), side="right")
    last = np.searchsorted(starts, k * width + (x1 - low), side="left")
    cuts = np.maximum(last - first, 0)
    which = np.repeat(np.arange(len(k)), cuts + 1)
    nth = np.arange(len(which)) - (np.cumsum(cuts + 1) - cuts - 1)[which]
    before = np.clip(first[which] + nth - 1, 0, len(gk) - 1)
    after = np.clip(first[which] + nth, 0, len(gk) - 1)
    a = np.where(nth > 0, np.maximum(x0[which], g1[before]), x0[which])
    b = np.where(nth < cuts[which], np.minimum(x1[which], g0[after]), x1[which])
    keep = a < b
    return k[which][keep], a[keep], b[keep], label[which][keep]
