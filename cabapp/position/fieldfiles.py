"""Fields from the files people have: GeoJSON, GPX, KML, shapefile, GeoPackage.

Every boundary is checked as `cabapp.position.boundaries` checks it; small damage that an
export or a walk leaves is mended and said, and what cannot be told is refused in words.
"""

import json
import os
from dataclasses import dataclass
from pathlib import Path

import gpxpy
import numpy as np
import shapely
from pyproj import CRS, Geod, Transformer
from shapely.geometry import MultiPolygon, Polygon, shape
from shapely.ops import transform

from cabapp.position.boundaries import LARGEST, check_boundary, check_crs
from store.errors import BoundaryRefused

LOST = 0.002
"""A repair may change this share of a field's area; more, and somebody has to look (our own choice)."""
OPEN_M = 30.0
"""A walk that ends this near its beginning went round, m (our own choice)."""
SMALLEST_M2, LARGEST_M2 = 100.0, 1e9
"""No field is smaller or larger: the file is in other units, or no boundary."""
_NAMES = ("name", "field", "field_name", "fieldname", "title", "label")
_BY_GDAL = (".kml", ".kmz", ".shp", ".gpkg", ".zip")
_GEOD = Geod(ellps="WGS84")


@dataclass(frozen=True)
class FieldFound:
    """A field in a file.

    Attributes
    ----------
    name : str
        As the file has it; else the file's own name, numbered when there are more.
    geometry : dict
        GeoJSON Polygon or MultiPolygon, WGS 84.
    area : float
        m2, on the ellipsoid.
    mended : str
        What was mended, in words; empty when nothing was.
    """

    name: str
    geometry: dict
    area: float
    mended: str


def read_fields(path: str | os.PathLike) -> list[FieldFound]:
    """Read all fields in a file.

    Parameters
    ----------
    path : path
        ``.geojson``, ``.json``, ``.gpx``, ``.kml``, ``.kmz``, ``.shp``, ``.zip`` (of a
        shapefile) or ``.gpkg``.

    Returns
    -------
    list of FieldFound
        At least one.

    Raises
    ------
    BoundaryRefused
        Nothing of it can be a field: not such a file, no closed area in it, latitude first,
        metres without a word on their reference system, boundaries that cross themselves.
    """
    path = Path(path)
    try:
        if path.stat().st_size > LARGEST:
            raise BoundaryRefused(f"{path} is larger than {LARGEST >> 20} MB. Export the fields alone.")
    except OSError as fault:
        raise BoundaryRefused(
            f"{path} cannot be read ({fault.strerror}). Look at the name and folder."
        ) from fault
    kind = path.suffix.lower()
    if kind in (".geojson", ".json"):
        found = _from_geojson(path)
    elif kind == ".gpx":
        found = _from_gpx(path)
    elif kind in _BY_GDAL:
        found = _from_gdal(path)
    else:
        raise BoundaryRefused(
            f"{path.name} is of no kind that fields are read from. Use GeoJSON, GPX, KML, "
            "a shapefile or GeoPackage."
        )
    if not found:
        raise BoundaryRefused(f"{path.name} holds no closed area, so no field. Draw the fields as areas.")
    names = _named([name for name, _ in found], path.stem)
    return [_field(name, form, path.name) for name, (_, form) in zip(names, found, strict=True)]


def _field(name: str, form, source: str) -> FieldFound:
    where = f"{source}, {name}"
    for lon, lat in shapely.get_coordinates(form)[:1]:
        # Said by the first corner: every check of values comes before one of shape.
        check_boundary(_box(lon, lat), where)
    sound, mended = _mended(form, where)
    geometry = check_boundary(_plain(sound), where)
    area = abs(sum(_GEOD.geometry_area_perimeter(part)[0] for part in getattr(sound, "geoms", [sound])))
    if not SMALLEST_M2 <= area <= LARGEST_M2:
        raise BoundaryRefused(
            f"{where} would be {area:.3g} m2, which no field is. Look whether its coordinates are degrees."
        )
    return FieldFound(name, geometry, area, mended)


def _box(lon: float, lat: float) -> dict:
    ring = [[lon, lat], [lon + 1e-3, lat], [lon, lat + 1e-3], [lon, lat]]
    if abs(lon) >= 179.9 or abs(lat) >= 89.9:
        ring = [[lon, lat], [lon - 1e-3 * np.sign(lon), lat], [lon, lat - 1e-3 * np.sign(lat)], [lon, lat]]
    return {"type": "Polygon", "coordinates": [ring]}


def _mended(form, where: str):
    """A valid geometry of the same ground, and what was mended; refused where the ground would change."""
    if form.is_valid:
        return form, ""
    whole = shapely.make_valid(form, method="structure", keep_collapsed=False)
    parts = [p for p in getattr(whole, "geoms", [whole]) if p.geom_type == "Polygon" and p.area]
    if not parts:
        check_boundary(_plain(form), where)
        raise BoundaryRefused(f"{where} has no area. Draw it again.")
    largest = max(part.area for part in parts)
    kept = [part for part in parts if part.area > LOST * largest]
    sound = kept[0] if len(kept) == 1 else MultiPolygon(kept)
    # Both ways round a crossing: what the rings enclose, and what their turning sums up to.
    turning = abs(sum(_signed(part) for part in getattr(form, "geoms", [form])))
    if not sound.is_valid or abs(sound.area - turning) > LOST * sound.area:
        check_boundary(_plain(form), where)
        raise BoundaryRefused(f"{where} crosses itself. Straighten the boundary there.")
    return sound, "it crossed or touched itself in a small way"


def _plain(form) -> dict:
    return json.loads(shapely.to_geojson(form))


def _signed(polygon: Polygon) -> float:
    outer = abs(_ring_area(polygon.exterior))
    return outer - sum(abs(_ring_area(ring)) for ring in polygon.interiors)


def _ring_area(ring) -> float:
    x, y = np.asarray(ring.coords)[:, :2].T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


def _named(names: list[str | None], stem: str) -> list[str]:
    """Names for all: given, or the file's; one that comes twice is numbered."""
    several = len(names) > 1
    told = [(name or "").strip() or (f"{stem} {k}" if several else stem) for k, name in enumerate(names, 1)]
    seen: dict[str, int] = {}
    out = []
    for name in told:
        seen[name.casefold()] = seen.get(name.casefold(), 0) + 1
        n = seen[name.casefold()]
        out.append(name if n == 1 else f"{name} ({n})")
    return out


def _name_in(properties: dict) -> str | None:
    lowered = {str(key).lower(): value for key, value in properties.items()}
    found = (lowered.get(key) for key in _NAMES)
    return next((str(value) for value in found if value not in (None, "")), None)


# ------------------------------------------------------------------------ readers


def _from_geojson(path: Path) -> list:
    try:
        data = json.loads(path.read_bytes().decode("utf-8-sig"))
    except (OSError, ValueError, RecursionError) as fault:
        raise BoundaryRefused(f"{path.name} is not GeoJSON: it is damaged. Export it again.") from fault
    if not isinstance(data, dict):
        raise BoundaryRefused(f"{path.name} is JSON but not GeoJSON. Export the boundary as GeoJSON.")
    check_crs(data, path.name)
    rows = data.get("features") if data.get("type") == "FeatureCollection" else [data]
    found = []
    for row in rows if isinstance(rows, list) else []:
        inner = row.get("geometry") if isinstance(row, dict) and row.get("type") == "Feature" else row
        properties = row.get("properties") if isinstance(row, dict) else None
        if isinstance(inner, dict) and inner.get("type") in ("Polygon", "MultiPolygon"):
            try:
                form = shapely.force_2d(shape(inner))
            except (TypeError, ValueError, IndexError, AttributeError, shapely.errors.ShapelyError):
                # Rings not closed, not numbers, too short: the strict reader says which.
                form = shape(check_boundary(inner, path.name))
            if not form.is_empty:
                found.append((_name_in(properties if isinstance(properties, dict) else {}), form))
    return found


def _from_gpx(path: Path) -> list:
    try:
        gpx = gpxpy.parse(path.read_bytes().decode("utf-8-sig"))
    except Exception as fault:  # gpxpy lets through whatever the parser under it raises
        raise BoundaryRefused(f"{path.name} is not GPX: it is damaged. Export it again.") from fault
    walks = [(track.name, seg.points) for track in gpx.tracks for seg in track.segments]
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
                f"{path.name}, {name or 'a track'}: it ends {apart:.0f} m from where it begins, so it goes "
                "round no field. Walk or drive right round and record it again."
            )
        found.append((name, _walked(lonlat)))
    return found


def _walked(lonlat: list) -> Polygon:
    """The ground a walk went round; where its end runs beside or over its beginning, the loose ends fall."""
    ring = Polygon(lonlat)
    if ring.is_valid:
        return ring
    lines = shapely.union_all([shapely.LineString([*lonlat, lonlat[0]])])
    faces = shapely.get_parts(shapely.polygonize([lines]))
    if not len(faces):
        return ring
    outer = shapely.union_all(faces)
    parts = sorted(getattr(outer, "geoms", [outer]), key=lambda part: -part.area)
    rest = sum(part.area for part in parts[1:])
    return Polygon(parts[0].exterior) if rest <= 10 * LOST * parts[0].area else ring


def _from_gdal(path: Path) -> list:
    try:
        import pyogrio
    except ImportError as fault:
        raise BoundaryRefused(
            f"{path.name} needs the office's readers. Install them with: pip install 'rollbook[office]', "
            "or export the fields as GeoJSON."
        ) from fault
    name = f"/vsizip/{path.resolve()}" if path.suffix.lower() == ".zip" else str(path)
    try:
        layers = [str(row[0]) for row in pyogrio.list_layers(name)]
        read = [pyogrio.raw.read(name, layer=layer, force_2d=True) for layer in layers]
    except Exception as fault:  # GDAL's errors have no common parent in pyogrio
        raise BoundaryRefused(
            f"{path.name} cannot be read ({fault}). A shapefile needs its .shx and .dbf beside it."
        ) from fault
    found = []
    for meta, _, shapes, columns in read:
        turn = _turned(meta.get("crs"), path.name)
        for k, wkb in enumerate(shapes if shapes is not None else []):
            form = shapely.from_wkb(wkb) if wkb is not None else None
            if form is None or form.geom_type not in ("Polygon", "MultiPolygon") or form.is_empty:
                continue
            row = {name: columns[c][k] for c, name in enumerate(meta["fields"])}
            form = transform(turn, form) if turn else form
            found.append((_name_in(row), form))
    return found


def _turned(crs: str | None, source: str):
    """How to bring a layer to WGS 84; None when it is there, or when the file does not say."""
    if not crs:
        return None
    try:
        told = CRS.from_user_input(crs)
    except Exception as fault:
        raise BoundaryRefused(
            f"{source} states a reference system that is not known. Export it in WGS 84 (EPSG:4326)."
        ) from fault
    if told.equals(CRS.from_epsg(4326), ignore_axis_order=True):
        return None
    return Transformer.from_crs(told, CRS.from_epsg(4326), always_xy=True).transform
