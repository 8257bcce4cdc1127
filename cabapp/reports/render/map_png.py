"""The map as a small PNG: the same tally hatching in ink on paper, a pixel for every map cell.

Written with zlib alone, so that a picture needs no further library.
"""

import struct
import zlib

import numpy as np
import shapely

from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import hatching

WIDE = 1400
"""Most pixels across."""


def map_png(log: JobRecord) -> bytes:
    """Draw the job's map, north up.

    Parameters
    ----------
    log : JobRecord

    Returns
    -------
    bytes
        A grey-scale PNG.
    """
    grid = log.count.grid
    every = max(1, -(-grid.counts.shape[1] // WIDE))
    counts, unknown = grid.counts[::every, ::every], grid.unknown[::every, ::every]
    ink = inked(hatching.classes(counts, unknown, log.job.target))
    if log.count.field is not None:
        rows, columns = counts.shape
        x = grid.origin[0] + (np.arange(columns) + 0.5) * grid.cell * every
        y = grid.origin[1] + (np.arange(rows) + 0.5) * grid.cell * every
        land, reach = log.count.field.polygon, 1.2 * grid.cell * every
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
    """Write a grey-scale picture as PNG.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
        Row 0 on top.

    Notes
    -----
    Chunks, filter byte and checksums as in the PNG specification, W3C 2003, sections 5 and 9.
    """
    rows, columns = grey.shape

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    lines = np.hstack([np.zeros((rows, 1), np.uint8), grey]).tobytes()
    head = struct.pack(">IIBBBBB", columns, rows, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(lines, 9)) + chunk(b"IEND", b"")
