"""When and by whom each cell was covered, compact enough for a page's script."""

import base64
import math
import zlib

import numpy as np

from cabapp.common.wording import verb
from cabapp.reports.model.job_record import JobRecord

MOST_CELLS = 300_000
"""Cells on a page: 3 m on a field of 259 ha."""
SMALLEST = 1.0
"""m; no receiver tells more."""
STEP_S = 300.0
"""Resolution of times, s."""
MOST_PASSES = 8
"""Passes kept for one cell; more are counted without their times."""


def passes_by_cell(record: JobRecord, frame: tuple) -> tuple[np.ndarray, np.ndarray]:
    """Return when and by whom each cell of a frame was covered.

    `planes`: int, shape (passes, rows, columns); number of the moment of a cell's first, second ... pass, from 1; 0 for
        none.
    `moments`: shape (n, 2); stint and POSIX s of each moment, in order of time.
    """
    cell, i0, j0, columns, rows = frame
    k, x0, x1, t, stint = record.count.visits(cell)
    first = np.maximum(np.ceil(x0 / cell - 0.5).astype(np.int64) - i0, 0)
    last = np.minimum(np.ceil(x1 / cell - 0.5).astype(np.int64) - i0, columns)
    some = (last > first) & (k >= j0) & (k < j0 + rows)
    k, first, last, t, stint = (one[some] for one in (k, first, last, t, stint))
    if not len(k):
        return np.zeros((0, rows, columns), np.int64), np.zeros((0, 2))
    when = np.floor(t / STEP_S) * STEP_S
    moments, number = np.unique(np.column_stack([when, stint]), axis=0, return_inverse=True)
    many = last - first
    visit = np.repeat(np.arange(len(k)), many)
    column = np.arange(len(visit)) - np.repeat(np.cumsum(many) - many, many) + first[visit]
    place = (k[visit] - j0) * columns + column
    order = np.lexsort((t[visit], place))
    place, number = place[order], number.ravel()[visit[order]] + 1
    fresh = np.flatnonzero(np.diff(place, prepend=-1))
    nth = np.arange(len(place)) - np.repeat(fresh, np.diff(fresh, append=len(place)))
    planes = np.zeros((min(int(nth.max()) + 1, MOST_PASSES), rows * columns), np.int64)
    kept = nth < MOST_PASSES
    planes[nth[kept], place[kept]] = number[kept]
    return planes.reshape(-1, rows, columns), moments[:, ::-1]


def frame_of(record: JobRecord) -> tuple:
    """Return the cell, m, first column and row, columns and rows of a job's cells."""
    if record.count.field is not None:
        west, south, east, north = record.count.field.polygon.bounds
    else:
        quads = [one.quad.reshape(-1, 2) for one in record.count.pieces() if len(one)]
        corners = np.concatenate(quads) if quads else np.zeros((1, 2))
        (west, south), (east, north) = corners.min(axis=0), corners.max(axis=0)
    cell = max(SMALLEST, math.ceil(10 * math.sqrt((east - west) * (north - south) / MOST_CELLS)) / 10)
    i0, j0 = math.floor(west / cell), math.floor(south / cell)
    return cell, i0, j0, math.ceil(east / cell) - i0 + 1, math.ceil(north / cell) - j0 + 1


def history(record: JobRecord) -> dict:
    """Return the data of a page's script, ready for JSON.

    Each plane of passes, and last the passes wanted (0 outside the field), are 16-bit numbers,
    row 0 southernmost, compressed by zlib, in base 64.
    """
    frame = frame_of(record)
    planes, moments = passes_by_cell(record, frame)
    cell, i0, j0, columns, rows = frame
    x, y = (np.arange(columns) + i0 + 0.5) * cell, (np.arange(rows) + j0 + 0.5) * cell
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    want = np.asarray(record.count.wanted(places)).reshape(1, rows, columns)
    text = np.concatenate([planes * (want > 0), want]).astype("<u2").tobytes()
    fmt = record.format
    stints = sorted(enumerate(record.stints), key=lambda one: (one[1].row.at, one[1].row.id))
    return {
        "cell": cell, "west": i0 * cell, "south": j0 * cell, "columns": columns, "rows": rows,
        "planes": len(planes), "data": base64.b64encode(zlib.compress(text, 9)).decode(),
        "moments": [[int(stint), fmt.when(t)] for stint, t in moments],
        "who": [one.operator for _, one in stints], "done": verb(record.job.operation).lower(),
    }  # fmt: skip
