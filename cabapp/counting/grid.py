"""Pass counts in square cells, for the map and the look-ahead. North up. Pure.

Exact figures come from `area_totals`; cells are fast to update.
"""

from collections.abc import Callable, Iterator, Sequence
from math import ceil, floor
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from cabapp.counting.visits.visit_rule import NEVER, is_new, valid_visits
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.counted_ground import Bounds
from cabapp.geometry.polygon_rows import fill_rows, outline_rows
from cabapp.geometry.quad_rows import quad_rows
from cabapp.track.swept_ground import TICK, SweptPieces

CHUNK = 512

Counts = NDArray[np.uint8]
Cells = tuple[int, int, int, int]
"""A rectangle of cells: first column, first row, last column + 1, last row + 1."""
Watch = Callable[[tuple[slice, slice], Counts, Bools], None]
"""Given rows and columns of a box, its counts before, and which of them go up by one."""


class Grid:
    """Counts 0 to 255 in cells of a rectangle that grows when the tool leaves it.

    Parameters
    ----------
    bounds : tuple of float
        West, south, east, north, m on the plane.
    cell : float
        Side of a cell, m.

    Attributes
    ----------
    counts : ndarray of uint8, shape (rows, columns)
        Passes over the middle of each cell; row 0 is the southernmost.
    unknown : ndarray of bool, shape (rows, columns)
        The tool can have been there while it worked without a usable position.
    """

    def __init__(self, bounds: Bounds, cell: float = 0.5) -> None:
        west, south, east, north = bounds
        if not (east > west and north > south and cell > 0):
            raise ValueError(f"no such rectangle: {bounds}, cell {cell}")
        self.cell = float(cell)
        self._i0, self._j0 = int(np.floor(west / cell)), int(np.floor(south / cell))
        shape = (int(np.ceil(north / cell)) - self._j0, int(np.ceil(east / cell)) - self._i0)
        self.counts = np.zeros(shape, np.uint8)
        self.unknown = np.zeros(shape, bool)
        self._recent = np.zeros((0, 0), np.int64)

    @property
    def origin(self) -> tuple[float, float]:
        """South-west corner, m on the plane."""
        return self._i0 * self.cell, self._j0 * self.cell

    def at(self, xy: ArrayLike) -> Counts:
        """Return the counts at places, shape (n, 2), m; 0 outside the rectangle."""
        return self.look_up(self.counts, xy)

    def look_up(self, layer: NDArray[Any], xy: ArrayLike) -> NDArray[Any]:
        """Return what a layer as large as `counts` holds at places, shape (n, 2), m; 0 outside."""
        i, j, inside = self._index(xy)
        out = np.zeros(len(i), layer.dtype)
        out[inside] = layer[j[inside], i[inside]]
        return out

    def mask(self, polygon: shapely.Geometry) -> Bools:
        """Return which cells have their middle in a polygon, bool, as large as `counts`."""
        k, x = outline_rows(polygon, self.cell)
        rows, columns = self.counts.shape
        return fill_rows(k - self._j0, self._column(x), (rows, columns))

    def _column(self, x: Floats) -> Ints:
        """Return the first column whose middle is not left of x, m."""
        return np.ceil(x / self.cell - 0.5).astype(np.int64) - self._i0

    def _index(self, xy: ArrayLike) -> tuple[Ints, Ints, Bools]:
        ij = np.floor(np.asarray(xy, float).reshape(-1, 2) / self.cell).astype(np.int64)
        i, j = ij[:, 0] - self._i0, ij[:, 1] - self._j0
        return i, j, (i >= 0) & (j >= 0) & (i < self.counts.shape[1]) & (j < self.counts.shape[0])

    # --- live ---------------------------------------------------------------------------------

    def begin(self, leave: int, width: float) -> None:
        """Start a stint whose visits end after `leave` ticks of path, with a tool `width` m wide.

        The odometer of the last covering is kept for the neighbourhood only, in an array that wraps
        round: a cell that shares a place in it is too far away to be reached within one visit.

        Notes
        -----
        It holds ticks since `NEVER`, so that zeros are ground not covered: an array of zeros takes no time
        and no memory where no tool comes (33 MB for 12 m and cells of 0.25 m).
        """
        reach = leave * TICK + 4 * width + 200
        size = 1 << int(np.ceil(np.log2(reach / self.cell)))
        self._recent = np.zeros((size, size), np.int64)

    def recent(self, xy: ArrayLike, odometer: int, leave: int) -> Bools:
        """Return whether the present visit has covered places, shape (n, 2), m."""
        i, j, inside = self._index(xy)
        size = len(self._recent)
        if not size:
            return np.zeros(len(i), bool)
        last = self._recent[(j + self._j0) % size, (i + self._i0) % size] + NEVER
        return np.asarray(inside & ~is_new(last, odometer, leave))

    def add_live(self, pieces: SweptPieces, watch: Watch | None = None) -> Cells | None:
        """Count new pieces of the stint begun; return the changed rectangle of cells, or None.

        `watch`, if given, is called for each piece before it is counted; see `Watch`.
        """
        if len(pieces) == 0:
            return None
        self._grow(pieces.bounds)
        changed: Cells | None = None
        for n, south, west, mask in self._cells(pieces.quad):
            north, east = south + mask.shape[0], west + mask.shape[1]
            new = self._cover(south, west, mask, pieces.s1[n], pieces.s0[n], pieces.leave)
            box = (slice(south - self._j0, north - self._j0), slice(west - self._i0, east - self._i0))
            before = self.counts[box]
            new &= before < 255
            if watch is not None:
                watch(box, before, new)
            before += new
            here = (box[1].start, box[0].start, box[1].stop, box[0].stop)
            changed = around(changed, here)
        return changed

    def add_many(self, pieces: SweptPieces) -> None:
        """Count many pieces of the stint begun, many times faster than `add_live` and with the same result."""
        self.add_stints([pieces])
        # the next piece may be the other half of a pivot, which starts where the last piece started
        late = ~is_new(pieces.s1, pieces.s0.max(initial=0), pieces.leave)
        ends = pieces.s1[late]
        for n, south, west, mask in self._cells(pieces.quad[late]):
            self._cover(south, west, mask, ends[n], 0, pieces.leave)

    def _cover(self, south: int, west: int, mask: Bools, s1: int, s0: int, leave: int) -> Bools:
        """Note that a piece from `s0` to `s1` covers cells of a mask; return those that are new."""
        size = len(self._recent)
        j, i = south % size, west % size
        rows, columns = mask.shape
        if j + rows > size or i + columns > size:  # it wraps round
            torus = np.ix_(np.arange(j, j + rows) % size, np.arange(i, i + columns) % size)
            last = self._recent[torus]
            new: Bools = mask & is_new(last + NEVER, s0, leave)
            last[mask] = s1 - NEVER
            self._recent[torus] = last
            return new
        last = self._recent[j : j + rows, i : i + columns]
        new = mask & is_new(last + NEVER, s0, leave)
        np.copyto(last, s1 - NEVER, where=mask)
        return new

    def _cells(self, quads: Floats) -> Iterator[tuple[int, int, int, Bools]]:
        """Yield, for each quadrilateral that covers any cell, its number, the first row and column of a
        rectangle, and which cells of that rectangle it covers.
        """
        for n, quad in enumerate(quads):
            south, ends = quad_rows(quad, self.cell)
            left, right = np.ceil(ends / self.cell - 0.5).astype(np.int64)
            west, east = (int(np.minimum.reduce(left)), int(np.maximum.reduce(right))) if len(left) else (0, 0)
            if west < east:
                columns = np.arange(west, east)
                yield n, south, west, (columns >= left[:, None]) & (columns < right[:, None])

    # --- all at once --------------------------------------------------------------------------

    def add_stints(self, stints: Sequence[SweptPieces], seedings: Sequence[SweptPieces] = ()) -> None:
        """Count whole stints; the same counts as `add_live` of their pieces one after the other.

        Passes over ground that `seedings` seeded later are void.
        """
        for pieces in stints:
            if len(pieces) == 0:
                continue
            self._grow(pieces.bounds)
            k, x0, x1, _ = valid_visits(pieces, seedings, self.cell)
            if len(k) == 0:
                continue
            left, right = self._column(x0), self._column(x1)
            k = k - self._j0
            order = np.argsort(k, kind="stable")
            k, left, right = k[order], left[order], right[order]
            width = self.counts.shape[1] + 1
            for south in range(int(k[0]) // CHUNK * CHUNK, int(k[-1]) + 1, CHUNK):
                part = slice(*np.searchsorted(k, [south, south + CHUNK]))
                rows = min(CHUNK, self.counts.shape[0] - south)
                flat = (k[part] - south) * width
                steps = np.bincount(flat + left[part], minlength=rows * width)
                steps -= np.bincount(flat + right[part], minlength=rows * width)
                passes = np.cumsum(steps.reshape(rows, width)[:, :-1], axis=1)
                strip = self.counts[south : south + rows]
                strip[:] = np.minimum(strip + passes, 255)

    def mark_unknown(self, polygon: shapely.Geometry) -> Cells | None:
        """Mark the cells with their middle in a polygon, m, as unknown; return the rectangle that may have changed."""
        if polygon.area == 0:
            return None
        self._grow(polygon.bounds)
        k, x = outline_rows(polygon, self.cell)
        if len(k) == 0:
            return None
        row, column = k - self._j0, self._column(x)
        west, south, east, north = int(column.min()), int(row.min()), int(column.max()), int(row.max()) + 1
        box = self.unknown[south:north, west:east]
        box |= fill_rows(row - south, column - west, (north - south, east - west))
        return west, south, east, north

    def _grow(self, bounds: Bounds) -> None:
        """Make room, in steps of CHUNK cells, so that bounds, m, fit."""
        west, south = floor(bounds[0] / self.cell) - 1, floor(bounds[1] / self.cell) - 1
        east, north = ceil(bounds[2] / self.cell) + 1, ceil(bounds[3] / self.cell) + 1
        rows, columns = self.counts.shape
        add = [self._j0 - south, north - self._j0 - rows, self._i0 - west, east - self._i0 - columns]
        if max(add) <= 0:
            return
        south, north, west, east = (-(-max(0, n) // CHUNK) * CHUNK for n in add)
        pad = ((south, north), (west, east))
        self.counts = np.pad(self.counts, pad)
        self.unknown = np.pad(self.unknown, pad)
        self._i0 -= west
        self._j0 -= south


def around(a: Cells | None, b: Cells | None) -> Cells | None:
    """Return the rectangle around two rectangles of cells, either of which may be None."""
    if a is None or b is None:
        return a or b
    return min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3])
