"""What another logger recorded, cut into stints: one of each machine for each stay in a field.

`rollbook bring` writes these stints, `rollbook measure` counts the same ones in memory.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import shapely
from shapely.geometry import shape

from cabapp.common.message import Message, message
from cabapp.common.quantities import Distance, Duration, Length
from cabapp.counting.job_count import StintPath
from cabapp.geometry.plane import Plane
from cabapp.jobs.records.stint_state import StintState, stint_state
from cabapp.jobs.records.time_split import Hours, split
from cabapp.jobs.records.tool_parts import tap_of
from cabapp.jobs.records.work_intervals import LOST, Spans, idle_spans
from cabapp.position.boundaries.boundary_judge import kept_boundary
from cabapp.position.recordings.recording import RecordedTrack, Recording
from cabapp.track.activity import LEAST_S, LEFT_M, ActivitySpan, FieldStay, guess
from cabapp.track.logging_interval import break_limit, logging_interval
from cabapp.track.tool import ToolGeometry
from cabapp.track.usable_fixes import usable_fixes
from cabapp.track.work_switches import switches_of_columns
from store import Store
from store.errors import TraceRefused
from store.models import Field, Tap

SHORTEST_PART_S = 60.0
TOO_WIDE = 1.01
"""A stated width of more than this share of the tool's is another unit or another tool."""


@dataclass(frozen=True)
class DayPart:
    """Some time of the day with one thing done.

    `kind`: as `activity.KINDS`.
    `begin`, `end`: POSIX s.
    `stay`: the stay of a field it belongs to.
    `length`: how far was driven, m.
    `runs`: straight runs, where it was work.
    """

    day: RecordedDay
    kind: str
    begin: float
    end: float
    stay: FieldStay | None
    length: float
    runs: int


class RecordedTap(NamedTuple):
    """A tap as a recording makes it; `at`: POSIX s."""

    kind: str
    at: float
    detail: dict[str, Any]
    reason: str | None = None


@dataclass(frozen=True)
class RecordedStint:
    """The fixes of a stint, in order of time, its taps as they are written, and what a person should know."""

    track: RecordedTrack
    taps: list[RecordedTap]
    notes: tuple[Message, ...] = ()

    @cached_property
    def state(self) -> StintState:
        """What the taps say, as the logbook would read them."""
        rows = [Tap(id=str(n), **tap._asdict()) for n, tap in enumerate(self.taps)]
        return stint_state(float(self.track.t[0]), rows)

    def hours(self, path: StintPath, width: float) -> Hours:
        """Return its hours, as the logbook would split them, by the path as it was counted; `width` of the tool, m."""
        began, ended, state = float(self.track.t[0]), float(self.track.t[-1]), self.state
        idle = idle_spans(began, ended, state.switches, state.stops)
        return split(began, ended, state.work(ended), idle, path.t, path.xy, width, path.lost)[0]

    def inputs(self, key: str, tool: ToolGeometry) -> dict[str, Any]:
        """Return what the pass count needs of the stint, as `StintRecord.inputs`."""
        track = self.track
        sigma, hdop = (None if np.isnan(one).all() else one for one in (track.sigma, track.hdop))
        return {
            "key": key, "tool": tool, "switches": self.state.switches, "t": track.t, "lat": track.lat, "lon": track.lon,
            "sigma": sigma, "quality": track.quality, "hdop": hdop,
        }  # fmt: skip

    @property
    def spans(self) -> Spans:
        """When it worked, POSIX s."""
        return self.state.work(float(self.track.t[-1]))


@dataclass(frozen=True)
class RecordedDay:
    """What one machine recorded, with what it did where.

    Attributes
    ----------
    name : str
        Of the recording.
    track : RecordedTrack
        As the store keeps it.
    rows : ndarray of int, shape (n,)
        The fixes that can be used, in rising time.
    fields : tuple of Field
        What `FieldStay.field` and `ActivitySpan.field` point to.
    stretches, stays
        As `guess` gives them, over `rows`; the spells of work are those stated, where the recording states any.
    stated : bool
        Whether the recording states when the tool worked.
    """

    name: str
    track: RecordedTrack
    rows: np.ndarray
    fields: tuple[Field, ...]
    stretches: list[ActivitySpan]
    stays: list[FieldStay]
    stated: bool

    @property
    def worked(self) -> list[FieldStay]:
        """The stays in which something was done."""
        return [stay for stay in self.stays if stay.spells]

    @property
    def notes(self) -> list[Message]:
        """What a person should know of the time between stays: that the machine moved in a field, and nobody saw it.

        Notes: So long a silence is taken for time off, with the night among it, and leaves no unknown ground.
        """
        t, said = self.track.t[self.rows], []
        for one, other in itertools.pairwise(self.worked):
            a, b = one.last, other.first
            if one.field != other.field or b != a + 1:
                continue
            gone = float(np.hypot(*np.diff(_plane(self.track, self.rows[[a, b]])[1], axis=0)[0]))
            if gone >= LEFT_M:
                said.append(
                    message(
                        "No fix for {time}, and then it was {distance} from where it had been: taken for time off. If it "
                        "worked on, that ground is not counted.",
                        time=Duration(float(t[b] - t[a])), distance=Length(gone),
                    )
                )  # fmt: skip
        return said

    @property
    def parts(self) -> list[DayPart]:
        """The day in few parts, in order of time, for a person to agree to.

        Work with its turns is one part; of what lies between, the longest kind names it. What took
        less than `SHORTEST_PART_S` and was no work is left out.
        """
        return _parts(self)

    def stint(self, stay: FieldStay, tool: ToolGeometry) -> RecordedStint:
        """Return the stint of a stay, with the fixes without a position in it: those tell where reception was lost.

        Raises TraceRefused where the recording states sections or a width that the tool does not have.
        """
        rows = self.rows[stay.first : stay.last + 1]
        return _stint(self, self.track.at(slice(rows[0], rows[-1] + 1)), stay.spells, tool)

    @property
    def whole(self) -> FieldStay:
        """All that was recorded as one stay, at work throughout unless the recording states when."""
        track = self.track.at(slice(self.rows[0], self.rows[-1] + 1))
        spells = _stated(track) if self.stated else [(float(track.t[0]), float(track.t[-1]))]
        return FieldStay(0, 0, len(self.rows) - 1, tuple(spells), 0)


def look_at(store: Store, recording: Recording) -> list[RecordedDay]:
    """Cut a recording into the logbook's fields, one day for each machine; as `recorded_days`."""
    return recorded_days(store.all(Field), recording)


def recorded_days(fields: Iterable[Field], recording: Recording) -> list[RecordedDay]:
    """Do what `look_at` does with these fields; needs no store, so it may be done aside.

    Raises
    ------
    TraceRefused
        The recording has no dates, or no field has a boundary.
    """
    if not recording.dated:
        raise TraceRefused(
            "{name} carries no date, only times of day, so nobody can say which day it was. "
            "Record RMC or ZDA sentences too.",
            name=recording.name,
        )
    bounded = [field for field in fields if kept_boundary(field.boundary) is not None]
    if not bounded:
        raise TraceRefused("No field in this logbook has a boundary. Draw or read in one first.")
    return [cut(bounded, track.as_kept(), recording.name) for track in recording.tracks]


def cut(fields: Sequence[Field], track: RecordedTrack, name: str) -> RecordedDay:
    """Return where a machine's track, as the store keeps it, was in fields with a boundary, and what it did there.

    Raises
    ------
    TraceRefused
        No fix of it can be used.
    """
    usable = usable_fixes(track.t, track.lat, track.lon, track.quality).keep
    rows = np.flatnonzero(usable)
    if not len(rows):
        raise TraceRefused("{name} holds no fix that can be used. Choose another recording.", name=name)
    rows = rows[np.diff(track.t[rows], prepend=-np.inf) > 0]
    stated = any(one is not None for one in (track.working, track.width, track.sections))
    if not fields:
        return RecordedDay(name, track, rows, (), [], [], stated)
    plane, xy = _plane(track, rows)
    grounds = [
        shapely.transform(shape(kept_boundary(f.boundary)), lambda ll: plane.to_xy(ll[:, 1], ll[:, 0])) for f in fields
    ]
    stretches, stays = guess(track.t[rows], xy, grounds)
    if stated:
        t, told = track.t[rows], _stated(track.at(usable if track.switch is None else usable | track.switch))
        for n, one in enumerate(stays):
            inside = [(max(a, t[one.first]), min(b, t[one.last])) for a, b in told]
            stays[n] = replace(one, spells=tuple((float(a), float(b)) for a, b in inside if a < b))
    return RecordedDay(name, track, rows, tuple(fields), stretches, stays, stated)


def why_no_work(days: Sequence[RecordedDay]) -> Message:
    """Return why no work was found in days that have none."""
    away: list[tuple[float, str]] = []
    for day in days:
        plane, xy = _plane(day.track, day.rows)
        points = shapely.points(xy)
        for one in day.fields:
            ground = shapely.transform(
                shape(kept_boundary(one.boundary)), lambda ll, to=plane.to_xy: to(ll[:, 1], ll[:, 0])
            )
            away.append((float(np.nanmin(shapely.distance(ground, points))), one.name))
    nearest, name = min(away)
    if nearest > 0:
        return message(
            "No work was found in it: it came no closer than {distance} to {field}, the nearest field of this logbook.",
            distance=Distance(nearest), field=name,
        )  # fmt: skip
    if any(day.stated for day in days):
        return message("No work was found in it: it states that the tool did not work in any field of this logbook.")
    return message(
        "No work was found in it: in {fields} it went too few straight runs, or worked for less than "
        "{least}, which is taken for crossing. If it was work, bring it in by taps, under Set-up.",
        fields=tuple(dict.fromkeys(name for far, name in away if not far)), least=Duration(LEAST_S),
    )  # fmt: skip


def _plane(track: RecordedTrack, rows: np.ndarray) -> tuple[Plane, np.ndarray]:
    lat, lon = track.lat[rows], track.lon[rows]
    plane = Plane(float(lat[0]), float(lon[0]))
    return plane, plane.to_xy(lat, lon)


def _stated(track: RecordedTrack) -> Spans:
    """Return when the tool worked as a recording states it, each row until the next, POSIX s."""
    works = np.ones(len(track), bool) if track.working is None else track.working
    if track.sections is not None:
        works = works & track.sections.any(axis=1)
    elif track.width is not None:
        works = works & ~(track.width <= 0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], works[:-1], [False]]).astype(int)))
    return [(float(track.t[a]), float(track.t[b])) for a, b in edges.reshape(-1, 2)]


def _stint(
    day: RecordedDay, track: RecordedTrack, spells: Iterable[tuple[float, float]], tool: ToolGeometry
) -> RecordedStint:
    marked = {} if day.stated else {"guessed": True}
    keep = usable_fixes(track.t, track.lat, track.lon, track.quality, float(track.t[0])).keep
    t, span = track.t[keep], np.cumsum(track.begins)[keep]
    limit = break_limit(logging_interval(t))
    # a break that the file states is not driven through; a longer one is unknown by itself
    breaks = [n for n in np.flatnonzero(np.diff(span)) if 0 < t[n + 1] - t[n] <= limit]
    taps: list[RecordedTap] = []
    for begin, end in spells:
        inside = [float(one) for n in breaks for one in t[n : n + 2] if begin <= t[n] and t[n + 1] <= end]
        edges = [begin, *inside, end]
        for one, other in zip(edges[::2], edges[1::2]):
            if one < other:
                why = LOST if other != end else None
                taps += [
                    RecordedTap("restart" if taps else "start", one, marked),
                    RecordedTap("stop", other, marked, why),
                ]
    if track.width is not None or track.sections is not None:
        taps = sorted([*taps, *_part_taps(day, track, tool)], key=lambda tap: tap.at)
    notes: tuple[Message, ...] = ()
    if track.sections is not None and not tool.sections:
        notes = (
            message(
                "It states {count} sections, and no widths are written of this tool's: they were taken for equal parts of it. "
                "If they are not, give the width of each, from the left.",
                count=track.sections.shape[1],
            ),
        )
    return RecordedStint(track.received(), [*taps, RecordedTap("finish", float(track.t[-1]), marked)], notes)


def _part_taps(day: RecordedDay, track: RecordedTrack, tool: ToolGeometry) -> list[RecordedTap]:
    """Return the taps that say which part of the tool works, before those of work at the same time."""
    try:
        switches = switches_of_columns(track.t, tool, track.working, track.width, track.sections)
    except ValueError:
        count = 0 if track.sections is None else track.sections.shape[1]
        raise TraceRefused(
            "{name} states {count} sections, which the tool does not have. Give the width of each, from the left.",
            name=day.name, count=count,
        ) from None  # fmt: skip
    if track.width is not None and track.sections is None:
        beyond = (track.width > TOO_WIDE * tool.width) & (True if track.working is None else track.working)
        if beyond.any():
            raise TraceRefused(
                "{name} states a width of {width} m in {count} fixes, which is more than the tool's {most} m. Give the "
                "whole width of the tool; or name the unit in the header of the column, as width (ft) or width (cm).",
                name=day.name, width=f"{track.width[beyond].max():g}", count=f"{beyond.sum():,}", most=f"{tool.width:g}",
            )  # fmt: skip
    taps, now = [], ((), None)
    for one in switches:
        if one.working and (one.on, one.width) != now:
            now = one.on, one.width
            kind, detail = tap_of(*now)
            taps.append(RecordedTap(kind, one.t, detail))
    return taps


def _parts(day: RecordedDay) -> list[DayPart]:
    t = day.track.t[day.rows]
    _, xy = _plane(day.track, day.rows)
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    edges = {float(t[0]), float(t[-1])}
    for stay in day.stays:
        edges |= {float(t[stay.first]), float(t[stay.last]), *(edge for spell in stay.spells for edge in spell)}
    edges = sorted(edges)
    parts = []
    for begin, end in itertools.pairwise(edges):
        first, last = np.searchsorted(t, [begin, end])
        middle = int((first + last) // 2)
        stay = next((v for v in day.stays if v.first <= middle < max(v.last, v.first + 1)), None)
        spell = stay is not None and (begin, end) in stay.spells
        within = [s for s in day.stretches if s.first < last and s.last >= first]
        kind = "working" if spell else _longest(within, t, begin, end)
        runs = sum(s.kind == "working" for s in within) if spell else 0
        if spell or end - begin >= SHORTEST_PART_S:
            parts.append(DayPart(day, kind, begin, end, stay, float(gone[last] - gone[first]), runs))
    return parts


def _longest(stretches, t, begin, end) -> str:
    """Return the kind on which most of a time was spent."""
    spent: dict[str, float] = {}
    for one in stretches:
        until = t[min(one.last + 1, len(t) - 1)]
        spent[one.kind] = spent.get(one.kind, 0.0) + max(0.0, min(until, end) - max(t[one.first], begin))
    return max(spent, key=spent.get, default="unknown")
