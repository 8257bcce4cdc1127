"""Which cells of a job's grid the map holds ready for the graphics chip. Arrays only, no Kivy.

A texture has a largest size and a field may be far larger, so the map keeps a square of TEXELS
cells round the view; seen from farther off it takes every 2nd, 4th, 8th ... cell instead.
"""

import math

import numpy as np

TEXELS = 1024
UNKNOWN = 255


class GroundWindow:
    """A square of cells round the view, taken from a grid of any size.

    `grid` everywhere is a `cabapp.counting.grid.Grid` or anything with its `counts`, `unknown`,
    `origin` and `cell`; `target` passes are wanted.
    """

    def __init__(self, target: int = 2):
        self._target = target
        self.stride = 0
        self.column = self.row = 0
        self._laid: tuple | None = None  # where the cells of the grid lie: rows and columns count from there

    def cover(self, grid, centre, reach: float) -> bool:
        """Make sure a circle of ground is inside; True when the window had to move.

        `grid`: Grid.
        `centre`: (float, float): metres east and north on the job's plane.
        `reach`: radius of the circle, metres.
        """
        cells = 2 * reach / grid.cell
        stride = 2 ** max(0, math.ceil(math.log2(cells / (TEXELS * 0.8))))
        middle = [(centre[k] - grid.origin[k]) / grid.cell for k in (0, 1)]
        half = reach / grid.cell
        laid = (grid.origin, grid.cell)
        if (
            laid == self._laid
            and stride == self.stride
            and all(
                low <= at - half and at + half <= low + TEXELS * stride
                for low, at in zip((self.column, self.row), middle, strict=True)
            )
        ):
            return False
        self.stride, self._laid = stride, laid
        self.column, self.row = (math.floor((at - TEXELS * stride / 2) / stride) * stride for at in middle)
        return True

    def whole(self, grid) -> np.ndarray:
        """Return all bytes of the window, shape (TEXELS, TEXELS); bare outside the grid."""
        sheet = np.zeros((TEXELS, TEXELS), np.uint8)
        rows, columns = grid.counts.shape
        part = self.part(grid, (0, 0, columns, rows))
        if part is not None:
            counts, column, row = part
            sheet[row : row + counts.shape[0], column : column + counts.shape[1]] = counts
        return sheet

    def part(self, grid, rect):
        """Return the bytes of a changed rectangle and where they go in the window.

        `grid`: Grid.
        `rect`: (int, int, int, int): first column, first row, last column, last row of the grid; half-open.

        Returns: bytes, column and row of the texture; None when nothing of it is in the window.
        """
        step, rows, columns = self.stride, *grid.counts.shape
        low = [max(0, first, at) for first, at in zip((self.column, self.row), rect[:2], strict=True)]
        low = [
            first + math.ceil((at - first) / step) * step
            for first, at in zip((self.column, self.row), low, strict=True)
        ]
        high = [
            min(end, at, first + TEXELS * step)
            for end, at, first in zip((columns, rows), rect[2:], (self.column, self.row), strict=True)
        ]
        if low[0] >= high[0] or low[1] >= high[1]:
            return None
        cut = np.s_[low[1] : high[1] : step, low[0] : high[0] : step]
        counts = np.minimum(grid.counts[cut], UNKNOWN - 1).astype(np.uint8)
        counts[(counts < self._target) & grid.unknown[cut]] = UNKNOWN
        return counts, (low[0] - self.column) // step, (low[1] - self.row) // step

    def corner(self, grid) -> tuple[float, float]:
        """Return the south-west corner of the window on the job's plane, metres.

        The bytes of a coarser window are single cells, so its texels are centred on those cells.
        """
        shift = (self.stride - 1) / 2
        return tuple(grid.origin[k] + ((self.column, self.row)[k] - shift) * grid.cell for k in (0, 1))
