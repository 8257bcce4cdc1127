"""A field's log as open files: GPX 1.1 and GeoJSON (RFC 7946).

Knows neither the store nor pages: arrays, names and shapes in, text out.
"""

import itertools
import json
import math
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np
from shapely.geometry import mapping, shape
from shapely.geometry.polygon import orient

from store.facts.timestamp import write_time

LONGEST_STEP = 5.0
"""More seconds than this between two fixes is a loss of reception: a new segment begins."""

_FIX = {0: "none", 1: "3d", 2: "dgps", 3: "pps"}


@dataclass(frozen=True)
class Track:
    """One stint's trace.

    Attributes
    ----------
    name, desc : str
    t : ndarray, shape (n,)
        POSIX seconds, UTC, rising.
    lat, lon : ndarray, shape (n,)
        WGS 84 degrees; NaN where the receiver had no position.
    quality : ndarray of int or None, shape (n,)
        GGA fix quality; -1 not stated, 0 no fix.
    hdop : ndarray or None, shape (n,)
        Dilution of precision; NaN not stated.
    """

    name: str
    desc: str
    t: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    quality: np.ndarray | None = None
    hdop: np.ndarray | None = None


@dataclass(frozen=True)
class Waypoint:
    """A mark: what, where (degrees) and when (POSIX seconds)."""

    name: str
    lat: float
    lon: float
    at: float
    note: str = ""


def spans(track: Track) -> list[slice]:
    """Return the unbroken spans of a track, as slices of its fixes.

    A span ends where the receiver said it had no position, and where more than
    `LONGEST_STEP` passed without a fix.
    """
    good = np.isfinite(track.lat) & np.isfinite(track.lon) & np.isfinite(track.t)
    if track.quality is not None:
        good &= np.asarray(track.quality) != 0
    index = np.flatnonzero(good)
    if not len(index):
        return []
    cut = (np.diff(index) > 1) | (np.diff(np.asarray(track.t)[index]) > LONGEST_STEP)
    edges = np.concatenate([[0], np.flatnonzero(cut) + 1, [len(index)]])
    return [slice(int(index[a]), int(index[b - 1]) + 1) for a, b in itertools.pairwise(edges)]


def gpx_text(name: str, desc: str, tracks: list[Track], marks: list[Waypoint] = ()) -> str:
    """Write tracks and marks as GPX 1.1.

    Parameters
    ----------
    name, desc : str
        What the file is, for its metadata.
    tracks : list of Track
        One ``trk`` each, with a new ``trkseg`` at every loss of reception.
    marks : list of Waypoint
        One ``wpt`` each.

    Returns
    -------
    str

    Notes
    -----
    Source: the GPX 1.1 schema, http://www.topografix.com/GPX/1/1. Its longitude
    stops short of 180, so 180 is written as -180.
    """
    parts = [
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx xmlns="http://www.topografix.com/GPX/1/1" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="http://www.topografix.com/GPX/1/1 '
        'http://www.topografix.com/GPX/1/1/gpx.xsd" version="1.1" creator="Rollbook">\n'
        f"<metadata>{_told('name', name)}{_told('desc', desc)}</metadata>"
    ]
    for mark in marks:
        place = f'lat="{_decimal(mark.lat)}" lon="{_decimal(_lon(mark.lon))}"'
        said = f"<time>{write_time(round(mark.at, 3), 'milliseconds')}</time>{_told('name', mark.name)}{_told('desc', mark.note)}"
        parts.append(f"<wpt {place}>{said}</wpt>")
    for track in tracks:
        parts.append(f"<trk>{_told('name', track.name)}{_told('desc', track.desc)}")
        for span in spans(track):
            parts += ["<trkseg>", *_points(track, span), "</trkseg>"]
        parts.append("</trk>")
    return "\n".join([*parts, "</gpx>\n"])


def _points(track: Track, span: slice) -> list[str]:
    """A line for every fix; written by columns, for a season has twenty million."""
    lat = np.char.mod("%.7f", np.round(track.lat[span], 7)).tolist()
    lon = np.char.mod("%.7f", _lon(np.asarray(track.lon[span], float))).tolist()
    ms = np.rint(np.asarray(track.t[span]) * 1000).astype("datetime64[ms]")
    when = np.datetime_as_string(ms, "ms").tolist()
    more = [""] * len(lat)
    if track.quality is not None:
        fix = {n: f"<fix>{word}</fix>" for n, word in _FIX.items()}
        more = [fix.get(n, "") for n in np.asarray(track.quality[span]).tolist()]
    if track.hdop is not None:
        hdop = np.asarray(track.hdop[span], float).tolist()
        more = [m + (f"<hdop>{h:.2f}</hdop>" if math.isfinite(h) else "") for m, h in zip(more, hdop)]
    return [
        f'<trkpt lat="{a}" lon="{b}"><time>{t}Z</time>{m}</trkpt>'
        for a, b, t, m in zip(lat, lon, when, more)
    ]  # fmt: skip


def _told(tag: str, words: str) -> str:
    """An element with words in it; nothing when there are none."""
    words = _plain(words)
    return f"<{tag}>{escape(words)}</{tag}>" if words else ""


def _decimal(degrees: float) -> str:
    return f"{degrees:.7f}"


def _lon(lon):
    lon = np.round(lon, 7)
    return lon - 360.0 * (lon >= 180.0)


def _plain(words: str) -> str:
    """Leave out characters that XML 1.0 cannot hold at all."""
    return "".join(
        c
        for c in words or ""
        if c in "\t\n\r" or (c >= " " and not "\ud800" <= c <= "\udfff" and c not in "\ufffe\uffff")
    )


def feature(geometry: dict, **properties) -> dict:
    """Return a GeoJSON feature with its rings turned as RFC 7946 wants them.

    Parameters
    ----------
    geometry : dict
        GeoJSON geometry, WGS 84, longitude first. Rings may turn either way.
    **properties
        Whatever JSON can hold.

    Notes
    -----
    RFC 7946 section 3.1.6: exterior rings counter-clockwise, holes clockwise;
    section 4: no "crs" member; 7 decimals are 1 cm.

    Examples
    --------
    The rewind pair of the geojson-rewind documentation:

    >>> ring = [[100, 0], [100, 1], [101, 1], [101, 0], [100, 0]]
    >>> feature({"type": "Polygon", "coordinates": [ring]})["geometry"]["coordinates"]
    [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]]
    """
    form = shape(geometry)
    if form.geom_type == "Polygon":
        form = orient(form)
    elif form.geom_type == "MultiPolygon":
        form = type(form)([orient(part) for part in form.geoms])
    return {"type": "Feature", "properties": properties, "geometry": _rounded(mapping(form))}


def _rounded(geometry: dict) -> dict:
    def walk(node):
        if isinstance(node, (int, float)):
            return round(float(node), 7)
        return [walk(part) for part in node]

    return {"type": geometry["type"], "coordinates": walk(geometry["coordinates"])}


def geojson_text(features: list[dict]) -> str:
    """Write features as one GeoJSON FeatureCollection, a feature a line."""
    rows = ",\n".join(json.dumps(f, ensure_ascii=False, allow_nan=False) for f in features)
    return '{"type": "FeatureCollection", "features": [\n' + rows + "\n]}\n"
