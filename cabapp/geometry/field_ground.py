"""A field on the plane: its outline, passes wanted, and where only one."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from cabapp.geometry.arrays import GeoJson
from cabapp.geometry.plane import Plane

GRID = 1e-5
"""Cut edges end on this raster, m, so that no sliver is left that turning would make invalid."""


def polygons_of(shape: shapely.Geometry) -> Polygon | MultiPolygon:
    """Return the polygons of a geometry as one, without the lines and points cutting leaves."""
    parts = [one for whole in shapely.get_parts([shape]) for one in shapely.get_parts(whole)]
    parts = [one for one in parts if one.geom_type == "Polygon"]
    return parts[0] if len(parts) == 1 else MultiPolygon(parts)


@dataclass(frozen=True)
class FieldGround:
    """A field on the plane.

    `polygon`: m; holes are not field.
    `target`: passes wanted.
    `once`: where one pass is enough and a second too many (wet or soft ground), m.
    `unseen`: where the tool can have been unseen, m.
    """

    polygon: Polygon | MultiPolygon
    target: int = 2
    once: Polygon | MultiPolygon | None = None
    unseen: Polygon | MultiPolygon | None = None

    def __post_init__(self) -> None:
        if self.polygon.is_empty or not self.polygon.is_valid:
            raise ValueError("the outline of a field must be a valid polygon")
        if self.target < 1:
            raise ValueError(f"a field cannot want {self.target} passes")

    @classmethod
    def from_geojson(
        cls, geometry: GeoJson, plane: Plane, target: int = 2, once: GeoJson | None = None
    ) -> "FieldGround":
        """Return a field from RFC 7946 Polygons or MultiPolygons, degrees, put on a plane."""
        return cls(plane.flatten(geometry), target, plane.flatten(once) if once else None)

    @property
    def area(self) -> float:
        """m2."""
        return float(self.polygon.area)

    def without_edge(self, depth: float) -> Polygon | MultiPolygon:
        """Return the field less a strip `depth` m along every edge, holes included.

        Half-laps cannot cover the strip half a tool wide along an edge exactly to target.
        """
        return self.polygon.buffer(-depth, quad_segs=4)

    def turned(self, angle: float) -> "FieldGround":
        """Return the field turned about the plane's origin by an angle, rad."""
        c, s = np.cos(angle), np.sin(angle)

        def turn(shape: Any) -> Any:
            return shape and shapely.affinity.affine_transform(shape, [c, -s, s, c, 0, 0])

        return FieldGround(turn(self.polygon), self.target, turn(self.once), turn(self.unseen))
