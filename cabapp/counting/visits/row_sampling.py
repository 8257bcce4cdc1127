"""The rows that areas are measured on: all, or one for several where work runs straight on."""

import numpy as np

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.polygon_rows import first_row_above

STEP = 5
"""Rows that one stands for where it may. Odd: the one in the middle is kept."""


class RowSample:
    """Rows kept, its rungs, numbered upward.

    Between two rows where no ground starts or ends, all edges are nearly straight and nearly
    parallel: the middle of some height then gives the area of all of it (the midpoint rule, exact
    for straight edges). Where anything else happens every row is kept.

    Parameters
    ----------
    row : float
        Distance between rows, m.
    bottom : int
        Lowest row.
    busy : ndarray of bool, optional
        Which rows from `bottom` up must all be kept. None: every row there is.
    """

    def __init__(self, row: float, bottom: int = 0, busy: Bools | None = None) -> None:
        self.row = row
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

    def above(self, y: Floats) -> Ints:
        """Return the first rung whose middle is not below y, m."""
        k = first_row_above(y, self.row)
        if self._rung is None:
            return k
        return self._rung.take(k - self._bottom, mode="clip")

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
