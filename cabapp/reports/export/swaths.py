"""The ground a stint covered as an area for maps, drawn from its swept pieces."""

import itertools

import numpy as np
import shapely

from cabapp.geometry.plane import Plane
from cabapp.track.swept_ground import SweptPieces

TOGETHER = 64
"""Pieces, one behind the other, drawn as one strip before strips are put together."""
BOW = 0.05
"""m an edge may lie beside where it was."""


def covered_ground(pieces: SweptPieces) -> shapely.Geometry:
    """Return what some pieces cover, net, as areas on their plane; edges are within `BOW`."""
    quad = pieces.quad
    if not len(quad):
        return shapely.MultiPolygon()
    joins = (quad[1:, :2] == quad[:-1, 3:1:-1]).all(axis=(1, 2))
    first = np.concatenate([[0], np.flatnonzero(~joins) + 1])
    runs = np.append(first, len(quad)).tolist()
    starts = [n for a, b in itertools.pairwise(runs) for n in range(a, b, TOGETHER)]
    parts = []
    for a, b in itertools.pairwise([*starts, len(quad)]):
        left, right = quad[a:b, [0, 3]].reshape(-1, 2), quad[a:b, [1, 2]].reshape(-1, 2)
        strip = shapely.Polygon(np.concatenate([left, right[::-1]]))
        if not strip.is_valid:  # in a turn inside itself it crosses its own edge
            strip = shapely.union_all(shapely.convex_hull(shapely.multipoints(quad[a:b])))
        parts.append(shapely.simplify(strip, BOW))
    return shapely.set_precision(shapely.union_all(parts), 0.02)


def geojson_of(ground: shapely.Geometry, plane: Plane) -> dict | None:
    """Return areas on a plane as a GeoJSON MultiPolygon, degrees WGS 84; None for none."""
    parts = [one for one in shapely.get_parts(ground) if one.geom_type == "Polygon" and one.area > BOW]
    if not parts:
        return None

    def degrees(xy: np.ndarray) -> np.ndarray:
        lat, lon = plane.to_latlon(xy)
        return np.column_stack([lon, lat])

    return shapely.geometry.mapping(shapely.transform(shapely.MultiPolygon(parts), degrees))
