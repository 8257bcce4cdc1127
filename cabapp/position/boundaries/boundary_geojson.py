"""Field boundaries from GeoJSON (RFC 7946), checked so that a wrong one is refused in words."""

import errno
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import shapely
from shapely.geometry import MultiPolygon, Polygon, mapping
from shapely.geometry.polygon import orient

from cabapp.position.boundaries.boundary_judge import check_place, judged
from store.durability.carrier_files import read_regular
from store.errors import BoundaryRefused

LARGEST = 32 << 20
_SAME_AS_WGS84 = ("crs84", "4326")


def read_boundary(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a field's boundary.

    Parameters
    ----------
    path : path
        GeoJSON: a Polygon or MultiPolygon, a Feature, or a FeatureCollection whose polygons
        together are the field. Positions are [longitude, latitude], WGS 84 degrees; an altitude
        is dropped.

    Returns
    -------
    dict
        RFC 7946 geometry, Polygon or MultiPolygon, outer rings counter-clockwise, holes clockwise.

    Raises
    ------
    BoundaryRefused
        The file cannot be read, is not such GeoJSON, or its rings cannot be a field: latitude
        first, projected, not closed, crossing themselves or each other, empty.
    """
    path = Path(path)
    return check_boundary(load_geojson(path), path.name)


def load_geojson(path: Path) -> Any:
    """Return the JSON of a file of at most `LARGEST` bytes; BoundaryRefused where it cannot be read."""
    try:
        text = read_regular(path, LARGEST).decode("utf-8-sig")
    except OSError as fault:
        if fault.errno == errno.EFBIG:
            raise BoundaryRefused(
                "{path} is larger than {size} MB, which no boundary is. Export one field alone.",
                path=path, size=LARGEST >> 20,
            ) from fault  # fmt: skip
        raise BoundaryRefused(
            "The boundary {path} cannot be read ({why}). Look at the name and folder.", path=path, why=fault.strerror
        ) from fault
    except UnicodeDecodeError as fault:
        raise BoundaryRefused("{path} is not text in UTF-8, so not GeoJSON.", path=path) from fault
    try:
        return json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as fault:
        if isinstance(fault, json.JSONDecodeError):
            raise BoundaryRefused(
                "{path} is not GeoJSON: it is damaged at line {line}. Export the boundary again.",
                path=path, line=fault.lineno,
            ) from fault  # fmt: skip
        raise BoundaryRefused("{path} is not GeoJSON: it is damaged. Export the boundary again.", path=path) from fault


def check_boundary(data: Any, name: str = "The boundary") -> dict[str, Any]:
    """Return the geometry of parsed GeoJSON after the checks of `read_boundary`.

    Examples
    --------
    A ring the wrong way round is rewound:

    >>> ring = [[10, 5], [10, 5.01], [10.01, 5.01], [10.01, 5], [10, 5]]
    >>> check_boundary({"type": "Polygon", "coordinates": [ring]})["coordinates"]
    [[[10.0, 5.0], [10.01, 5.0], [10.01, 5.01], [10.0, 5.01], [10.0, 5.0]]]
    """
    if not isinstance(data, dict):
        raise BoundaryRefused("{name} is JSON but not GeoJSON. Export the boundary as GeoJSON.", name=name)
    check_crs(data, name)
    polygons = [_polygon(rings, name) for geometry in _geometries(data) for rings in _parts(geometry, name)]
    if not polygons:
        raise BoundaryRefused(
            "{name} holds no polygon, so no boundary. Draw the field as a closed area and export it as GeoJSON.",
            name=name,
        )
    field = judged(polygons[0] if len(polygons) == 1 else MultiPolygon(polygons), name)
    return _plain(mapping(shapely.orient_polygons(field, exterior_cw=False)))


def _geometries(data: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield every geometry in a GeoJSON object, whatever it is wrapped in."""
    kind = data.get("type")
    if kind == "FeatureCollection":
        parts: Any = data.get("features") or []
    elif kind == "Feature":
        parts = [data.get("geometry")]
    elif kind == "GeometryCollection":
        parts = data.get("geometries") or []
    else:
        yield data
        return
    for part in parts if isinstance(parts, list) else []:
        if isinstance(part, dict):
            if part.get("type") == kind:  # nesting the same kind is forbidden, and could be endless
                continue
            yield from _geometries(part)


def _parts(geometry: dict[str, Any], name: str) -> list[list[Any]]:
    coordinates = geometry.get("coordinates")
    if geometry.get("type") == "Polygon":
        parts: Any = [coordinates]
    elif geometry.get("type") == "MultiPolygon":
        parts = coordinates
    else:
        return []
    if not isinstance(parts, list) or not all(isinstance(rings, list) for rings in parts):
        raise BoundaryRefused("{name} has a polygon without coordinates. Export it again.", name=name)
    return [rings for rings in parts if rings]


def _polygon(rings: list[Any], name: str) -> Polygon:
    checked = [_ring(ring, name) for ring in rings]
    return orient(Polygon(checked[0], checked[1:]), 1.0)


def _ring(ring: Any, name: str) -> list[tuple[float, float]]:
    try:
        points = [(float(point[0]), float(point[1])) for point in ring]
    except (TypeError, ValueError, IndexError, KeyError, OverflowError) as fault:
        raise BoundaryRefused(
            "{name} has a ring that is not a list of [longitude, latitude]. Export it again.", name=name
        ) from fault
    if len(points) < 4:
        raise BoundaryRefused(
            "{name} has a ring of {count} points; a field needs corners.", name=name, count=len(points)
        )
    if points[0] != points[-1]:
        raise BoundaryRefused(
            "{name} has a ring that does not end where it begins. Close it and export again.", name=name
        )
    for lon, lat in points:
        check_place(lon, lat, name)
    return points


def check_crs(data: dict[str, Any], name: str) -> None:
    """Refuse GeoJSON that states another reference system than WGS 84."""
    crs = data.get("crs")
    said = json.dumps(crs).lower() if crs else ""
    if said and not any(known in said for known in _SAME_AS_WGS84):
        raise BoundaryRefused(
            "{name} states another reference system than WGS 84. Export it in WGS 84 (EPSG:4326).", name=name
        )


def _plain(geometry: dict[str, Any]) -> dict[str, Any]:
    """Return a geometry with lists for tuples, as JSON has them."""
    plain: dict[str, Any] = json.loads(json.dumps(geometry))
    return plain


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number of JSON")
