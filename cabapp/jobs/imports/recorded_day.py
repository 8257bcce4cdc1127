"""Another logger's day cut into stints and written when agreed.

Its taps are marked as guessed (``cabapp.track.activity``); the trace is written as it was recorded.
"""

from __future__ import annotations

import hashlib
import itertools
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import shape

from cabapp.geometry.plane import Plane
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.new_stint import open_stint
from cabapp.jobs.records.stint_reader import last_stint, state_of
from cabapp.jobs.records.tap_log import written_taps
from cabapp.position.recordings.trace_file import TraceFile
from cabapp.track.activity import ActivitySpan, FieldStay, guess
from store import Store
from store.errors import TraceRefused
from store.models import Field, Stint, Tap

SHORTEST_PART_S = 60.0


@dataclass(frozen=True)
class DayPart:
    """Some time of the day with one thing done.

    Attributes
    ----------
    kind : str
        As `guessing.KINDS`.
    begin, end : float
        POSIX s.
    visit : FieldStay or None
        The visit of a field it belongs to.
    length : float
        How far was driven, m.
    runs : int
        Straight runs, where it was work.
    """

    kind: str
    begin: float
    end: float
    visit: FieldStay | None
    length: float
    runs: int


@dataclass(frozen=True)
class Agreed:
    """What a person agreed to of one part: that it was work, whose, and with what."""

    part: DayPart
    operator_id: str
    tractor_id: str
    tool_id: str
    operation: str


@dataclass(frozen=True)
class RecordedDay:
    """One trace with what was guessed of it.

    Attributes
    ----------
    trace : TraceFile
    rows : ndarray of int, shape (n,)
        Which fixes of the trace the guesses count: those with a position, in rising time.
    fields : tuple of Field
        What `FieldStay.field` and `ActivitySpan.field` point to.
    stretches, visits
        As `guess` gives them, over `rows`.
    mark : str
        Made from the trace alone, so that the same day is known again.
    """

    trace: TraceFile
    rows: np.ndarray
    fields: tuple[Field, ...]
    stretches: list[ActivitySpan]
    visits: list[FieldStay]
    mark: str

    @property
    def worked(self) -> list[FieldStay]:
        """The visits in which something was done."""
        return [visit for visit in self.visits if visit.spells]

    @property
    def parts(self) -> list[DayPart]:
        """The day in few parts, in order of time, for a person to agree to.

        Work with its turns is one part; of what lies between, the longest kind names it. What took
        less than `SHORTEST_PART_S` and was no work is left out.
        """
        return _parts(self)


def look_at(store: Store, trace: TraceFile) -> RecordedDay:
    """Cut a trace into the logbook's fields and guess what was done there.

    Raises
    ------
    TraceRefused
        The trace has no dates, or no field of the logbook has a boundary.
    """
    return cut(store.all(Field), trace)


def cut(fields, trace: TraceFile) -> RecordedDay:
    """Do what `look_at` does with these fields; needs no store, so it may be done aside."""
    if not trace.dated:
        raise TraceRefused(
            "{name} carries no date, only times of day, so nobody can say which day it was. "
            "Record RMC or ZDA sentences too.",
            name=trace.name,
        )
    fields = tuple(field for field in fields if field.boundary is not None)
    if not fields:
        raise TraceRefused("No field in this logbook has a boundary. Draw or read in one first.")
    usable = np.isfinite(trace.lat) & (trace.quality != 0)
    rows = np.flatnonzero(usable)
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(trace.t[rows])) > 0])
    rows = rows[rising]
    plane = Plane(float(np.median(trace.lat[rows])), float(np.median(trace.lon[rows])))
    grounds = [shapely.transform(shape(f.boundary), lambda ll: plane.to_xy(ll[:, 1], ll[:, 0])) for f in fields]
    xy = plane.to_xy(trace.lat[rows], trace.lon[rows])
    stretches, visits = guess(trace.t[rows], xy, grounds)
    told = np.column_stack([trace.t[rows], trace.lat[rows], trace.lon[rows]]).round(7)
    mark = hashlib.sha256(np.ascontiguousarray(told).tobytes()).hexdigest()[:12]
    return RecordedDay(trace, rows, fields, stretches, visits, mark)


def bring_in(
    store: Store, day: RecordedDay, visit: FieldStay, operator_id: str, tractor_id: str, tool_id: str,
    operation: str,
) -> Stint:  # fmt: skip
    """Write one visit as a finished stint; its taps are marked as guessed.

    Raises
    ------
    TraceRefused
        This visit is in the logbook already, or a stint is open on this tablet.
    TapRefused
        Somebody or something named is not in this logbook.
    """
    field = day.fields[visit.field]
    rows = day.rows[visit.first : visit.last + 1]
    t = day.trace.t
    receiver = f"{day.trace.name} ({day.mark})"
    _check_closed(store)
    begun = float(t[rows[0]])
    ended = float(t[rows[-1]])
    for stint in store.all(Stint):
        if stint.receiver and day.mark in stint.receiver:
            last = max((tap.at for tap in written_taps(store, stint.id)), default=stint.at)
            if stint.at < ended and begun < last:
                raise TraceRefused(
                    "The work on {field} in {name} is in this logbook already. It was not written again.",
                    field=field.name,
                    name=day.trace.name,
                )
    stint = open_stint(
        store, FarmSettings(store), begun, receiver,
        operator_id, tractor_id, tool_id, field.id, operation,
    )  # fmt: skip
    writer = store.trace(stint.id)
    # with the fixes without a position between them: those tell where reception was lost
    for n in range(rows[0], rows[-1] + 1):
        lat, lon = float(day.trace.lat[n]), float(day.trace.lon[n])
        known = lat == lat
        sigma, hdop, quality = float(day.trace.sigma[n]), float(day.trace.hdop[n]), int(day.trace.quality[n])
        writer.append(
            float(t[n]),
            lat if known else None,
            lon if known else None,
            sigma if sigma == sigma else None,
            quality if quality >= 0 else None,
            hdop if hdop == hdop else None,
        )
    writer.seal()
    kind = "start"
    for begin, end in visit.spells:
        _tap(store, stint, kind, begin)
        _tap(store, stint, "stop", end)
        kind = "restart"
    _tap(store, stint, "finish", float(t[rows[-1]]))
    return stint


def bring_in_agreed(store: Store, day: RecordedDay, agreed: list[Agreed]) -> list[Stint]:
    """Write what was agreed to, a stint for each visit of a field and each who, what and work.

    Raises
    ------
    TraceRefused, TapRefused
        As `bring_in`; what was written before stays.
    """
    groups: dict[tuple, list[Agreed]] = {}
    for one in sorted(agreed, key=lambda one: one.part.begin):
        who = (one.operator_id, one.tractor_id, one.tool_id, one.operation)
        groups.setdefault((one.part.visit.first, *who), []).append(one)
    alone = [key[0] for key in groups]
    t, written = day.trace.t[day.rows], []
    for (first, *who), ones in groups.items():
        visit = replace(ones[0].part.visit, spells=tuple((one.part.begin, one.part.end) for one in ones))
        if alone.count(first) > 1:
            # several stints in one visit: each has the fixes of its own time
            last = int(np.searchsorted(t, visit.spells[-1][1], side="right")) - 1
            visit = replace(visit, first=int(np.searchsorted(t, visit.spells[0][0])), last=last)
        written.append(bring_in(store, day, visit, *who))
    return written


def _parts(day: RecordedDay) -> list[DayPart]:
    t = day.trace.t[day.rows]
    if not len(t):
        return []
    plane = Plane(float(np.median(day.trace.lat[day.rows])), float(np.median(day.trace.lon[day.rows])))
    xy = plane.to_xy(day.trace.lat[day.rows], day.trace.lon[day.rows])
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    edges = {float(t[0]), float(t[-1])}
    for visit in day.visits:
        edges |= {float(t[visit.first]), float(t[visit.last]), *(edge for spell in visit.spells for edge in spell)}
    edges = sorted(edges)
    parts = []
    for begin, end in itertools.pairwise(edges):
        first, last = np.searchsorted(t, [begin, end])
        middle = int((first + last) // 2)
        visit = next((v for v in day.visits if v.first <= middle < max(v.last, v.first + 1)), None)
        spell = visit is not None and (begin, end) in visit.spells
        within = [s for s in day.stretches if s.first < last and s.last >= first]
        kind = "working" if spell else _longest(within, t, begin, end)
        runs = sum(s.kind == "working" for s in within) if spell else 0
        if spell or end - begin >= SHORTEST_PART_S:
            parts.append(DayPart(kind, begin, end, visit, float(gone[last] - gone[first]), runs))
    return parts


def _longest(stretches, t, begin, end) -> str:
    """Return the kind on which most of a time was spent."""
    spent: dict[str, float] = {}
    for one in stretches:
        until = t[min(one.last + 1, len(t) - 1)]
        spent[one.kind] = spent.get(one.kind, 0.0) + max(0.0, min(until, end) - max(t[one.first], begin))
    return max(spent, key=spent.get, default="unknown")


def _tap(store, stint, kind, at):
    store.add(Tap(stint_id=stint.id, kind=kind, at=at, detail={"guessed": True}))


def _check_closed(store):
    last = last_stint(store)
    if last and state_of(store, last).state in stint_state.OPEN:
        raise TraceRefused("A stint is open on this tablet. Finish it or hand it over, then bring the day in.")
