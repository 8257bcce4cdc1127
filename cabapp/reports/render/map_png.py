"""The map as a small PNG: the same tally hatching in ink on paper, a pixel for every map cell."""

import io

import numpy as np
import shapely
from PIL import Image

from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import hatching

WIDE = 1400
"""Most pixels across."""


def map_png(record: JobRecord) -> bytes:
    """Return the job's map, north up, as a grey-scale PNG."""
    grid = record.count.grid
    every = max(1, -(-grid.counts.shape[1] // WIDE))
    counts, unknown = grid.counts[::every, ::every], grid.unknown[::every, ::every]
    ink = inked(hatching.cell_classes(counts, unknown, record.job.target))
    if record.count.field is not None:
        rows, columns = counts.shape
        x = grid.origin[0] + (np.arange(columns) + 0.5) * grid.cell * every
        y = grid.origin[1] + (np.arange(rows) + 0.5) * grid.cell * every
        land, reach = record.count.field.polygon, 1.2 * grid.cell * every
        across = np.meshgrid(x, y)
        ink &= shapely.contains_xy(land, *across)
        ink |= shapely.contains_xy(land.boundary.buffer(reach), *across)
    return png(np.where(ink, 20, 240).astype(np.uint8)[::-1])


def inked(kinds: np.ndarray) -> np.ndarray:
    """Which pixels of a map of classes are ink, shape as `kinds`."""
    row, column = np.indices(kinds.shape)
    up, down = (row + column) % 7 == 0, (row - column) % 7 == 0
    ink = (kinds == hatching.SHORT) & up
    ink |= (kinds == hatching.NEARLY) & (up | ((row + column) % 7 == 3))
    ink |= (kinds == hatching.AT_TARGET) & (up | down)
    ink |= (kinds == hatching.ABOVE) & ~((row % 6 < 2) & (column % 6 < 2))
    ink |= (kinds == hatching.UNKNOWN) & (row % 4 == 0) & ((column + row // 2) % 4 == 0)
    return ink


def png(grey: np.ndarray) -> bytes:
    """Return a grey-scale picture, uint8, shape (rows, columns), row 0 on top, as PNG."""
    out = io.BytesIO()
    Image.fromarray(grey).save(out, "PNG", optimize=True)
    return out.getvalue()
