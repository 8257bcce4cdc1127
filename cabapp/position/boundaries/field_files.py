"""Fields from the files people have: GeoJSON, GPX, KML, shapefile, GeoPackage.

Every boundary is checked as `cabapp.position.boundaries.boundary_geojson` checks it; small damage that an
export or a walk leaves is repaired and noted, and what is unclear is refused.
"""

import errno
import json
import os
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import LinearRing, MultiPolygon, Polygon, shape

from cabapp.position.boundaries.boundary_geojson import LARGEST, check_boundary
from cabapp.position.boundaries.boundary_judge import Area, area_of, check_crossings, within_reach
from cabapp.position.boundaries.field_readers import READERS
from store.durability.carrier_files import open_regular
from store.errors import BoundaryRefused, Message, message
from store.values.value_judge import sound_text

LOST = 0.002
"""A repair may change this share of a field's area; more is refused (our own choice)."""


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
    repaired : Message or None
        What was repaired.
    """

    name: str
    geometry: dict[str, Any]
    area: float
    repaired: Message | None


def read_fields(path: str | os.PathLike[str]) -> list[FieldFound]:
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
        open_regular(path, LARGEST).close()
    except OSError as fault:
        if fault.errno == errno.EFBIG:
            raise BoundaryRefused(
                "{path} is larger than {size} MB. Export the fields alone.", path=path, size=LARGEST >> 20
            ) from fault
        raise BoundaryRefused(
            "{path} cannot be read ({why}). Look at the name and folder.", path=path, why=fault.strerror
        ) from fault
    read = READERS.get(path.suffix.lower())
    if read is None:
        raise BoundaryRefused(
            "{name} is of no kind that fields are read from. Use GeoJSON, GPX, KML, a shapefile or GeoPackage.",
            name=path.name,
        )
    found = read(path)
    if not found:
        raise BoundaryRefused("{name} holds no closed area, so no field. Draw the fields as areas.", name=path.name)
    names = _named([name for name, _ in found], path.stem)
    return [_field(name, form, path.name) for name, (_, form) in zip(names, found, strict=True)]


def _field(name: str, form: Area, source: str) -> FieldFound:
    where = f"{source}, {name}"
    sound, repaired = _repaired(within_reach(form, where), where)
    geometry = check_boundary(_plain(sound), where)
    return FieldFound(name, geometry, area_of(shape(geometry)), repaired)


def _repaired(form: Area, where: str) -> tuple[Area, Message | None]:
    """Return a valid geometry of the same ground, and what was repaired; refused where the ground would change."""
    if form.is_valid:
        return form, None
    check_crossings(form, where)
    whole = shapely.make_valid(form, method="structure", keep_collapsed=False)
    parts = [p for p in getattr(whole, "geoms", [whole]) if p.geom_type == "Polygon" and p.area]
    if not parts:
        check_boundary(_plain(form), where)
        raise BoundaryRefused("{field} has no area. Draw it again.", field=where)
    largest = max(part.area for part in parts)
    kept = [part for part in parts if part.area > LOST * largest]
    sound = kept[0] if len(kept) == 1 else MultiPolygon(kept)
    # Both ways round a crossing: what the rings enclose, and what their turning sums up to.
    turning = abs(sum(_signed(part) for part in getattr(form, "geoms", [form])))
    if not sound.is_valid or abs(sound.area - turning) > LOST * sound.area:
        check_boundary(_plain(form), where)
        raise BoundaryRefused("{field} crosses itself. Straighten the boundary there.", field=where)
    return sound, message("it crossed or touched itself in a small way")


def _plain(form: Area) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(shapely.to_geojson(form))
    return plain


def _signed(polygon: Polygon) -> float:
    outer = abs(_ring_area(polygon.exterior))
    return outer - sum(abs(_ring_area(ring)) for ring in polygon.interiors)


def _ring_area(ring: LinearRing) -> float:
    x, y = np.asarray(ring.coords)[:, :2].T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


def _named(names: list[str | None], stem: str) -> list[str]:
    """Names for all: given, or the file's; one that comes twice is numbered."""
    several = len(names) > 1
    seen: Counter[str] = Counter()
    unique = []
    for k, given in enumerate(names, 1):
        name = sound_text("field", "name", (given or "").strip() or (f"{stem} {k}" if several else stem))
        seen[name.casefold()] += 1
        n = seen[name.casefold()]
        unique.append(name if n == 1 else f"{name} ({n})")
    return unique
