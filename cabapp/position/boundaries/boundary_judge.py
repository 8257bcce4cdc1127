"""Whether a field can have a boundary: one judge for files, drives, bundles and what is kept.

Notes
-----
The limits are our own choice. The largest fields of the earth have some thousand hectares; the
northernmost farms lie at 70 degrees, settlements at 78; the narrowest tools are 2 m wide. Together with
`ACROSS_M` they bound the memory and the time that any boundary can cost.
"""

import json
import math
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
import shapely
from pyproj import Geod
from shapely.geometry import MultiPolygon, Polygon, shape
from shapely.validation import explain_validity

from cabapp.common.message import N_
from cabapp.geometry.counted_ground import ACROSS_M
from cabapp.geometry.plane import METRES_PER_DEGREE
from store.errors import BoundaryRefused, Message, message

SMALLEST_M2, LARGEST_M2 = 100.0, 1e8
"""No field is smaller, or larger than 10,000 ha."""
FARTHEST_NORTH = 80.0
"""No field lies nearer to a pole, degrees of latitude."""
NARROWEST_M = 2.0
"""No field is narrower on average, its area over half its outline, m: no tool would fit."""
LONGEST_OUTLINE = 25.0
"""No field has an outline so many times as long as a square of its area; a strip of 2 m by 2 km has 16."""
MOST_CORNERS = 50_000
"""Corners of a boundary: more than a walk of 13 hours at one a second."""
PLAIN_CORNERS = 2_000
"""With more corners a boundary is thinned."""
JAGGED_CORNERS, JAGGED_OUTLINE = 500, 6.0
"""With so many corners it may be no more ragged than that (as `LONGEST_OUTLINE`): the time to lay a strip along a
boundary grows with the square of the corners that lie within the strip."""
MOST_CROSSINGS = 40_000
"""A boundary, or a walk round a field, may cross itself half so often before it is put right: ten minutes of standing do."""
THINNED_M = (0.1, 0.2, 0.4, 0.8)
"""How far a thinned boundary may lie from its corners, m: a walk is no better than that."""
PAST_180 = 1.0
"""Degrees that a field at the date line may go on beyond 180, so that its longitudes have no jump."""
_FAULTS = {
    "Self-intersection": N_("its boundary crosses itself"),
    "Ring Self-intersection": N_("its boundary touches itself"),
    "Hole lies outside shell": N_("a hole lies outside it"),
    "Nested holes": N_("one hole lies in another"),
    "Nested shells": N_("one part lies in another"),
    "Interior is disconnected": N_("a hole cuts it in two"),
}
"""GEOS's faults of a geometry."""
_GEOD = Geod(ellps="WGS84")

Area: TypeAlias = Polygon | MultiPolygon


def judged(field: Area, name: str) -> Area:
    """Return a geometry in WGS 84 degrees that a field can have, its longitudes without a jump at 180.

    Raises
    ------
    BoundaryRefused
        It cannot be a field: what is wrong, where, and what to do.
    """
    field = within_reach(field, name)
    if not field.is_valid or field.convex_hull.area == 0:
        raise BoundaryRefused(
            "{name} is no field: {fault}. Straighten the boundary there.", name=name, fault=_fault(field)
        )
    field = _thinned(field)
    area = area_of(field)
    if not SMALLEST_M2 <= area <= LARGEST_M2:
        raise BoundaryRefused(
            "{name} would be {area} ha, and no field is smaller than {least} ha or larger than {most} ha. "
            "Look whether its coordinates are degrees, and export one field alone.",
            name=name, area=f"{area / 1e4:.3g}", least=f"{SMALLEST_M2 / 1e4:g}", most=f"{LARGEST_M2 / 1e4:,.0f}",
        )  # fmt: skip
    outline, corners = _outline(field), len(shapely.get_coordinates(field))
    if corners > JAGGED_CORNERS and outline > JAGGED_OUTLINE * 4 * math.sqrt(area):
        raise BoundaryRefused(
            "{name} is too ragged: {count} corners and {outline} km of boundary round {area} ha. "
            "Simplify it and export it again.",
            name=name, count=f"{corners:,}", outline=f"{outline / 1000:,.1f}", area=f"{area / 1e4:.3g}",
        )  # fmt: skip
    if 2 * area < NARROWEST_M * outline or outline > LONGEST_OUTLINE * 4 * math.sqrt(area):
        raise BoundaryRefused(
            "{name} is narrower than any tool: {area} ha inside {outline} km of boundary. Draw the field anew.",
            name=name, area=f"{area / 1e4:.3g}", outline=f"{outline / 1000:,.1f}",
        )  # fmt: skip
    return field


def within_reach(field: Area, name: str) -> Area:
    """Return a geometry, valid or not, that lies where a field can, its longitudes without a jump.

    Raises
    ------
    BoundaryRefused
        Its values are no places, or of no one field; nothing costly is done before that is known.
    """
    places = shapely.get_coordinates(field)
    if len(places) > MOST_CORNERS:
        raise BoundaryRefused(
            "{name} has {count} corners, which no boundary needs. Simplify it and export it again.",
            name=name, count=f"{len(places):,}",
        )  # fmt: skip
    for lon, lat in places.tolist():
        check_place(lon, lat, name)
    north = float(np.abs(places[:, 1]).max(initial=0.0))
    if north > FARTHEST_NORTH:
        raise BoundaryRefused(
            "{name} has a corner at latitude {lat}, where nothing grows. Look whether its longitudes come first.",
            name=name, lat=f"{north:.1f}",
        )  # fmt: skip
    field = _without_jump(field)
    west, south, east, north = field.bounds
    scale = METRES_PER_DEGREE * math.cos(math.radians((south + north) / 2))
    across = math.hypot((east - west) * scale, (north - south) * METRES_PER_DEGREE)
    if across > ACROSS_M:
        raise BoundaryRefused(
            "{name} is {across} km across, and no field is more than {most} km. "
            "Look for a corner or a part that lies elsewhere, or export one field alone.",
            name=name, across=f"{across / 1000:,.0f}", most=f"{ACROSS_M / 1000:.0f}",
        )  # fmt: skip
    if _outline(field) > LONGEST_OUTLINE * 4 * across:
        raise BoundaryRefused(
            "{name} has {outline} km of boundary on ground {across} km across, which no field has. "
            "Draw the field anew.",
            name=name, outline=f"{_outline(field) / 1000:,.0f}", across=f"{across / 1000:,.1f}",
        )  # fmt: skip
    return field


def check_place(lon: float, lat: float, name: str) -> None:
    """Raise BoundaryRefused for a corner that is no longitude and latitude in degrees."""
    if abs(lon) > 360 or abs(lat) > 360:
        raise BoundaryRefused(
            "{name} is in projected metres, not degrees ({x}, {y}). Export it in WGS 84 (EPSG:4326).",
            name=name, x=f"{lon:.0f}" if abs(lon) < 1e12 else f"{lon:.0e}",
            y=f"{lat:.0f}" if abs(lat) < 1e12 else f"{lat:.0e}",
        )  # fmt: skip
    if abs(lat) > 90 and abs(lon) <= 90:
        raise BoundaryRefused(
            "{name} has latitude before longitude ({x}, {y}); GeoJSON wants [longitude, latitude]. Export it again.",
            name=name, x=f"{lon:.5f}", y=f"{lat:.5f}",
        )  # fmt: skip
    if not (abs(lat) <= 90 and abs(lon) <= 180 + PAST_180):
        raise BoundaryRefused("{name} has a corner off the globe: {x}, {y}.", name=name, x=repr(lon), y=repr(lat))


def check_crossings(lines: Any, name: str) -> None:
    """Raise BoundaryRefused for lines that cross themselves more often than can be put right.

    `lines`: a shapely geometry in degrees; only what it crosses is looked at.

    Notes: Whatever repairs such a tangle needs time and memory for each crossing, of which there may be as many as the
    square of its corners.
    """
    corners, ring = shapely.get_coordinates(
        shapely.get_parts(shapely.boundary(lines)) if lines.area else lines, return_index=True
    )
    ends = np.flatnonzero(ring[1:] == ring[:-1])
    pieces = shapely.linestrings(np.stack((corners[ends], corners[ends + 1]), axis=1))
    tree, most = shapely.STRtree(pieces), MOST_CROSSINGS + 3 * len(pieces)  # each meets itself and its neighbours
    for first in range(0, len(pieces), 64):
        most -= tree.query(pieces[first : first + 64], predicate="intersects").shape[1]
        if most < 0:
            raise BoundaryRefused("{name} crosses itself all over. Draw the field anew.", name=name)


def area_of(field: Area) -> float:
    """Return the area of a geometry in degrees, m2, on the ellipsoid."""
    return abs(float(_GEOD.geometry_area_perimeter(shapely.orient_polygons(field))[0]))


def kept_boundary(geometry: Any) -> dict[str, Any] | None:
    """Return a boundary that is kept in a logbook, as `judged` leaves it; None where no field can have it.

    A bundle may bring anything; a field whose boundary is odd counts as one without.
    """
    if not geometry:
        return None
    try:
        return _kept(json.dumps(geometry))
    except (TypeError, ValueError, RecursionError):
        return None


def is_odd(geometry: Any) -> bool:
    """Return whether there is a boundary, but one that no field can have."""
    return bool(geometry) and kept_boundary(geometry) is None


def kept_part(geometry: Any) -> dict[str, Any] | None:
    """Return ground within a field that is kept in a logbook, however small; None where it cannot be ground."""
    if not geometry:
        return None
    try:
        return _kept(json.dumps(geometry), True)
    except (TypeError, ValueError, RecursionError):
        return None


@lru_cache(maxsize=256)
def _kept(text: str, part: bool = False) -> dict[str, Any] | None:
    given = json.loads(text)
    try:
        if given["type"] not in ("Polygon", "MultiPolygon"):
            return None
        form = shape(given)
        field = within_reach(form, "") if part else judged(form, "")
    except (BoundaryRefused, TypeError, ValueError, KeyError, IndexError, AttributeError, OverflowError,
            shapely.errors.ShapelyError):  # fmt: skip
        return None
    if part and not (field.is_valid and field.area > 0):
        return None
    kept: dict[str, Any] = given if field is form else json.loads(shapely.to_geojson(field))
    return kept


def _without_jump(field: Area) -> Area:
    """Return a geometry whose longitudes go on past 180 where it lies across the date line, its parts joined there."""
    places = shapely.get_coordinates(field)
    west, east = (float(at) for at in (places[:, 0].min(), places[:, 0].max())) if len(places) else (0.0, 0.0)
    if east - west <= 180 and -180 <= (west + east) / 2 < 180:
        return field
    first = places[0, 0]

    def near_first(lonlat: np.ndarray) -> np.ndarray:
        moved = lonlat.copy()
        moved[:, 0] -= 360 * np.round((moved[:, 0] - first) / 360)
        return moved

    near = shapely.transform(field, near_first)
    if isinstance(near, MultiPolygon) and all(part.is_valid for part in near.geoms):
        near = shapely.union_all(list(near.geoms))  # an edge along the date line is no edge of the field
    middle = (near.bounds[0] + near.bounds[2]) / 2 if not near.is_empty else 0.0
    turn = -360 * math.floor((middle + 180) / 360)
    return shapely.transform(near, lambda lonlat: lonlat + np.array([turn, 0.0])) if turn else near


def _thinned(field: Area) -> Area:
    """Return a boundary with no more corners than `PLAIN_CORNERS` where so many stand for noise, else as it is."""
    plain = field
    for metres in THINNED_M:
        if len(shapely.get_coordinates(plain)) <= PLAIN_CORNERS:
            break
        plain = shapely.simplify(field, metres / METRES_PER_DEGREE)
    return plain if plain.is_valid and not plain.is_empty else field


def _outline(field: Area) -> float:
    """Return the length of all rings, m, within 0.6 %."""
    length = 0.0
    for part in shapely.get_parts(field):
        for ring in (part.exterior, *part.interiors):
            lonlat = shapely.get_coordinates(ring)
            step = np.diff(lonlat, axis=0) * METRES_PER_DEGREE
            step[:, 0] *= np.cos(np.radians(lonlat[1:, 1]))
            length += float(np.hypot(step[:, 0], step[:, 1]).sum())
    return length


def _fault(field: Area) -> Message:
    """Return what is wrong with a geometry, and where."""
    if field.convex_hull.area == 0:
        return message("it has no area")
    words, _, place = explain_validity(field).partition("[")
    fault = message(_FAULTS.get(words.strip(), words.strip().lower()))
    lon, _, lat = place.rstrip("]").partition(" ")
    if not lat:
        return fault
    return message("{fault} near {lat}, {lon}", fault=fault, lat=f"{float(lat):.5f}", lon=f"{float(lon):.5f}")
