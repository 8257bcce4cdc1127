"""Crossings of a polygon's edges with parallel rows. Pure."""

import numpy as np
import shapely
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Bools, Floats, Ints


def outline_rows(polygon: shapely.Geometry, row: float) -> tuple[Ints, Floats]:
    """Return row and x, m, of every crossing of a polygon's edges with the middle of a row.

    On each row the polygon lies between the first and second crossing, the third and fourth, ...
    """
    low, high = _edges(polygon)
    first = first_row_above(low[:, 1], row)
    count = first_row_above(high[:, 1], row) - first
    edge = np.repeat(np.arange(len(low)), count)
    k = np.arange(len(edge)) - (np.cumsum(count) - count)[edge] + first[edge]
    share = ((k + 0.5) * row - low[edge, 1]) / (high[edge, 1] - low[edge, 1])
    return k, low[edge, 0] + share * (high[edge, 0] - low[edge, 0])


def fill_rows(k: Ints, start: Ints, shape: tuple[int, int]) -> Bools:
    """Return the cells between the crossings of an outline with rows, bool, of a shape.

    `k` and `start` are row and first column of the cells right of each crossing; rows outside are
    left out, columns brought to the nearest edge.
    """
    seen = (k >= 0) & (k < shape[0])
    flips = np.zeros((shape[0], shape[1] + 1), np.uint8)
    np.bitwise_xor.at(flips, (k[seen], np.clip(start[seen], 0, shape[1])), 1)
    return np.bitwise_xor.accumulate(flips[:, :-1], axis=1).astype(bool)


def odd_outline_rows(polygon: shapely.Geometry, row: float) -> tuple[Ints, Ints]:
    """Return first and last row of stretches where the outline turns back or runs along rows."""
    low, high = _edges(polygon)
    along = np.abs(high - low) @ (1.0, -1.0) > 0
    # a corner where the outline turns back is the lower end of two edges, or of none
    corner, whose = np.unique(np.concatenate([low, high]), axis=0, return_inverse=True)
    lower = np.bincount(whose.ravel()[: len(low)], minlength=len(corner))
    upper = np.bincount(whose.ravel()[len(low) :], minlength=len(corner))
    ends = first_row_above(corner[lower != upper, 1], row)
    first = np.concatenate([first_row_above(low[along, 1], row), ends])
    return first, np.concatenate([first_row_above(high[along, 1], row), ends])


def _edges(polygon: shapely.Geometry) -> tuple[Floats, Floats]:
    """Return the lower and the upper end of every edge, (n, 2) each."""
    if polygon.is_empty:
        return np.zeros((0, 2)), np.zeros((0, 2))
    starts, ends = [], []
    for part in shapely.get_parts(polygon):
        for ring in (part.exterior, *part.interiors):
            xy = shapely.get_coordinates(ring)
            starts.append(xy[:-1])
            ends.append(xy[1:])
    a, b = np.concatenate(starts), np.concatenate(ends)
    rises = (a[:, 1] <= b[:, 1])[:, None]
    return np.where(rises, a, b), np.where(rises, b, a)


def first_row_above(y: ArrayLike, row: float) -> Ints:
    """Return the first row whose middle is not below y; the middle of row k is (k + 0.5) * row.

    >>> first_row_above(np.array([0.2, 0.25, 0.3]), 0.5)
    array([0, 0, 1])
    """
    return np.ceil(np.asarray(y) * (1 / row) - 0.5).astype(np.int64)
