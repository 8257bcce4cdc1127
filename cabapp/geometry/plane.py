"""A flat, equal-area map of one field; it knows nothing of tools or passes."""

import numpy as np
from pyproj import CRS, Transformer


class Plane:
    """Metres east and north of an origin, on which areas are true.

    Lambert azimuthal equal-area on WGS 84: an area on the plane is the area on the ellipsoid, and
    lengths are out by less than 1 part in 10 million within 5 km of the origin.
    Source: Snyder, Map Projections: A Working Manual (USGS PP 1395, 1987), ch. 24; done by PROJ.

    Parameters
    ----------
    lat0, lon0 : float
        Origin, WGS 84 degrees, north and east positive.

    Examples
    --------
    One hundredth of a degree north; the meridian arc is 1111.5 m:

    >>> Plane(46.0, -100.0).to_xy(46.01, -100.0).round(1).tolist()
    [[0.0, 1111.5]]
    """

    def __init__(self, lat0: float, lon0: float):
        if not (-90 <= lat0 <= 90 and -180 <= lon0 <= 180):
            raise ValueError(f"no such place: latitude {lat0}, longitude {lon0}")
        self.lat0, self.lon0 = float(lat0), float(lon0)
        laea = CRS.from_proj4(f"+proj=laea +lat_0={self.lat0!r} +lon_0={self.lon0!r} +datum=WGS84 +units=m")
        wgs84 = CRS.from_epsg(4326)
        self._forward = Transformer.from_crs(wgs84, laea, always_xy=True)
        self._back = Transformer.from_crs(laea, wgs84, always_xy=True)

    def to_xy(self, lat, lon) -> np.ndarray:
        """Return metres east and north, shape (n, 2), of latitudes and longitudes in degrees.

        NaN in gives NaN out.
        """
        lat = np.atleast_1d(np.asarray(lat, float))
        lon = np.atleast_1d(np.asarray(lon, float))
        x, y = self._forward.transform(lon, lat)
        xy = np.empty((len(lat), 2))
        xy[:, 0], xy[:, 1] = x, y
        if not np.isfinite(xy).all():
            xy[~np.isfinite(xy).all(axis=1)] = np.nan
        return xy

    def to_latlon(self, xy) -> tuple[np.ndarray, np.ndarray]:
        """Return latitudes and longitudes, degrees, shape (n,) each, of metres, shape (n, 2)."""
        xy = np.atleast_2d(np.asarray(xy, float))
        lon, lat = self._back.transform(xy[:, 0], xy[:, 1])
        return np.asarray(lat), np.asarray(lon)
