"""Outlines of fields as pen lines. Geometry only, no Kivy."""

import math

import numpy as np


def rings(geometry) -> list[np.ndarray]:
    """Return every ring of a polygon or several, outer and holes, each of shape (n, 2), metres.

    >>> from shapely import box
    >>> [ring.shape for ring in rings(box(0, 0, 9, 9).difference(box(3, 3, 5, 5)))], rings(None)
    ([(5, 2), (5, 2)], [])
    """
    if geometry is None or geometry.is_empty:
        return []
    polygons = getattr(geometry, "geoms", [geometry])
    return [np.asarray(ring.coords)[:, :2] for p in polygons for ring in (p.exterior, *p.interiors)]


def long_side(polygon) -> float:
    """Return the direction of a field's long side, radians counter-clockwise from east.

    Strokes are drawn across it, so that they never lie along a pass.

    >>> from shapely import box
    >>> abs(round(math.degrees(long_side(box(0, 0, 10, 400))))) , long_side(None)
    (90, 0.0)
    """
    if polygon is None or polygon.is_empty:
        return 0.0
    corners = np.asarray(polygon.minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners, axis=0)
    longest = sides[np.argmax(np.hypot(*sides.T))]
    return math.atan2(longest[1], longest[0])


def dashes(a, b, length: float) -> list:
    """Return the (start, end) of every dash of a broken line from a to b, pixels."""
    count = max(1, int(np.hypot(*(b - a)) / length))
    ends = [a + (b - a) * k / count for k in range(count + 1)]
    return list(zip(ends[:-1:2], ends[1::2], strict=False))
