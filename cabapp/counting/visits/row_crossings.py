"""Where visits of one stint start and end on rows, from little more than its outer edges.

The same ground as `visit_rule.visits`, but pieces that overlap none of their visit are taken
together: where one joins the next nothing starts or ends, so only the paths of the tool's two ends
are followed.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cabapp.counting.visits.overlap_search import BLOCK, in_blocks
from cabapp.counting.visits.row_intervals import uncovered
from cabapp.counting.visits.row_sampling import DOWN, KIND_BITS, LEAN, ROW_BITS, SLANT, UP, RowSample
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.quad_rows import AFTER, BEFORE, corners, turned
from cabapp.track.swept_ground import SweptPieces

SIDES = np.array([[False], [True]])
"""The left end of the tool line follows its outline backward."""


class RowCrossings:
    """Pieces of one stint, searched for overlaps once and then crossed with any rows.

    Parameters
    ----------
    pieces : SweptPieces
        Of one stint.
    since : ndarray of int64, shape (n,)
        Odometer from which the visit of each piece reaches, ticks.
    angle : float
        What the frame is turned by first, rad.

    Attributes
    ----------
    odd : ndarray, shape (2, m)
        Lowest and highest place, m, of every piece that does not simply go on along the work.
    """

    def __init__(self, pieces: SweptPieces, since: Ints, angle: float = 0.0) -> None:
        self._pieces, self._angle = pieces, angle
        self._free = np.ones(len(pieces), bool)
        self._joined, self._forward = np.zeros((2, len(pieces)), bool)
        asking, odd = [np.zeros((3, 0), np.int64)], [np.zeros((2, 0))]
        for part, found in in_blocks(pieces, since, angle):
            self._free[found.busy] = False
            free = self._free[part]
            joined = found.joins & free
            joined[1:] &= free[:-1]
            joined[:1] = False
            with np.errstate(divide="ignore", invalid="ignore"):
                straight = np.abs(found.east / found.north + np.tan(SLANT)) <= LEAN
            on = straight[0] & straight[1] & joined
            on[:-1] &= joined[1:]
            on[-1:] = False
            x, y = corners(pieces.quad[part][~on])
            y = turned(x, y, angle)[1]
            odd.append(np.stack([y.min(axis=0), y.max(axis=0)]))
            self._joined[part], self._forward[part] = joined, found.forward
            asking.append(np.stack([found.busy, found.near, found.far]))
        self._asking = np.concatenate(asking, axis=1)
        self.odd = np.concatenate(odd, axis=1)

    def on(self, sample: RowSample, rungs: tuple[int, int] | None = None) -> Iterator[Ints]:
        """Yield the keys of all places where a visit starts or ends: on some rungs (end exclusive), or all."""
        for start in range(0, len(self._pieces), BLOCK):
            yield from self._outer_edges(slice(start, start + BLOCK), sample, rungs)
        # together, for few pieces ask but they ask for many before them, one after the other
        for start in range(0, self._asking.shape[1], BLOCK):
            yield from self._asked(sample, rungs, *self._asking[:, start : start + BLOCK])

    def _outer_edges(self, part: slice, sample: RowSample, rungs: tuple[int, int] | None) -> Iterator[Ints]:
        """Yield the same for some pieces taken together where they join."""
        free, joined, forward = self._free[part], self._joined[part], self._forward[part]
        first = np.flatnonzero(free & ~joined)
        last = np.flatnonzero(~np.append(joined[1:], False))
        quad = self._pieces.quad[part]
        begins = self._places(quad, BEFORE, sample, rungs)
        ends = self._places(quad[last], AFTER, sample, rungs)
        # a piece that is followed ends on the corners where the next begins
        x, y, k = (_followed(*pair, last) for pair in zip(begins, ends))
        if not free.all():
            np.copyto(k, begins[2], where=~free)  # such a side crosses no row
        # run round counter-clockwise, ground starts where the outline goes down
        yield _crossed(*begins, x, y, k, ((k > begins[2]) == forward) == SIDES, sample)
        some = free[last]
        xa, ya, ka = (np.concatenate([a[0, first], b[1, some]]) for a, b in zip(begins, ends))
        xb, yb, kb = (np.concatenate([a[1, first], b[0, some]]) for a, b in zip(begins, ends))
        rises = (kb > ka) == np.concatenate([forward[first], forward[last[some]]])
        yield _crossed(xa, ya, ka, xb, yb, kb, rises, sample)

    def _places(
        self, quad: Floats, where: slice, sample: RowSample, rungs: tuple[int, int] | None
    ) -> tuple[Floats, Floats, Ints]:
        """Return x, y (m) and rung of both ends of the tool line before or after pieces, (2, n)."""
        x, y = corners(quad)
        x, y = turned(x[where], y[where], self._angle)
        k = sample.above(y)
        if rungs is not None:
            np.clip(k, *rungs, out=k)
        return x, y, k

    def _asked(
        self, sample: RowSample, rungs: tuple[int, int] | None, later: Ints, near: Ints, far: Ints
    ) -> Iterator[Ints]:
        """Yield the same for pieces that lose the ground of pieces before them."""
        first = far.min()
        marks = np.zeros(later[-1] + 2 - first, np.int64)
        for start, stop in ((far, near), (later, later + 1)):
            np.add.at(marks, start - first, 1)
            np.add.at(marks, stop - first, -1)
        asked = np.flatnonzero(np.cumsum(marks) > 0)
        quad = np.stack(turned(*corners(self._pieces.quad[asked + first]), self._angle)).T
        later, near, far = (
            np.searchsorted(asked, later - first),
            np.searchsorted(asked, near - 1 - first) + 1,
            np.searchsorted(asked, far - first),
        )
        k, x0, x1, piece = uncovered(quad, sample.row, later, near, far)
        mine = np.zeros(len(quad), bool)
        mine[later] = True
        mine = mine[piece]
        kept, rung = sample.find(k[mine])
        x0, x1 = x0[mine][kept], x1[mine][kept]
        if rungs is not None:
            here = (rung >= rungs[0]) & (rung < rungs[1])
            rung, x0, x1 = rung[here], x0[here], x1[here]
        yield sample.keys(rung, x0, UP)
        yield sample.keys(rung, x1, DOWN)


def _followed(begins: NDArray[Any], ends: NDArray[Any], last: Ints) -> NDArray[Any]:
    """Return where pieces end, (2, n): where the next begins, but for the `last` ones before a break."""
    out = np.empty_like(begins)
    out[:, :-1] = begins[:, 1:]
    out[:, last] = ends
    return out


def _crossed(
    xa: Floats, ya: Floats, ka: Ints, xb: Floats, yb: Floats, kb: Ints, ends: Bools, sample: RowSample
) -> Ints:
    """Return the keys of every crossing of edges a to b with rungs.

    Parameters
    ----------
    xa, ya, xb, yb : ndarray of one shape
        Ends of the edges, m.
    ka, kb : ndarray of int64
        First rung not below each end.
    ends : ndarray of bool
        Whether a visit ends there.
    """
    low = np.minimum(ka, kb).ravel()
    number = np.maximum(ka, kb).ravel() - low
    low -= np.cumsum(number) - number
    low <<= ROW_BITS
    low += ends.ravel()
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = (xb - xa) / (yb - ya)
        x = sample.steps(xa - ya * slope).ravel()
    slope = (slope * sample.fine).ravel()
    which = np.repeat(np.arange(len(low)), number)
    key = low.take(which)
    key += np.arange(0, len(which) << ROW_BITS, 1 << ROW_BITS)
    place = sample.middle(key >> ROW_BITS)
    place *= slope.take(which)
    place += x.take(which)
    key += place.astype(np.int64) << KIND_BITS
    return key
