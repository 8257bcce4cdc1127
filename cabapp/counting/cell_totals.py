"""Areas of a field from its cells, kept up to date as cells change."""

from typing import Any

import numpy as np

from cabapp.counting.grid import Counts, Grid
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.field_ground import FieldGround


class CellTotals:
    """How many cells of the field have how many passes.

    Parameters
    ----------
    grid : Grid
    field : FieldGround or None
        None: every cell counts.
    target : int
        Passes wanted where there is no field.
    """

    def __init__(self, grid: Grid, field: FieldGround | None, target: int) -> None:
        self._grid, self._field, self._target = grid, field, target
        self._inside: Counts | None = None
        self.measure()

    @property
    def _kinds(self) -> tuple[int, ...]:
        """Kinds of cells in the field: 1, and 2 where one pass is enough."""
        return (1, 2) if self._field is not None and self._field.once is not None else (1,)

    def measure(self) -> None:
        """Count all cells anew."""
        counts, inside = self._grid.counts, self._find_inside()
        self._bare: int | None = None
        self._histogram = np.zeros((2, 256), np.int64)
        if inside is None:
            self._histogram[0] = np.bincount(counts.ravel(), minlength=256)
        elif not counts.any():
            self._histogram[:, 0] = [np.count_nonzero(inside == n) for n in (1, 2)]
        else:
            for n in self._kinds:
                self._histogram[n - 1] = np.bincount(counts[inside == n], minlength=256)

    def _find_inside(self) -> Counts | None:
        """Return the kind of each cell, 0 outside the field; None without a field."""
        if self._field is None or (self._inside is not None and self._inside.shape == self._grid.counts.shape):
            return self._inside
        self._inside = self._grid.mask(self._field.polygon).astype(np.uint8)
        if self._field.once is not None:
            self._inside[(self._inside > 0) & self._grid.mask(self._field.once)] = 2
        return self._inside

    def wanted(self, places: Floats) -> Ints:
        """Return passes wanted at places, shape (n, 2), m; 0 outside the field."""
        inside = self._find_inside()
        if inside is None:
            return np.full(len(places), self._target)
        return np.asarray(np.array([0, self._target, 1])[self._grid.look_up(inside, places)])

    def watch(self, box: tuple[slice, slice], before: Counts, new: Bools) -> None:
        """Note that some cells of a box go up by one, as `Grid.add_live` tells it."""
        inside = self._find_inside()
        parts = [new] if inside is None else [new & (inside[box] == n) for n in self._kinds]
        for n, part in enumerate(parts):
            moved = np.bincount(before[part])
            self._histogram[n, : len(moved)] -= moved
            self._histogram[n, 1 : len(moved) + 1] += moved
        if self._bare:
            self._bare -= int(np.count_nonzero(np.logical_or.reduce(parts) & (before == 0) & self._grid.unknown[box]))

    def mark(self) -> None:
        """Note that cells were marked as unknown."""
        self._bare = None

    def _unknown(self) -> int:
        """Return how many cells of the field are bare and may be covered; they are looked for when some were marked."""
        if self._bare is None:
            found = self._grid.unknown & (self._grid.counts == 0) if self._grid.unknown.any() else np.zeros(0, bool)
            inside = self._find_inside()
            self._bare = int(np.count_nonzero(found & (inside > 0) if inside is not None and len(found) else found))
        return self._bare

    def areas(self) -> dict[str, Any]:
        """Return areas, m2: field, none, unknown, short, done, covered, pass_area and left_pass_area.

        Unknown is not covered and may be: see `UnknownGround`; none is the rest. The last is the passes still needed times ground; what needs a boundary is None without.
        """
        unit = self._grid.cell**2
        n = np.arange(256)
        cells = self._histogram.sum(axis=0)
        covered = float(cells[1:].sum()) * unit
        short = float(self._histogram[0, 1 : self._target].sum()) * unit
        out = {
            "field": None,
            "none": None,
            "unknown": None,
            "short": short,
            "done": covered - short,
            "covered": covered,
            "pass_area": float((cells * n).sum()) * unit,
            "left_pass_area": None,
        }
        if self._field is not None:
            left = self._histogram[0] @ np.maximum(self._target - n, 0) + self._histogram[1, 0]
            out["field"] = self._field.area
            bare = max(0.0, self._field.area - covered)
            unknown = min(bare, self._unknown() * unit)
            out["none"], out["unknown"] = bare - unknown, unknown
            out["left_pass_area"] = float(left) * unit
        return out
