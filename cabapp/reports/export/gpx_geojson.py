"""Tracks, marks and shapes as GPX 1.1 and GeoJSON (RFC 7946)."""

import itertools
import json
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import ClassVar
from xml.etree import ElementTree

import numpy as np
import shapely
from gpxpy.gpx import GPX, GPXTrack, GPXTrackPoint, GPXTrackSegment, GPXWaypoint
from shapely.geometry import mapping, shape
from shapely.geometry.polygon import orient

from cabapp.position.recordings.gpx_reader import WORK_SPACE
from cabapp.track.logging_interval import break_limit, logging_interval

_FIX = {0: "none", 1: "3d", 2: "dgps", 3: "pps"}
_NOT_XML = re.compile("[^\\t\\n\\r -\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff]")


@dataclass(frozen=True)
class Track:
    """One stint's trace: arrays of shape (n,).

    `t` POSIX s, rising; `lat`, `lon` WGS 84 degrees, NaN without a position; `quality` GGA fix
    quality, -1 not stated, 0 no fix; `hdop` and `sigma` (m) NaN where not stated; `work` what the tool did from each
    fix on, by the elements of `tool_columns.TOOL_COLUMNS`; `switch` True for a row that is no fix but a switch
    between two.
    """

    name: str
    desc: str
    t: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    quality: np.ndarray | None = None
    hdop: np.ndarray | None = None
    work: list[dict[str, str]] | None = None
    sigma: np.ndarray | None = None
    switch: np.ndarray | None = None


@dataclass(frozen=True)
class Waypoint:
    """A mark: what, where (degrees) and when (POSIX seconds)."""

    name: str
    lat: float
    lon: float
    at: float
    note: str = ""


def spans(track: Track) -> list[slice]:
    """Return the unbroken spans of a track as slices of its fixes.

    A span ends at a fix without a position, and where more than `break_limit` passes without a fix.
    """
    good = np.isfinite(track.lat) & np.isfinite(track.lon) & np.isfinite(track.t)
    if track.quality is not None:
        good &= np.asarray(track.quality) != 0
    index = np.flatnonzero(good)
    if not len(index):
        return []
    t = np.asarray(track.t)[index]
    limit = break_limit(logging_interval(t if track.switch is None else t[~track.switch[index]]))
    cut = (np.diff(index) > 1) | (np.diff(t) > limit)
    edges = np.concatenate([[0], np.flatnonzero(cut) + 1, [len(index)]])
    return [slice(int(index[a]), int(index[b - 1]) + 1) for a, b in itertools.pairwise(edges)]


def gpx_text(name: str, desc: str, tracks: list[Track], marks: list[Waypoint] = ()) -> str:
    """Return tracks and marks as GPX 1.1, with a new ``trkseg`` at every loss of reception.

    Notes: Source: the GPX 1.1 schema, http://www.topografix.com/GPX/1/1. Its longitude stops short of 180, so 180 is
    written as -180.
    """
    gpx = GPX()
    gpx.nsmap["work"] = WORK_SPACE
    gpx.creator, gpx.name, gpx.description = "Rollbook", _xml_text(name), _xml_text(desc)
    for mark in marks:
        lat, lon = round(mark.lat, 7), float(_longitude(mark.lon))
        about = {"name": _xml_text(mark.name), "description": _xml_text(mark.note)}
        gpx.waypoints.append(GPXWaypoint(lat, lon, time=_moment(mark.at), **about))
    for track in tracks:
        one = GPXTrack(_xml_text(track.name), _xml_text(track.desc))
        one.segments = [GPXTrackSegment(_points(track, span)) for span in spans(track)]
        gpx.tracks.append(one)
    return gpx.to_xml("1.1", prettyprint=False) + "\n"


class _Fix(GPXTrackPoint):
    """A track point with only the elements a fix can have: gpxpy writes it in a third of the time."""

    gpx_11_fields: ClassVar = [
        one for one in GPXTrackPoint.gpx_11_fields
        if getattr(one, "name", "")
        in ("latitude", "longitude", "time", "type_of_gpx_fix", "horizontal_dilution", "extensions")
    ]  # fmt: skip


def _points(track: Track, span: slice) -> list[_Fix]:
    n = len(track.t[span])
    lat = np.round(np.asarray(track.lat[span], float), 7).tolist()
    lon = _longitude(np.asarray(track.lon[span], float)).tolist()
    hdop = [None] * n if track.hdop is None else np.round(np.asarray(track.hdop[span], float), 2).tolist()
    quality = [None] * n if track.quality is None else np.asarray(track.quality[span]).tolist()
    sigma = [math.nan] * n if track.sigma is None else track.sigma[span].tolist()
    switch = [False] * n if track.switch is None else track.switch[span].tolist()
    found = []
    work = [{}] * n if track.work is None else track.work[span]
    before: list[dict[str, str]] = [{}, *work[:-1]]
    rows = zip(track.t[span].tolist(), lat, lon, quality, hdop, sigma, switch, work, before, strict=True)
    for t, y, x, q, h, error, between, now, last in rows:
        said = [] if now == last else [_element(name, value) for name, value in now.items()]
        if between:
            said.append(_element("switch", "1"))
        if math.isfinite(error):
            said.append(_element("sigma", f"{error:.2f}"))
        if q is not None and q > max(_FIX):
            said.append(_element("quality", str(q)))
        point = _Fix(y, x, time=_moment(t), horizontal_dilution=h if h is not None and math.isfinite(h) else None)
        point.type_of_gpx_fix = _FIX.get(q)
        point.extensions = said
        found.append(point)
    return found


def _element(name: str, value: str) -> ElementTree.Element:
    element = ElementTree.Element(f"{{{WORK_SPACE}}}{name}")
    element.text = value
    return element


def _longitude(lon):
    lon = np.round(lon, 7)
    return lon - 360.0 * (lon >= 180.0)


def _moment(t: float) -> datetime:
    return datetime.fromtimestamp(round(t, 3), UTC)


def _xml_text(text: str) -> str | None:
    """Return text without characters that XML 1.0 cannot hold; None for empty text."""
    return _NOT_XML.sub("", text or "") or None


def feature(geometry: dict, **properties) -> dict:
    """Return a GeoJSON feature with its rings in the directions of RFC 7946.

    Notes: RFC 7946 section 3.1.6: exterior rings counter-clockwise, holes clockwise; 3.1.9: cut at the antimeridian;
    section 4: no "crs" member; 7 decimals are 1 cm.

    The rewind pair of the geojson-rewind documentation:

    >>> ring = [[100, 0], [100, 1], [101, 1], [101, 0], [100, 0]]
    >>> feature({"type": "Polygon", "coordinates": [ring]})["geometry"]["coordinates"]
    [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]
    """
    form = _cut(shape(geometry))
    if form.geom_type == "Polygon":
        form = orient(form)
    elif form.geom_type == "MultiPolygon":
        form = type(form)([orient(part) for part in form.geoms])
    return {"type": "Feature", "properties": properties, "geometry": _rounded(mapping(form))}


def _cut(form: shapely.Geometry) -> shapely.Geometry:
    """Return an area whose longitudes go on past 180 cut there, as several areas."""
    if form.is_empty or form.geom_type not in ("Polygon", "MultiPolygon") or max(map(abs, form.bounds[::2])) <= 180:
        return form
    turned = [
        shapely.transform(form, lambda lonlat, turn=turn: lonlat + np.array([turn, 0.0]))
        for turn in (-360.0, 0.0, 360.0)
    ]
    inside = [shapely.intersection(one, shapely.box(-180, -90, 180, 90)) for one in turned]
    parts = [part for one in inside for part in shapely.get_parts(one) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def _rounded(geometry: dict) -> dict:
    def walk(node):
        if isinstance(node, (int, float)):
            return round(float(node), 7)
        return [walk(part) for part in node]

    return {"type": geometry["type"], "coordinates": walk(geometry["coordinates"])}


def geojson_text(features: list[dict]) -> str:
    """Return features as a GeoJSON FeatureCollection, a feature a line."""
    rows = ",\n".join(json.dumps(f, ensure_ascii=False, allow_nan=False) for f in features)
    return '{"type": "FeatureCollection", "features": [\n' + rows + "\n]}\n"
