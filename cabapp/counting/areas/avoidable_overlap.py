"""Which re-covered ground was avoidable, by replaying passes on rows in order of time. Pure.

A pass over finished ground was unavoidable when what still needed it was shut in: finished ground,
the field's edge or an obstacle on both sides, closer together than the tool is wide (the closing
strip, a ring round an obstacle, the last lap along a headland). Ground within half a tool of an edge
is unavoidable too: half-laps cannot cover it exactly to target. Common practice; no published rule
was found.
"""

import itertools

import numpy as np
import shapely
from numpy.typing import NDArray

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import fill_rows, outline_rows

Counts = NDArray[np.uint8]
SAMPLES = 32  # across the tool
ROWS = 128  # looked at together: bounds the memory of a big field


def split(
    visits: tuple[Ints, Floats, Floats, Floats], field: FieldGround, row: float, width: float
) -> tuple[float, float]:
    """Return avoidable and unavoidable re-covered ground, m2 net.

    Parameters
    ----------
    visits : tuple of ndarray, shape (n,) each
        Row, start and end (m) of intervals that each add a pass, and their order in time, any
        increasing numbers; in the frame of `field`.
    field : FieldGround
        Turned so that rows lie across the work.
    row : float
        Distance between the rows, m.
    width : float
        Tool's, m.
    """
    west, south, east, north = field.polygon.bounds
    shapes = (field.polygon, field.once or shapely.Polygon(), field.without_edge(width / 2))
    outlines = [outline_rows(one, row) for one in shapes]
    first, last = int(np.floor(south / row)), int(np.ceil(north / row))
    sums = np.zeros(2)
    for low in range(first, last + 1, ROWS):
        here = [(k[on] - low, x[on]) for k, x in outlines for on in [(k >= low) & (k < low + ROWS)]]
        some = (visits[0] >= low) & (visits[0] < low + ROWS)
        k, x0, x1, order = visits[0][some], visits[1][some], visits[2][some], visits[3][some]
        sums += _split_rows(
            (k - low, x0 - west, x1 - west, order), here, field.target, west, east - west, width / SAMPLES
        )
    avoidable, over = (sums * (width / SAMPLES * row)).tolist()
    return avoidable, over - avoidable


def _split_rows(
    visits: tuple[Ints, Floats, Floats, Floats], outlines: list[tuple[Ints, Floats]], target: int, west: float,
    length: float, step: float,
) -> tuple[int, int]:  # fmt: skip
    """Return how many samples, `step` m apart, are re-covered avoidably and at all on the rows from 0 up.

    `outlines` are crossings of rows with the field, where once is enough, and where it is not near an edge.
    """
    k, x0, x1, order = visits
    shape = (ROWS, int(np.ceil(length / step)) + 1)
    field, once, inner = (
        fill_rows(row, np.ceil((x - west) / step - 0.5).astype(np.int64), shape) for row, x in outlines
    )
    want = np.where(once, field, field * np.uint8(target))
    start = np.clip(np.ceil(x0 / step - 0.5).astype(np.int64), 0, shape[1])
    stop = np.clip(np.ceil(x1 / step - 0.5).astype(np.int64), 0, shape[1])
    seen = stop > start
    k, start, stop, order = k[seen], start[seen], stop[seen], order[seen]
    by_time = np.lexsort((order, k))
    k, start, stop = k[by_time], start[by_time], stop[by_time]
    rank = np.arange(len(k)) - np.searchsorted(k, k)
    turns = np.argsort(rank, kind="stable")
    bounds = np.searchsorted(rank[turns], np.arange(rank.max(initial=-1) + 2))

    count = np.zeros(shape, np.uint8)
    spared = np.zeros(shape, bool)  # re-covered though it need not have been
    over = np.zeros(shape, bool)
    for a, b in itertools.pairwise(bounds):
        n = turns[a:b]
        _pass(count, want, over, spared, k[n], start[n], stop[n])
    return int((over & spared & inner).sum()), int(over.sum())


def _pass(count: Counts, want: Counts, over: Bools, spared: Bools, k: Ints, start: Ints, stop: Ints) -> None:
    """Lay one interval on each of some rows; mark what it covers again and whether that was avoidable."""
    last = count.shape[1] - 1
    reach = np.arange(-2, int((stop - start).max()) + 2)
    i = start[:, None] + reach
    here = (reach >= 0) & (i < stop[:, None])
    on = (i >= 0) & (i <= last)
    i = np.clip(i, 0, last)
    before, wanted = count[k[:, None], i], np.where(on, want[k[:, None], i], 0)
    need = before < wanted
    mine = need & here
    open_left = (need & (i < start[:, None])).any(axis=1) & mine[:, 2]
    at_end = np.take_along_axis(mine, (stop - start + 1)[:, None], axis=1)[:, 0]
    open_right = (need & (i >= stop[:, None])).any(axis=1) & at_end
    could = ~mine.any(axis=1) | open_left | open_right
    again = here & on & (wanted > 0) & (before >= wanted)
    rows, columns = np.nonzero(again)
    over[k[rows], i[rows, columns]] = True
    spared[k[rows], i[rows, columns]] |= could[rows]
    rows, columns = np.nonzero(here & on)
    count[k[rows], i[rows, columns]] += 1
