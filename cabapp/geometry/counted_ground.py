"""Where the ground of a job is counted: in and near its field, and nowhere else. Pure."""

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Bools

NEAR_M = 200.0
"""Ground this near a field is counted, m: twice what the longest towed tool needs to turn (36 m wide, 50 m
to turn), and less than the way to a field that is not the next one. Our own choice."""
ACROSS_M = 15_000.0
"""No field is longer than this from corner to corner, m: a square of 10,000 ha has 14.1 km, and the largest
fields of the earth are half of that. A job without a boundary is counted so far around its first place."""
EARTH_M = 6_371_000.0
"""Mean radius, m."""
MOST_CELLS = 1 << 26
"""Cells a grid may have: 64 MB for each of its three layers."""

Bounds = tuple[float, float, float, float]
"""West, south, east, north, m."""


class CountedGround:
    """The ground on which fixes are counted.

    Parameters
    ----------
    field : shapely Polygon or MultiPolygon or None
        m on the plane; None without a boundary: then it is a circle about the plane's origin.

    Examples
    --------
    >>> around = CountedGround(shapely.box(0, 0, 100, 100))
    >>> around.near([(50, 50), (250, 50), (350, 50), (np.nan, 0)]).tolist()
    [True, True, False, False]
    >>> round(around.away(350.0, 50.0), 3)
    250.0
    """

    def __init__(self, field: shapely.Geometry | None) -> None:
        self._field = field
        if field is not None:
            self._counted = field.buffer(NEAR_M, quad_segs=8)
            shapely.prepare(self._counted)
            self._edge = self._counted.boundary
            self._clear = 0.0, 0.0, 0.0  # middle and radius, m, of a circle that is counted

    def near(self, xy: ArrayLike) -> Bools:
        """Return which places, shape (n, 2), m, are counted; NaN is not."""
        places = np.asarray(xy, float).reshape(-1, 2)
        if self._field is None:
            return np.asarray(np.hypot(places[:, 0], places[:, 1]) <= ACROSS_M)
        return np.asarray(shapely.contains_xy(self._counted, places[:, 0], places[:, 1]))

    def holds(self, x: float, y: float) -> bool:
        """Return whether one place is counted: `near` in plain numbers, asking the outline only now and then."""
        if self._field is None:
            return bool(np.hypot(x, y) <= ACROSS_M)
        middle_x, middle_y, radius = self._clear
        if (x - middle_x) * (x - middle_x) + (y - middle_y) * (y - middle_y) < radius * radius:
            return True
        if not shapely.contains_xy(self._counted, x, y):
            return False
        # a little less, so that no rounding matters
        self._clear = x, y, 0.999 * float(shapely.distance(self._edge, shapely.Point(x, y)))
        return True

    def away(self, x: float, y: float) -> float:
        """Return how far a place lies from the field, m, or from the origin without one; 0 inside.

        NaN, which the plane gives for the far side of the earth, is half way round it.
        """
        chord = np.hypot(x, y) if self._field is None else shapely.distance(self._field, shapely.Point(x, y))
        # on this plane a place lies as far from the origin as the straight line through the earth is long
        return EARTH_M * 2 * math.asin(min(1.0, float(chord) / (2 * EARTH_M))) if chord >= 0 else EARTH_M * math.pi


def cell_of(bounds: Bounds, least: float) -> float:
    """Return the side of a cell, m: `least`, doubled until bounds hold at most `MOST_CELLS`.

    >>> cell_of((0, 0, 1000, 1000), 0.25), cell_of((0, 0, 30e3, 30e3), 0.5)
    (0.25, 4.0)
    """
    west, south, east, north = bounds
    cell = least
    while (east - west) * (north - south) > MOST_CELLS * cell * cell:
        cell *= 2
    return cell


def joined(bounds: Bounds, places: Sequence[tuple[float, float]]) -> Bounds:
    """Return the bounds that hold places, m, too."""
    west, south, east, north = bounds
    for x, y in places:
        west, south, east, north = min(west, x), min(south, y), max(east, x), max(north, y)
    return west, south, east, north
