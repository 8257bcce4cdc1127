"""The figures of `rollbook measure`: from recordings to areas, without any logbook or words.

The stints are those that `rollbook bring` would write, and are counted as the assembler counts them.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import shapely

from cabapp.common.message import message
from cabapp.counting.areas.area_totals import area_totals
from cabapp.counting.areas.row_stretches import fitting_row
from cabapp.counting.job_count import JobCount
from cabapp.geometry.counted_ground import ACROSS_M, NEAR_M
from cabapp.jobs.imports.known_work import KnownWork, rest_of
from cabapp.jobs.imports.recorded_day import RecordedDay, RecordedStint, cut
from cabapp.jobs.pass_counts.assembler import centre_of, count_stint
from cabapp.jobs.pass_counts.nothing_counted import DrivenStint, driven, remark, why_nothing
from cabapp.jobs.records.work_intervals import Spans
from cabapp.position.recordings.machine_split import repeated
from cabapp.position.recordings.recording import RecordedTrack, Recording
from cabapp.track.activity import FieldStay
from cabapp.track.logging_interval import break_limit
from cabapp.track.receiver_error import named, of_error
from cabapp.track.tool import ToolGeometry
from store.errors import BoundaryRefused, Message, TraceRefused
from store.models import Field

OUTSIDE, UNREADABLE, TWICE = "no work in the field", "not readable or without a time", "there twice"
ENDS = "without a usable position, at the beginning or the end"

STATED = message("as the recording states")
GUESSED = message("estimated from how it was driven in the field")
NO_FIELD = message("all that was recorded, for no boundary was given")
NO_WORK = message("all that was recorded, for no work in the field could be told from how it was driven")


class _Read(NamedTuple):
    """The tracks with the names of their files, how many fixes there were, could not be read or stood twice; notes."""

    tracks: list[tuple[str, RecordedTrack]]
    fixes: int
    dropped: int
    twice: int
    notes: list[Message]


class _Counted(NamedTuple):
    """A stint as it was counted: of which file, how many fixes, when it worked, its hours, what became of it, why these."""

    name: str
    fixes: int
    spans: Spans
    seconds: dict[str, float]
    gone: DrivenStint
    notes: tuple[Message, ...]
    why: Message


def measure(recordings, tool, target=2, boundary=None, row=None, sigma=None, receiver=None) -> dict:
    """Count the passes of recordings over the ground.

    Parameters
    ----------
    recordings : iterable of Recording
        Read one after the other.
    tool : ToolGeometry
    target : int
        Passes wanted.
    boundary : dict, optional
        GeoJSON Polygon or MultiPolygon.
    row : float, optional
        Distance of the rows, m; by default as everywhere.
    sigma : float, optional
        Error of one pass against the next, m, whoever drove it when.
    receiver : str, optional
        Class of the receiver, a key of `KINDS`; by default each trace tells how far off it is.

    Returns
    -------
    dict
        What `rollbook measure --json` prints, as README says of each key.

    Raises
    ------
    TraceRefused
        Several recordings of which one has no date, one with no usable fix, or ground too far apart to count
        together.
    BoundaryRefused
        No fix lies in or near the field.
    """
    read = _read(recordings)
    days = [cut(_fields(boundary), track, name) for name, track in read.tracks]
    _check_near(days, boundary)
    days.sort(key=lambda day: day.track.t[day.rows[0]])
    read.notes.extend(message("{name}: {note}", name=day.name, note=note) for day in days for note in day.notes)
    stints = _each_once(days, tool, boundary)
    centre = None
    if boundary is None:
        traces = [(stint.track, float(stint.track.t[0]), stint.spans) for _, stint, _, _ in stints]
        centre = centre_of(traces, worked=True) or centre_of(traces, worked=False)
        del traces
    count = JobCount(boundary, target, centre=centre)
    told = named(receiver) if receiver else None if sigma is None else of_error(sigma)
    counted = []
    # the fixes of a stint go once it is counted
    days.clear()
    read.tracks.clear()
    stints.reverse()
    while stints:
        day, stint, why, told_of = stints.pop()
        path = count_stint(count, float(stint.track.t[0]), stint.inputs(f"{len(counted)}", tool), told, told_of)
        seconds, gone = stint.hours(path, tool.width).seconds(), driven(path, count.field)
        counted.append(_Counted(day.name, len(stint.track), stint.spans, seconds, gone, stint.notes, why))
        del day, stint, path
    return _figures(count, tool, counted, read, row)


def _read(recordings: Iterable[Recording]) -> _Read:
    """Return the tracks that say something new; each recording may go when the next is read."""
    tracks: list[tuple[str, RecordedTrack]] = []
    fixes = dropped = twice = 0
    notes, undated, files = [], [], 0
    for recording in recordings:
        notes += [message("{name}: {note}", name=recording.name, note=note) for note in recording.notes]
        dropped += recording.dropped
        before = len(tracks)
        for one in recording.tracks:
            track, new = one.as_kept(), np.ones(len(one), bool)
            fixes += len(track.received())
            for _, other in tracks:
                had = repeated(other.t, other.lat, other.lon, track.t, track.lat, track.lon)
                new &= True if had is None else ~had
            again = int((~new).sum())
            if again:
                twice += again
                notes.append(
                    message(
                        "{name} says of {count} fixes what another recording given says too; they were counted once.",
                        name=recording.name, count=again,
                    )
                )  # fmt: skip
            if track.placed[new].any():
                tracks.append((recording.name, track))
        files += len(tracks) > before
        undated += [recording.name] if len(tracks) > before and not recording.dated else []
    if undated and files > 1:
        raise TraceRefused(
            "{name} carries no date, so it cannot be put in order with the others. Measure it alone.", name=undated[0]
        )
    return _Read(tracks, fixes, dropped, twice, notes)


def _fields(boundary) -> list[Field]:
    return [] if boundary is None else [Field(name="", boundary=boundary)]


def _each_once(days: list[RecordedDay], tool, boundary) -> list[tuple[RecordedDay, RecordedStint, Message, Spans]]:
    """Return the stints, each without what those before have, why these, and when others tell of its machine, POSIX s."""
    stints: list[tuple[RecordedDay, RecordedStint, Message, Spans]] = []
    known: list[KnownWork] = []
    for day in days:
        stays, why = _stays(day, boundary)
        for stay in stays:
            met = [n for n, one in enumerate(known) if one.has_of(day, stay)]
            rest, _ = rest_of(day, stay, [known[n] for n in met])
            for piece in rest:
                stint = day.stint(piece, tool)
                track = stint.track
                spans = None if day.stated else stint.spans
                for n in met:
                    stints[n][3].extend(stint.spans)
                known.append(KnownWork(track.t, track.lat, track.lon, track.quality, spans))
                stints.append((day, stint, why, []))
    # stated, and no work in the field
    return stints or [(day, day.stint(day.whole, tool), STATED, []) for day in days]


def _stays(day: RecordedDay, boundary) -> tuple[list[FieldStay], Message]:
    """Return the stays of one machine that are counted, and why these."""
    if boundary is None:
        return [day.whole], STATED if day.stated else NO_FIELD
    if day.worked or day.stated:
        return day.worked, STATED if day.stated else GUESSED
    return [day.whole], NO_WORK


def _check_near(days: list[RecordedDay], boundary) -> None:
    """Raise where the recordings lie too far apart, or all of them too far from the field."""
    lat, lon = (np.concatenate([getattr(day.track, name)[day.rows] for day in days]) for name in ("lat", "lon"))
    plane = JobCount(boundary, centre=(float(lat[0]), float(lon[0])) if boundary is None else None).plane
    xy = plane.to_xy(lat, lon)
    xy = xy[np.isfinite(xy[:, 0])]
    apart = float(np.hypot(*np.ptp(xy, axis=0))) if len(xy) else np.inf
    if boundary is not None:
        ground = shapely.transform(shapely.geometry.shape(boundary), lambda ll: plane.to_xy(ll[:, 1], ll[:, 0]))
        west, south, east, north = ground.bounds
        away = np.hypot(
            np.maximum(np.maximum(west - xy[:, 0], xy[:, 0] - east), 0),
            np.maximum(np.maximum(south - xy[:, 1], xy[:, 1] - north), 0),
        )
        nearest = float(away.min()) if len(xy) else np.inf
        if nearest > NEAR_M:
            raise BoundaryRefused(
                "The trace comes no closer to the field than {distance} km. Give the boundary of the field "
                "it was driven in, with [longitude, latitude] in that order.",
                distance=f"{nearest / 1000:,.1f}",
            )
    elif apart > ACROSS_M:
        raise TraceRefused(
            "The traces cover ground {distance} km apart, which cannot be counted together. Measure each place alone.",
            distance=f"{apart / 1000:,.0f}",
        )


def _figures(count: JobCount, tool: ToolGeometry, counted: list[_Counted], read: _Read, row: float | None) -> dict:
    row = row or fitting_row(count.pieces())
    areas, inside = count.area_totals(row), count.field is not None
    every = area_totals(count.pieces(), None, row, target=count.target) if inside else areas
    stints = [_described(one) for one in counted]
    # strips are listed in a field only: without one the ground may be that of a whole season
    rows = count.rows_across() if inside and areas.covered else None
    recovered, gaps = (count.recovered(rows), count.gaps(rows)) if rows else ([], [])
    del rows
    worst = max(count.receivers(), key=lambda one: float(np.median(one.absolute)), default=None)
    proof = count.confidence() if areas.covered else None  # where nothing was counted nothing is claimed
    share = sum(area for n, area in areas.by_count.items() if n >= count.target) / (areas.field_area or 1.0)
    read.notes.extend(message("{name}: {note}", name=one.name, note=note) for one in counted for note in one.notes)
    seldom = [(one.name, said) for one in counted if (said := remark(one.gone))]
    notes = [*read.notes, *(message("{name}: {note}", name=name, note=said) for name, said in seldom)]
    fixes = read.fixes + read.dropped
    used = sum(one.gone.used for one in counted)
    reasons: dict[str, int] = {}
    for one in counted:
        for why, number in one.gone.rejected.items():
            reasons[why] = reasons.get(why, 0) + number
    # where two recordings meet, one fix is used by both
    reasons |= {UNREADABLE: read.dropped, TWICE: min(read.twice, fixes - used - read.dropped - sum(reasons.values()))}
    reasons[OUTSIDE if inside else ENDS] = fixes - used - sum(reasons.values())
    nothing = None
    if not areas.covered:
        nothing = why_nothing([one.gone for one in counted], any(one.spans for one in counted))
    return {
        "trace": {
            "fixes": fixes,
            "used": used,
            "rejected": fixes - used,
            "duration_s": sum(stint["duration_s"] for stint in stints),
            "length_m": sum(stint["length_m"] for stint in stints),
            "unknown_s": sum(stint["unknown_s"] for stint in stints),
            "reasons": {why: number for why, number in reasons.items() if number > 0},
        },
        "tool": {
            "width_m": tool.width,
            "hitch_m": tool.hitch,
            "antenna_to_hitch_m": tool.antenna_to_hitch,
            "side_m": tool.side,
            "sections_m": list(tool.sections),
        },
        "target": count.target,
        "cell_m": row,
        "sigma_m": _said(worst)["relative_m"] if worst else None,
        "receiver": worst and _said(worst),
        "area_m2": {
            "field": areas.field_area,
            "none": areas.none,
            "unknown": areas.unknown,
            "short_unknown": areas.short_unknown if inside else None,
            "covered": areas.covered,
            "pass_area": areas.pass_area,
            "by_count": {
                str(n): areas.by_count.get(n, 0.0) for n in range(1, max([count.target, *areas.by_count]) + 1)
            },
            "covered_outside": max(0.0, every.covered - areas.covered) if inside else 0.0,
            "pass_area_outside": max(0.0, every.pass_area - areas.pass_area) if inside else 0.0,
        },
        "recovered_m2": {"avoidable": areas.avoidable, "unavoidable": areas.unavoidable},
        "recovered": _listed(recovered, count.plane),
        "gaps": _listed(gaps, count.plane),
        "proof": proof
        and {
            "target": count.target,
            "share": share,
            "low": min(proof.low, share),
            "high": max(proof.high, share),
            "level": 0.9,
            "words": proof.words(),
        },
        "stints": stints,
        "notes": list(dict.fromkeys(map(str, notes))),
        "nothing": str(nothing) if nothing else None,
    }


def _described(one: _Counted) -> dict:
    """Return one stint for the JSON: what was counted of which file, and why."""
    return {
        "file": one.name,
        "fixes": one.fixes,
        "used": one.gone.used,
        "duration_s": one.gone.duration,
        "length_m": one.gone.length,
        "seconds": one.seconds,
        "unknown_s": one.seconds["unknown"],
        "interval_s": one.gone.interval,
        "max_gap_s": break_limit(one.gone.interval),
        "spans": [list(span) for span in one.spans],
        "why": str(one.why),
    }


def _listed(strips, plane):
    """Return gaps or re-covered strips as the plain objects of the JSON."""
    lat, lon = plane.to_latlon([(one.x, one.y) for one in strips]) if strips else ((), ())
    return [
        {
            "kind": one.kind,
            "area_m2": one.area,
            "width_m": one.width,
            "length_m": one.length,
            "certainty": one.certainty,
            "chance": None if one.lost else one.chance,
            "edge": one.edge,
            "lat": float(place[0]),
            "lon": float(place[1]),
        }
        for one, place in zip(strips, zip(lat, lon, strict=True), strict=True)
    ]


def _said(receiver):
    return {
        "basis": receiver.basis,
        "words": receiver.words,
        "relative_m": float(np.median(receiver.relative)),
        "absolute_m": float(np.median(receiver.absolute)),
    }
