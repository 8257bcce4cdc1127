"""Metres and degrees: an equal-area plane for one field, and short distances without one."""

from functools import lru_cache
from math import cos, isfinite, nan, radians

import numpy as np
import shapely
from numpy.typing import ArrayLike
from pyproj import CRS, Transformer
from shapely.geometry import shape

from cabapp.geometry.arrays import Floats, GeoJson

METRES_PER_DEGREE = 111_195.0
"""m of latitude, on a sphere of radius 6371 km; within 0.6 % of the ellipsoid."""


def wrap_longitude(degrees: float) -> float:
    """Return a longitude, or a difference of two, brought to [-180, 180) degrees."""
    return (degrees + 180) % 360 - 180


def offset(lat0: float, lon0: float, lat: float, lon: float) -> tuple[float, float]:
    """Return how far a place lies east and north of another, m, within 0.6 % up to some km.

    All in degrees, north and east positive; across the date line too.

    >>> [round(metres, 1) for metres in offset(60.0, 179.9999, 60.0, -179.9999)]
    [11.1, 0.0]
    """
    east = wrap_longitude(lon - lon0) * METRES_PER_DEGREE * cos(radians(lat))
    return east, (lat - lat0) * METRES_PER_DEGREE


@lru_cache(maxsize=64)
def _transformers(lat0: float, lon0: float) -> tuple[Transformer, Transformer]:
    """Return the ways to a plane and back; PROJ takes 10 ms to make them, and a field is opened again and again."""
    laea = CRS.from_proj4(f"+proj=laea +lat_0={lat0!r} +lon_0={lon0!r} +datum=WGS84 +units=m")
    wgs84 = CRS.from_epsg(4326)
    return Transformer.from_crs(wgs84, laea, always_xy=True), Transformer.from_crs(laea, wgs84, always_xy=True)


class Plane:
    """Metres east and north of an origin, on which areas are true.

    Lambert azimuthal equal-area on WGS 84: an area on the plane is the area on the ellipsoid, and
    lengths are out by less than 1 part in 10 million within 5 km of the origin.
    Source: Snyder, Map Projections: A Working Manual (USGS PP 1395, 1987), ch. 24; done by PROJ.

    `lat0`, `lon0`: origin, WGS 84 degrees, north and east positive.

    One hundredth of a degree north; the meridian arc is 1111.5 m:

    >>> Plane(46.0, -100.0).to_xy(46.01, -100.0).round(1).tolist()
    [[0.0, 1111.5]]
    """

    def __init__(self, lat0: float, lon0: float):
        if not (-90 <= lat0 <= 90 and -180 <= lon0 <= 180):
            raise ValueError(f"no such place: latitude {lat0}, longitude {lon0}")
        self.lat0, self.lon0 = float(lat0), float(lon0)
        self._forward, self._back = _transformers(self.lat0, self.lon0)

    @classmethod
    def of_field(cls, geometry: GeoJson) -> "Plane":
        """Return the plane about the middle of an RFC 7946 Polygon or MultiPolygon."""
        middle = shape(geometry).centroid
        return cls(middle.y, middle.x)

    def to_xy(self, lat: ArrayLike, lon: ArrayLike) -> Floats:
        """Return metres east and north, shape (n, 2), of latitudes and longitudes in degrees.

        NaN in gives NaN out.
        """
        lat = np.atleast_1d(np.asarray(lat, float))
        lon = np.atleast_1d(np.asarray(lon, float))
        xy = np.empty((len(lat), 2))
        if len(lat) == 1:
            xy[0] = self.place(lat.item(), lon.item())
            return xy
        x, y = self._forward.transform(lon, lat)
        xy[:, 0], xy[:, 1] = x, y
        if not np.isfinite(xy).all():
            xy[~np.isfinite(xy).all(axis=1)] = np.nan
        return xy

    def place(self, lat: float, lon: float) -> tuple[float, float]:
        """Return `to_xy` of one place in plain numbers, several times faster."""
        x, y = self._forward.transform(lon, lat)
        return (x, y) if isfinite(x) and isfinite(y) else (nan, nan)

    def flatten(self, geometry: GeoJson) -> shapely.Geometry:
        """Return an RFC 7946 geometry, degrees, as a shape on the plane, m."""
        return shapely.transform(shape(geometry), lambda c: self.to_xy(c[:, 1], c[:, 0]))

    def to_latlon(self, xy: ArrayLike) -> tuple[Floats, Floats]:
        """Return latitudes and longitudes, degrees, shape (n,) each, of metres, shape (n, 2)."""
        xy = np.atleast_2d(np.asarray(xy, float))
        lon, lat = self._back.transform(xy[:, 0], xy[:, 1])
        return np.asarray(lat), np.asarray(lon)
