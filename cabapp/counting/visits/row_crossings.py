"""Where visits of one stint start and end on rows, from little more than its outer edges.

The same ground as `visit_rule.visits`, but pieces that overlap none of their visit are taken
together: where one joins the next nothing starts or ends, so only the paths of the tool's two ends
are followed.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from cabapp.counting.visits.overlap_search import BLOCK, overlap_candidates
from cabapp.counting.visits.row_intervals import uncovered
from cabapp.counting.visits.row_sampling import RowSample
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.polygon_rows import first_row_above
from cabapp.geometry.quad_rows import corners, cross_rows
from cabapp.track.swept_ground import SweptPieces

LEAN = 0.1
"""Of the length along the work: how far aside either end of the tool may go in a piece that counts
as going straight on. Between rows `row_sampling.STEP` apart that bends areas by less than 1e-5."""


@dataclass
class Block:
    """Some pieces in the turned frame.

    Attributes
    ----------
    x, y : ndarray, shape (4, n)
        Corners, m.
    free : ndarray of bool, shape (n,)
        Overlaps no piece of its visit.
    joins : ndarray of bool, shape (n,)
        Begins on the tool line where the piece before ended.
    forward : ndarray of bool, shape (n,)
        Its corners run counter-clockwise.
    """

    x: Floats
    y: Floats
    free: Bools
    joins: Bools
    forward: Bools


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
    """

    def __init__(self, pieces: SweptPieces, since: Ints, angle: float = 0.0) -> None:
        self._pieces, self._turn = pieces, (np.cos(angle), np.sin(angle))
        self._blocks: list[Block] = []
        asking = [np.zeros((3, 0), np.int64)]
        c, s = self._turn
        for start in range(0, len(pieces), BLOCK):
            begin = int(np.searchsorted(pieces.s1, since[start]))
            part = slice(begin, start + BLOCK)
            east, north = corners(pieces.quad[part])
            x, y = east * c - north * s, east * s + north * c
            far, near, joins, forward = overlap_candidates(x, y, pieces.s1[part], since[part])
            free = far >= near
            new = slice(start - begin, None)
            busy = np.flatnonzero(~free[new]) + start - begin
            asking.append(begin + np.stack([busy, near[busy], far[busy]]))
            self._blocks.append(Block(x[:, new], y[:, new], free[new], joins[new], forward[new]))
        self._asking = np.concatenate(asking, axis=1)

    def odd_rows(self, row: float, slope: float) -> tuple[Ints, Ints]:
        """Return first and last row of every piece that does not simply go on along the work.

        Parameters
        ----------
        row : float
            Distance between rows, m.
        slope : float
            Of the work: m east for every m north in the turned frame.
        """
        low, high = [np.zeros(0)], [np.zeros(0)]
        for block in self._blocks:
            x, y = block.x, block.y
            on = block.free & block.joins
            on[:-1] &= block.joins[1:] & block.free[1:]
            on[-1:] = False
            for begin, end in ((0, 3), (1, 2)):
                north = y[end] - y[begin]
                aside = np.abs(x[end] - x[begin] - slope * north)
                on &= aside <= LEAN * np.abs(north)
            odd = y.take(np.flatnonzero(~on), axis=1)
            low.append(odd.min(axis=0))
            high.append(odd.max(axis=0))
        return first_row_above(np.concatenate(low), row), first_row_above(np.concatenate(high), row)

    def on(self, sample: RowSample) -> Iterator[tuple[Ints, Floats, Bools]]:
        """Yield rung, x and kind of places where a visit starts (False) or ends (True)."""
        for block in self._blocks:
            yield _outer_edges(block, sample)
        # together, for few pieces ask but they ask for many before them, one after the other
        for start in range(0, self._asking.shape[1], BLOCK):
            yield from self._asked(sample, *self._asking[:, start : start + BLOCK])

    def _asked(self, sample: RowSample, later: Ints, near: Ints, far: Ints) -> Iterator[tuple[Ints, Floats, Bools]]:
        """Yield the same for pieces that lose the ground of pieces before them."""
        c, s = self._turn
        low = far.min()
        marks = np.zeros(later[-1] + 2 - low, np.int64)
        for start, stop in ((far, near), (later, later + 1)):
            np.add.at(marks, start - low, 1)
            np.add.at(marks, stop - low, -1)
        asked = np.flatnonzero(np.cumsum(marks) > 0)
        quad = self._pieces.quad[asked + low] @ np.array([[c, s], [-s, c]])
        later, near, far = (
            np.searchsorted(asked, later - low),
            np.searchsorted(asked, near - 1 - low) + 1,
            np.searchsorted(asked, far - low),
        )
        k, x0, x1, piece = uncovered(quad, sample.row, later, near, far)
        mine = np.zeros(len(quad), bool)
        mine[later] = True
        mine = mine[piece]
        kept, rung = sample.find(k[mine])
        yield rung, x0[mine][kept], np.zeros(len(rung), bool)
        yield rung, x1[mine][kept], np.ones(len(rung), bool)


def _outer_edges(block: Block, sample: RowSample) -> tuple[Ints, Floats, Bools]:
    """Return rung, x and whether it is an end, for pieces taken together where they join."""
    x, y, free, ahead = block.x, block.y, block.free, block.forward
    joined = block.joins & free
    joined[1:] &= free[:-1]
    joined[:1] = False
    first = np.flatnonzero(free & ~joined)
    last = np.flatnonzero(free & ~np.append(joined[1:], False))
    c = np.empty(y.shape, np.int64)
    c[:2] = sample.above(y[:2])
    # the piece that follows begins on the same corners
    c[:1:-1, :-1] = c[:2, 1:]
    c[2:, last] = sample.above(y[2:, last])
    np.copyto(c[:1:-1], c[:2], where=~free)  # such a side crosses no row
    # paths of the left end run backward and of the right end forward: round the ground
    xa, ya, ca = (np.concatenate([z[3], z[1], z[0, first], z[2, last]]) for z in (x, y, c))
    xb, yb, cb = (np.concatenate([z[0], z[2], z[1, first], z[3, last]]) for z in (x, y, c))
    ends = (cb > ca) == np.concatenate([ahead, ahead, ahead[first], ahead[last]])
    k, x, number = cross_rows(xa, ya, xb, yb, ca, cb, sample.middle)
    return k, x, np.repeat(ends, number)
