"""The rows that areas are measured on: all, or one for several where work runs straight on."""

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.polygon_rows import first_row_above

SLANT = 0.07
"""rad. Rows lie not quite square to the work: an edge along a row would be counted whole or not."""
LEAN = 0.1
"""Of the length along the work: how far aside either end of the tool may go in a piece that counts
as going straight on. Between rows `STEP` apart that bends areas by less than 1e-5."""
STEP = 5
"""Rows that one stands for where it may. Odd: the one in the middle is kept."""

UP, DOWN, EDGE, INNER, ONCE, UNSEEN = range(6)
"""Kinds of events on a row: ground starts, ground ends, and outlines of the field and of parts of it, crossed."""
KIND_BITS, PLACE_BITS = 3, 36
ROW_BITS = KIND_BITS + PLACE_BITS


class RowSample:
    """Rows kept, its rungs, numbered upward; and the keys of events on them.

    Between two rows where no ground starts or ends, all edges are nearly straight and nearly
    parallel: the middle of some height then gives the area of all of it (the midpoint rule, exact
    for straight edges). Where anything else happens every row is kept.

    Parameters
    ----------
    row : float
        Distance between rows, m.
    reach : float
        No event lies farther from the middle of a row, m.
    bottom : int
        Lowest row.
    busy : ndarray of bool, optional
        Which rows from `bottom` up must all be kept. None: every row there is.

    Notes
    -----
    The key of an event is one whole number: rung, place in steps (0.2 micrometres on 8 km) and kind.
    So one sort brings all events in order, those at one place by kind.
    """

    def __init__(self, row: float, reach: float, bottom: int = 0, busy: Bools | None = None) -> None:
        self.row = row
        self._low = -reach
        self.fine = 2.0 ** np.floor(PLACE_BITS - 1 - np.log2(2 * reach))
        self._bottom = bottom // STEP * STEP
        self._rung: Ints | None = None
        if busy is not None:
            top = bottom + len(busy)
            bands = np.zeros((-(-(top - self._bottom) // STEP), STEP), bool)
            bands.ravel()[bottom - self._bottom : top - self._bottom] = busy
            stands = np.zeros(bands.shape)
            stands[:, STEP // 2] = STEP
            stands[bands.any(axis=1)] = 1
            rows = stands.ravel()
            kept = np.flatnonzero(rows)
            self._rung = np.append(np.cumsum(rows > 0) - (rows > 0), len(kept))
            self._middle = (kept + self._bottom + 0.5) * row
            self._height = rows[kept] * row

    def above(self, y: ArrayLike) -> Ints:
        """Return the first rung whose middle is not below y, m."""
        k = first_row_above(y, self.row)
        if self._rung is None:
            return k
        k -= self._bottom
        return self._rung.take(k, mode="clip")

    def middle(self, rung: Ints) -> Floats:
        """Return where rungs lie, m; above the highest, that of the highest."""
        if self._rung is None:
            return np.asarray((rung + 0.5) * self.row, float)
        return np.asarray(self._middle.take(rung, mode="clip"), float)

    def height(self, rung: Ints) -> Floats:
        """Return what height of ground each rung stands for, m."""
        return np.full(len(rung), self.row) if self._rung is None else self._height[rung]

    def find(self, k: Ints) -> tuple[Bools, Ints]:
        """Return which of some rows are kept, and the rungs of those."""
        if self._rung is None:
            return np.ones(len(k), bool), k
        rung, following = (self._rung.take(k - self._bottom + n, mode="clip") for n in (0, 1))
        kept = rung < following
        return kept, rung[kept]

    def steps(self, x: Floats) -> Floats:
        """Return places, m, in steps."""
        return np.asarray((x - self._low) * self.fine)

    def keys(self, rung: Ints, x: Floats, kind: int) -> Ints:
        """Return the keys of events of one kind at places x, m, on rungs."""
        return (rung << ROW_BITS) + (self.steps(x).astype(np.int64) << KIND_BITS) + kind

    def metres(self, place: Ints) -> Floats:
        """Return places on a row, m, from steps."""
        return np.asarray(place / self.fine + self._low)
