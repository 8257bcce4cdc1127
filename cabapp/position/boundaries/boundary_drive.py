"""A field's outline from driving round it once. Geometry only, no Kivy."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from shapely.geometry import LineString, Polygon

from cabapp.geometry.plane import Plane
from cabapp.position.boundaries.boundary_geojson import check_boundary
from store.errors import BoundaryRefused

SMOOTH_M = 0.5
LEAST_M2 = 500.0


def boundary_of_drive(track: Sequence[tuple[float, float]]) -> dict[str, Any]:
    """Return the ring of a drive round a field.

    Parameters
    ----------
    track : list of (float, float)
        Latitude and longitude, degrees, in the order driven. The ring is where the antenna went;
        it is closed from the last place to the first.

    Returns
    -------
    dict
        RFC 7946 Polygon.

    Raises
    ------
    BoundaryRefused
        The drive encloses no ground, or crosses itself.
    """
    if len(track) < 4:
        raise BoundaryRefused("The drive was too short for an outline. Drive all the way round.")
    plane = Plane(*track[0])
    places = np.asarray(track, float)
    line = LineString(plane.to_xy(places[:, 0], places[:, 1])).simplify(SMOOTH_M)
    if len(line.coords) < 3 or Polygon(line.coords).area < LEAST_M2:
        raise BoundaryRefused("The drive encloses no ground. Drive all the way round the field.")
    lat, lon = plane.to_latlon(np.asarray(line.coords))
    ring = [[round(float(x), 8), round(float(y), 8)] for x, y in zip(lon, lat, strict=True)]
    return check_boundary({"type": "Polygon", "coordinates": [[*ring, ring[0]]]}, "The drive")


def track_length(track: Sequence[tuple[float, float]]) -> float:
    """Return how far was driven, metres."""
    if len(track) < 2:
        return 0.0
    places = np.asarray(track, float)
    xy = Plane(*track[0]).to_xy(places[:, 0], places[:, 1])
    return float(np.hypot(*np.diff(xy, axis=0).T).sum())
