"""A job as GPX and GeoJSON, and the stem of its file names."""

import math
import re
import unicodedata
from collections.abc import Iterator

import numpy as np
import shapely

from cabapp.jobs.records.stint_reader import tool_of
from cabapp.jobs.records.tool_parts import signs
from cabapp.position.boundaries.boundary_judge import kept_boundary
from cabapp.position.recordings.tool_columns import tool_elements
from cabapp.reports.export import gpx_geojson
from cabapp.reports.export.swaths import covered_ground, geojson_of
from cabapp.reports.model.job_record import JobRecord
from cabapp.track.logging_interval import break_limit, logging_interval
from cabapp.track.work_switches import switches_at


def stem(record: JobRecord) -> str:
    """The beginning of a job's file names: plain letters and digits only.

    Two fields of one name keep apart by the beginning of the job's id.
    """
    plain = unicodedata.normalize("NFKD", f"{record.field.name} {record.job.operation} {record.job.season}")
    words = re.findall(r"[a-z0-9]+", plain.encode("ascii", "ignore").decode().lower())
    return "-".join(["-".join(words)[:60].strip("-"), record.job.id[:4]]).strip("-")


def job_gpx(record: JobRecord, every: float = 0.0) -> str:
    """The job as GPX 1.1: a track for every stint, a waypoint for every mark with a place.

    Of the fixes in each `every` seconds the first is written; 0 writes all of them.
    """
    tracks = []
    for s in record.stints:
        name = f"{s.operator}, {record.format.when(s.row.at)}"
        desc = f"{record.job.operation} {record.field.name}, {s.tractor}, {s.tool}"
        tracks.append(_track(s, name, desc, every))
    marks = [
        gpx_geojson.Waypoint(m.kind, m.lat, m.lon, m.at, m.note or "")
        for m in record.marks if m.lat is not None and m.lon is not None
    ]  # fmt: skip
    desc = (
        "Traces are the antenna's; whether the tool worked, and with which sections, is in extensions. "
        "Where it switched between two fixes a point between them says so, marked 'switch'."
    )
    if every:
        desc += f" A fix every {every:g} s; 'rollbook log' writes them all."
    return gpx_geojson.gpx_text(f"{record.field.name}, {record.job.operation} {record.job.season}", desc, tracks, marks)


def _track(s, name: str, desc: str, every: float) -> gpx_geojson.Track:
    """Return a stint's fixes, and a row on the straight line between two for each moment of a switch there."""
    trace = s.trace
    columns = {one: getattr(trace, one) for one in ("t", "lat", "lon", "quality", "hdop", "sigma")}
    if every and len(trace.t):
        kept = np.diff(np.floor(trace.t / every), prepend=-np.inf) != 0
        columns = {one: column[kept] for one, column in columns.items()}
    t = columns["t"]
    at = np.unique(np.round([one.t for one in s.standing.switches], 3))
    after = np.searchsorted(t, at)
    inside = (after > 0) & (after < len(t))
    at, after = at[inside], after[inside]
    before = after - 1
    limit = break_limit(logging_interval(t))
    placed = np.isfinite(columns["lat"]) & (columns["quality"] != 0)
    some = (t[after] - t[before] <= limit) & placed[after] & placed[before] & (at < np.round(t[after], 3))
    some &= at > np.round(t[before], 3)
    at, after, before = at[some], after[some], before[some]
    share = (at - t[before]) / (t[after] - t[before])
    east = (columns["lon"][after] - columns["lon"][before] + 180.0) % 360.0 - 180.0
    rows = {
        "t": at, "quality": -1, "hdop": np.nan, "sigma": np.nan,
        "lat": columns["lat"][before] + share * (columns["lat"][after] - columns["lat"][before]),
        "lon": (columns["lon"][before] + share * east + 180.0) % 360.0 - 180.0,
    }  # fmt: skip
    switch = np.insert(np.zeros(len(t), bool), after, True)
    columns = {one: np.insert(column, after, rows[one]) for one, column in columns.items()}
    return gpx_geojson.Track(name, desc, **columns, work=list(_work(s, columns["t"])), switch=switch)


def _work(s, t: np.ndarray) -> Iterator[dict[str, str]]:
    """Yield what the tool did from each fix on, by the elements of `TOOL_COLUMNS`."""
    tool, switches = tool_of(s.row), s.standing.switches
    part = any(one.on for one in switches)
    number, some = len(tool.sections) or 3, any(one.width is not None for one in switches)
    found = {}
    for one in switches_at(t, switches):
        if one not in found:
            stated = {"working": one.working}
            if some:
                stated["width"] = tool.width if one.width is None else one.width
            elif part:
                stated["sections"] = signs(one.on or (True,) * number)
            found[one] = tool_elements(stated)
        yield found[one]


def job_geojson(record: JobRecord) -> str:
    """The job as GeoJSON: boundary with its areas, gaps, marks, what each stint covered and the antenna's way."""
    totals, features = record.totals, []
    areas = {
        "field_area_m2": _two(totals.field_area), "none_m2": _two(totals.none), "unknown_m2": _two(totals.unknown),
        "short_unknown_m2": _two(totals.short_unknown), "covered_m2": _two(totals.covered),
        "pass_area_m2": _two(totals.pass_area), "target": record.job.target,
        "by_count_m2": {str(n): _two(a) for n, a in sorted(totals.by_count.items())},
    }  # fmt: skip
    boundary = kept_boundary(record.field.boundary)
    if boundary is not None:
        features.append(
            gpx_geojson.feature(
                boundary, kind="field", name=record.field.name, crop=record.field.crop,
                operation=record.job.operation, season=record.job.season, **areas,
            )
        )  # fmt: skip
    for gap in record.gaps:
        lat, lon = record.count.plane.to_latlon(np.vstack([gap.ring, gap.ring[:1]]))
        features.append(
            gpx_geojson.feature(
                {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]},
                kind="gap", passes=gap.kind, area_m2=_two(gap.area),
                width_m=_two(gap.width), certainty=gap.certainty,
                about="the narrowest rectangle around it; area_m2 is the ground itself",
            )
        )  # fmt: skip
    for mark in record.marks:
        if mark.lat is not None and mark.lon is not None:
            place = {"type": "Point", "coordinates": [mark.lon, mark.lat]}
            features.append(gpx_geojson.feature(place, kind="mark", mark=mark.kind, note=mark.note))
    for s, pieces in zip(record.stints, record.count.pieces(), strict=True):
        ground = geojson_of(covered_ground(pieces), record.count.plane)
        if ground:
            features.append(
                gpx_geojson.feature(
                    ground, kind="swath", operator=s.operator, tractor=s.tractor, tool=s.tool,
                    covered_m2=_two(s.covered), pass_area_m2=_two(s.pass_area), sections_m=s.row.sections,
                    about="the ground this stint covered; the areas are those of it in the field",
                )
            )  # fmt: skip
    for s in record.stints:
        way = _way(s)
        if way:
            features.append(gpx_geojson.feature(way, kind="trace", operator=s.operator, tractor=s.tractor, tool=s.tool))
    return gpx_geojson.geojson_text(features)


def _way(s) -> dict | None:
    """Return a stint's trace as lines, simplified to a metre."""
    track = gpx_geojson.Track("", "", s.trace.t, s.trace.lat, s.trace.lon, s.trace.quality)
    lines = []
    for span in gpx_geojson.spans(track):
        points = np.column_stack([s.trace.lon[span], s.trace.lat[span]])
        if len(points) > 1:
            lines.append(np.asarray(shapely.simplify(shapely.LineString(points), 9e-6).coords).tolist())
    return {"type": "MultiLineString", "coordinates": lines} if lines else None


def _two(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), 2)
