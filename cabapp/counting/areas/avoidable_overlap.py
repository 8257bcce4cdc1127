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
    k, x0, x1, order = visits
    west, south, east, north = field.polygon.bounds
    step = width / SAMPLES
    first = int(np.floor(south / row))
    shape = (int(np.ceil(north / row)) - first + 1, int(np.ceil((east - west) / step)) + 1)
    want = _inside(field.polygon, row, step, west, first, shape) * np.uint8(field.target)
    if field.once is not None:
        want = np.where(_inside(field.once, row, step, west, first, shape), want > 0, want)
    inner = _inside(field.without_edge(width / 2), row, step, west, first, shape)

    start = np.clip(np.ceil((x0 - west) / step - 0.5).astype(np.int64), 0, shape[1])
    stop = np.clip(np.ceil((x1 - west) / step - 0.5).astype(np.int64), 0, shape[1])
    seen = (stop > start) & (k >= first) & (k < first + shape[0])
    k, start, stop, order = k[seen] - first, start[seen], stop[seen], order[seen]
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
    unit = step * row
    avoidable = (over & spared & inner).sum() * unit
    return float(avoidable), float(over.sum() * unit - avoidable)


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


def _inside(
    polygon: shapely.Geometry, row: float, step: float, west: float, first: int, shape: tuple[int, int]
) -> Bools:
    """Return which samples lie in a polygon, bool."""
    k, x = outline_rows(polygon, row)
    return fill_rows(k - first, np.ceil((x - west) / step - 0.5).astype(np.int64), shape)
