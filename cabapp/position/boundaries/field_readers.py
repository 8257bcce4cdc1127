"""One reader for each kind of file that fields come in; `field_files` checks their results.

Each takes a path and returns (name or None, shapely Polygon or MultiPolygon in degrees) for every
field in it. GeoJSON, GPX, KML and KMZ need nothing but what a tablet has; shapefile and GeoPackage
need the office's readers.
"""

import zipfile
import zlib
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeAlias

import gpxpy
import numpy as np
import shapely
from defusedxml import DefusedXmlException, ElementTree
from pyproj import CRS, Geod, Transformer
from shapely.geometry import MultiPolygon, Polygon, shape

from cabapp.position.boundaries.boundary_geojson import LARGEST, check_boundary, check_crs, load_geojson
from cabapp.position.boundaries.boundary_judge import check_crossings, within_reach
from store.durability.carrier_files import open_regular, read_regular
from store.errors import BoundaryRefused, message
from store.unpacking import TooLarge, member

OPEN_M = 30.0
"""A walk that ends this near its beginning went round, m (our own choice)."""
LOOSE = 0.02
"""Loose ends of a walk may be this share of its field (our own choice)."""
MOST_UNPACKED = 4 * LARGEST
"""Bytes that a zipped shapefile may unpack to."""
_NAMES = ("name", "field", "field_name", "fieldname", "title", "label")
Area: TypeAlias = Polygon | MultiPolygon
Found = list[tuple[str | None, Area]]
_GEOD = Geod(ellps="WGS84")


def _name_in(properties: dict[str, Any]) -> str | None:
    lowered = {str(key).lower(): value for key, value in properties.items()}
    found = (lowered.get(key) for key in _NAMES)
    return next((str(value) for value in found if value not in (None, "")), None)


def _from_geojson(path: Path) -> Found:
    data = load_geojson(path)
    if not isinstance(data, dict):
        raise BoundaryRefused("{name} is JSON but not GeoJSON. Export the boundary as GeoJSON.", name=path.name)
    check_crs(data, path.name)
    rows = data.get("features") if data.get("type") == "FeatureCollection" else [data]
    found = []
    for row in rows if isinstance(rows, list) else []:
        inner = row.get("geometry") if isinstance(row, dict) and row.get("type") == "Feature" else row
        properties = row.get("properties") if isinstance(row, dict) else None
        if isinstance(inner, dict) and inner.get("type") in ("Polygon", "MultiPolygon"):
            try:
                form = shapely.force_2d(shape(inner))
            except (TypeError, ValueError, IndexError, AttributeError, OverflowError, shapely.errors.ShapelyError):
                # Rings not closed, not numbers, too short: the strict reader says which.
                form = shape(check_boundary(inner, path.name))
            if not form.is_empty:
                found.append((_name_in(properties if isinstance(properties, dict) else {}), form))
    return found


def _from_gpx(path: Path) -> Found:
    try:
        text = read_regular(path, LARGEST).decode("utf-8-sig")
        ElementTree.fromstring(text, forbid_dtd=True)  # gpxpy itself expands entities
        gpx = gpxpy.parse(text)
    except Exception as fault:  # gpxpy lets through whatever the parser under it raises
        raise BoundaryRefused("{name} is not GPX: it is damaged. Export it again.", name=path.name) from fault
    walks: list[tuple[str | None, Any]] = [(track.name, seg.points) for track in gpx.tracks for seg in track.segments]
    walks += [(route.name, route.points) for route in gpx.routes]
    found = []
    for name, points in walks:
        lonlat = [(p.longitude, p.latitude) for p in points]
        if len(lonlat) < 3:
            continue
        (lon0, lat0), (lon1, lat1) = lonlat[0], lonlat[-1]
        apart = _GEOD.inv(lon0, lat0, lon1, lat1)[2]
        if apart > OPEN_M:
            raise BoundaryRefused(
                "{file}, {track}: it ends {distance} m from where it begins, so it goes round no field. "
                "Walk or drive right round and record it again.",
                file=path.name, track=name or message("a track"), distance=f"{apart:.0f}",
            )  # fmt: skip
        found.append((name, _walked(lonlat, path.name)))
    return found


def _walked(lonlat: list[tuple[float, float]], source: str) -> Polygon:
    """The ground a walk went round; where its end runs beside or over its beginning, the loose ends fall."""
    ring = Polygon(lonlat)
    if ring.is_valid:
        return ring
    check_crossings(within_reach(ring, source), source)
    lines = shapely.union_all([shapely.LineString([*lonlat, lonlat[0]])])
    faces = shapely.get_parts(shapely.polygonize([lines]))
    if not len(faces):
        return ring
    outer = shapely.union_all(faces)
    parts = sorted(getattr(outer, "geoms", [outer]), key=lambda part: -part.area)
    rest = sum(part.area for part in parts[1:])
    return Polygon(parts[0].exterior) if rest <= LOOSE * parts[0].area else ring


def _from_kml(path: Path) -> Found:
    """OGC KML 2.3 (12-007r2): the polygons of each placemark are one field of its name."""
    try:
        text = _in_kmz(path) if path.suffix.lower() == ".kmz" else read_regular(path, LARGEST)
        root = ElementTree.fromstring(text, forbid_dtd=True)
        marks = root.findall(".//{*}Placemark") or [root]
        found = [(mark.findtext("{*}name"), _areas(mark)) for mark in marks]
    except OSError as fault:
        raise BoundaryRefused(
            "{name} cannot be read ({why}). Look at the name and folder.", name=path.name, why=fault.strerror
        ) from fault
    except DefusedXmlException as fault:
        raise BoundaryRefused(
            "{name} has a document type, which a boundary does not need. Export it again.", name=path.name
        ) from fault
    except (
        ElementTree.ParseError,
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        ValueError,
        LookupError,
        RuntimeError,
    ) as fault:
        raise BoundaryRefused("{name} is not KML: it is damaged. Export it again.", name=path.name) from fault
    return [(name, form) for name, form in found if not form.is_empty]


def _in_kmz(path: Path) -> bytes:
    with open_regular(path) as file, zipfile.ZipFile(file) as pack:
        inside = next((one for one in pack.infolist() if one.filename.lower().endswith(".kml")), None)
        if inside is not None and inside.file_size <= LARGEST:
            with suppress(TooLarge):
                return member(pack, inside, LARGEST)
    raise BoundaryRefused("{name} holds no KML of a size that fields have. Export the fields alone.", name=path.name)


def _areas(mark: Any) -> Area:
    """Return the polygons below an element of KML; their rings are lines of "longitude,latitude[,height]"."""
    areas = []
    for polygon in mark.findall(".//{*}Polygon"):
        outer, inner = (
            [_ring(ring.text) for ring in polygon.findall(f"{{*}}{place}/{{*}}LinearRing/{{*}}coordinates")]
            for place in ("outerBoundaryIs", "innerBoundaryIs")
        )
        if outer and len(outer[0]) >= 4:
            areas.append(Polygon(outer[0], [ring for ring in inner if len(ring) >= 4]))
    return areas[0] if len(areas) == 1 else MultiPolygon(areas)


def _ring(text: str | None) -> list[tuple[float, float]]:
    corners = (place.split(",") for place in (text or "").split())
    return [(float(corner[0]), float(corner[1])) for corner in corners]


def _from_gdal(path: Path) -> Found:
    try:
        import pyogrio
    except ImportError as fault:
        raise BoundaryRefused(
            "{name} needs the office's readers. Install them with: pip install 'rollbook[office]', "
            "or export the fields as GeoJSON.",
            name=path.name,
        ) from fault
    name = str(path)
    if path.suffix.lower() == ".zip":
        _check_packed(path)
        name = f"/vsizip/{path.resolve()}"
    try:
        layers = [str(row[0]) for row in pyogrio.list_layers(name)]
        read = [pyogrio.raw.read(name, layer=layer, force_2d=True) for layer in layers]
    except Exception as fault:  # GDAL's errors have no common parent in pyogrio
        raise BoundaryRefused(
            "{name} cannot be read ({why}). A shapefile needs its .shx and .dbf beside it.",
            name=path.name, why=str(fault),
        ) from fault  # fmt: skip
    found = []
    for meta, _, shapes, columns in read:
        turn = _to_wgs84(meta.get("crs"), path.name)
        for k, wkb in enumerate(shapes if shapes is not None else []):
            form = _form(wkb, path.name)
            if form is None or form.geom_type not in ("Polygon", "MultiPolygon") or form.is_empty:
                continue
            row = {name: columns[c][k] for c, name in enumerate(meta["fields"])}
            form = shapely.transform(form, turn) if turn else form
            found.append((_name_in(row), form))
    return found


def _form(wkb: bytes | None, source: str) -> Any:
    try:
        return None if wkb is None else shapely.from_wkb(wkb)
    except shapely.errors.ShapelyError as fault:
        raise BoundaryRefused("{name} holds an area that is damaged. Export it again.", name=source) from fault


def _check_packed(path: Path) -> None:
    """Raise BoundaryRefused for a zip that is none, or unpacks to more than fields take."""
    try:
        with open_regular(path) as file, zipfile.ZipFile(file) as pack:
            if sum(one.file_size for one in pack.infolist()) <= MOST_UNPACKED:
                return
    except (OSError, zipfile.BadZipFile, ValueError, LookupError, NotImplementedError) as fault:
        raise BoundaryRefused(
            "{name} is no zip of a shapefile, or damaged. Export it again.", name=path.name
        ) from fault
    raise BoundaryRefused("{name} unpacks to more than fields take. Export the fields alone.", name=path.name)


def _to_wgs84(crs: str | None, source: str) -> Callable[[np.ndarray], np.ndarray] | None:
    """Return the transform of a layer to WGS 84; None when it is there, or the file does not state it."""
    if not crs:
        return None
    try:
        stated = CRS.from_user_input(crs)
    except Exception as fault:
        raise BoundaryRefused(
            "{name} states a reference system that is not known. Export it in WGS 84 (EPSG:4326).", name=source
        ) from fault
    if stated.equals(CRS.from_epsg(4326), ignore_axis_order=True):
        return None
    turn = Transformer.from_crs(stated, CRS.from_epsg(4326), always_xy=True).transform
    return lambda xy: np.column_stack(turn(xy[:, 0], xy[:, 1]))


READERS = {
    ".geojson": _from_geojson, ".json": _from_geojson, ".gpx": _from_gpx, ".kml": _from_kml, ".kmz": _from_kml,
    ".shp": _from_gdal, ".gpkg": _from_gdal, ".zip": _from_gdal,
}  # fmt: skip
ON_A_TABLET = (".geojson", ".json", ".gpx", ".kml", ".kmz")
"""Kinds that need none of the office's readers."""
