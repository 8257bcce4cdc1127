"""The ground a job is about: its outline, how often it wants covering, and where only once."""

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon, shape

from cabapp.counting.visits.row_sampling import row_above
from cabapp.geometry.plane import Plane


@dataclass(frozen=True)
class Field:
    """A field on the plane.

    Attributes
    ----------
    polygon : shapely Polygon or MultiPolygon
        m; holes are not field.
    target : int
        Passes wanted.
    once : shapely Polygon or MultiPolygon or None
        Where one pass is enough and a second too many (wet or soft ground), m.
    """

    polygon: Polygon | MultiPolygon
    target: int = 2
    once: Polygon | MultiPolygon | None = None

    def __post_init__(self):
        if self.polygon.is_empty or not self.polygon.is_valid:
            raise ValueError("the outline of a field must be a valid polygon")
        if self.target < 1:
            raise ValueError(f"a field cannot want {self.target} passes")

    @classmethod
    def from_geojson(
        cls, geometry: dict, plane: Plane, target: int = 2, once: dict | None = None
    ) -> "Field":
        """Return a field from RFC 7946 Polygons or MultiPolygons, degrees, put on a plane."""

        def flat(geometry):
            if not geometry:
                return None
            return shapely.transform(shape(geometry), lambda c: plane.to_xy(c[:, 1], c[:, 0]))

        return cls(flat(geometry), target, flat(once))

    @property
    def area(self) -> float:
        """m2."""
        return self.polygon.area

    def without_edge(self, depth: float) -> Polygon | MultiPolygon:
        """Return the field less a strip `depth` m along every edge, holes included.

        Half-laps cannot cover the strip half a tool wide along an edge exactly to target: it is
        short, or the next strip is re-covered.
        """
        return self.polygon.buffer(-depth, quad_segs=4)

    def turned(self, angle: float) -> "Field":
        """Return the field turned about the plane's origin by an angle, rad."""
        c, s = np.cos(angle), np.sin(angle)

        def turn(shape):
            return shape and shapely.affinity.affine_transform(shape, [c, -s, s, c, 0, 0])

        return Field(turn(self.polygon), self.target, turn(self.once))


def outline_rows(polygon, row: float) -> tuple[np.ndarray, np.ndarray]:
    """Return row and x, m, of every crossing of a polygon's edges with the middle of a row.

    On each row the polygon lies between the first and second crossing, the third and fourth, ...
    """
    low, high = _edges(polygon)
    first = row_above(low[:, 1], row)
    count = row_above(high[:, 1], row) - first
    edge = np.repeat(np.arange(len(low)), count)
    k = np.arange(len(edge)) - (np.cumsum(count) - count)[edge] + first[edge]
    share = ((k + 0.5) * row - low[edge, 1]) / (high[edge, 1] - low[edge, 1])
    return k, low[edge, 0] + share * (high[edge, 0] - low[edge, 0])


def odd_outline_rows(polygon, row: float) -> tuple[np.ndarray, np.ndarray]:
    """Return first and last row of stretches where the outline turns back or runs along rows."""
    low, high = _edges(polygon)
    along = np.abs(high - low) @ (1.0, -1.0) > 0
    # a corner where the outline turns back is the lower end of two edges, or of none
    corner, whose = np.unique(np.concatenate([low, high]), axis=0, return_inverse=True)
    lower = np.bincount(whose.ravel()[: len(low)], minlength=len(corner))
    upper = np.bincount(whose.ravel()[len(low) :], minlength=len(corner))
    ends = row_above(corner[lower != upper, 1], row)
    first = np.concatenate([row_above(low[along, 1], row), ends])
    return first, np.concatenate([row_above(high[along, 1], row), ends])


def _edges(polygon):
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
