"""A recorded day written into the logbook: what is new of it, by whom, with what; all of it or nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from cabapp.common.message import Message, message
from cabapp.common.quantities import ClockTime, Duration
from cabapp.jobs.imports.known_work import KnownWork, common_time, rest_of
from cabapp.jobs.imports.recorded_day import DayPart, RecordedDay
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.new_stint import hitching_of, open_stint, width_of
from cabapp.jobs.records.stint_reader import StintRecord, last_stint, read_stint, state_of, tool_of
from cabapp.jobs.records.tool_parts import sections_of
from cabapp.jobs.records.work_intervals import Spans
from cabapp.position.recordings.machine_split import OVERLAP_S
from cabapp.track.activity import FieldStay
from cabapp.track.tool import ToolGeometry
from cabapp.track.usable_fixes import LONGEST_STINT
from store import Store
from store.errors import TraceRefused
from store.models import Field, Job, Operator, Stint, Tap, Tool, Tractor

WHO = {"operator_id": Operator, "tractor_id": Tractor, "tool_id": Tool}


class TwiceAtWork(TraceRefused):
    """Somebody or something would work in two stints at the same time; `number` is that of the stay, from 0."""

    number = 0


@dataclass(frozen=True)
class Agreed:
    """What a person agreed to of one part: that it was work, whose, and with what."""

    part: DayPart
    operator_id: str
    tractor_id: str
    tool_id: str
    operation: str


@dataclass(frozen=True)
class AgreedStay:
    """A stay of a field that was work, whose, and with what."""

    day: RecordedDay
    stay: FieldStay
    operator_id: str
    tractor_id: str
    tool_id: str
    operation: str

    @property
    def name(self) -> str:
        """Name of the field."""
        return self.day.fields[self.stay.field].name


@dataclass(frozen=True)
class BroughtDay:
    """The stints written, with the number of the stay each is of, from 0, and what a person should know."""

    stints: list[tuple[int, Stint]]
    notes: list[Message]


class LogbookWork:
    """The stints of a logbook about the time of recorded stays, each read once."""

    def __init__(self, store: Store) -> None:
        self._store, self._corrections = store, Corrections(store)
        self._rows = [(self._corrections.apply(one).at, one) for one in self._corrections.standing(store.all(Stint))]
        self._read: dict[str, tuple[StintRecord, KnownWork]] = {}

    def about(self, day: RecordedDay, stay: FieldStay) -> list[tuple[StintRecord, KnownWork]]:
        """Return the stints that may have been at the time of a stay, with what is known by them."""
        begin, end = day.track.t[day.rows[[stay.first, stay.last]]]
        return [self._one(row) for at, row in self._rows if begin - LONGEST_STINT < at <= end]

    def rest_of(self, day: RecordedDay, stay: FieldStay) -> tuple[list[FieldStay], float]:
        """Return what of a stay is not in the logbook, as `known_work.rest_of`."""
        return rest_of(day, stay, [known for _, known in self.about(day, stay)])

    def _one(self, row: Stint) -> tuple[StintRecord, KnownWork]:
        if row.id not in self._read:
            record = read_stint(self._store, row, self._corrections)
            trace = record.trace
            # where work was guessed, the rest of the trace says nothing of work
            guessed = any((tap.detail or {}).get("guessed") for tap in record.taps)
            spans = record.standing.work(record.ended) if guessed else None
            self._read[row.id] = record, KnownWork(trace.t, trace.lat, trace.lon, trace.quality, spans)
        return self._read[row.id]


def left_out(seconds: float) -> Message:
    """Return the sentence on work that is in the logbook already."""
    return message("{time} of it is in the logbook already and is left out.", time=Duration(seconds))


def bring_in(store: Store, stays: Sequence[AgreedStay]) -> BroughtDay:
    """Write what is new of stays as finished stints; taps that are guessed are marked so.

    Raises
    ------
    TraceRefused
        All of this work is in the logbook already, by whatever file or tablet, or a stint is open on this tablet.
    TwiceAtWork
        Somebody or something would work twice at the same time.
    TapRefused
        Somebody or something named is not in this logbook.
    """
    _check_closed(store)
    logbook, notes = LogbookWork(store), []
    pieces: list[tuple[int, AgreedStay]] = []
    there: list[TraceRefused] = []
    for number, one in enumerate(stays):
        rest, known_s = logbook.rest_of(one.day, one.stay)
        pieces += [(number, replace(one, stay=stay)) for stay in rest]
        if not rest:
            there.append(
                TraceRefused(
                    "The work on {field} in {name} is in this logbook already. It was not written again.",
                    field=one.name, name=one.day.name,
                )
            )  # fmt: skip
            notes.append(there[-1].message)
        elif known_s:
            notes.append(left_out(known_s))
    if there and not pieces:
        raise there[0]
    _check_once_at_work(store, logbook, stays, pieces)
    for _, one in pieces:
        if tool := store.get(Tool, one.tool_id):  # what it does not have is refused before anything is written
            hitching = hitching_of(store, one.tractor_id, one.tool_id)
            width = width_of(tool, hitching)
            stint = one.day.stint(one.stay, ToolGeometry(width, sections=sections_of(tool.sections, width)))
            notes += [note for note in stint.notes if note not in notes]
    return BroughtDay([(n, _write(store, one)) for n, one in pieces], notes)


def _write(store: Store, one: AgreedStay) -> Stint:
    day, stay = one.day, one.stay
    begin = float(day.track.t[day.rows[stay.first]])
    stint = open_stint(
        store, FarmSettings(store), begin, day.name,
        one.operator_id, one.tractor_id, one.tool_id, day.fields[stay.field].id, one.operation,
    )  # fmt: skip
    recorded = day.stint(stay, tool_of(stint))
    writer = store.trace(stint.id)
    for fix in recorded.track.fixes():
        writer.append(fix.t, fix.lat, fix.lon, fix.sigma, fix.quality, fix.hdop)
    writer.seal()
    for tap in recorded.taps:
        store.add(Tap(stint_id=stint.id, **tap._asdict()))
    return stint


def _check_once_at_work(
    store: Store, logbook: LogbookWork, stays: Sequence[AgreedStay], pieces: list[tuple[int, AgreedStay]]
) -> None:
    """Refuse what would have somebody or something work in two stints at the same time.

    Notes
    -----
    A stint of the same machine at the same place is no other work: where it lost reception this may fill it.
    """
    for n, (number, one) in enumerate(pieces):
        whole = stays[number]
        others: list[tuple[Stint | AgreedStay, Spans]] = [
            (record.row, record.standing.work(record.ended))
            for record, known in logbook.about(one.day, one.stay)
            if not known.has_of(whole.day, whole.stay)
        ]
        others += [(other, list(other.stay.spells)) for _, other in pieces[:n]]
        for other, spans in others:
            both = common_time(one.stay.spells, spans)
            if sum(b - a for a, b in both) <= OVERLAP_S:
                continue
            names = [store.get(of, getattr(one, id)).name for id, of in WHO.items()
                     if getattr(one, id) == getattr(other, id) and store.get(of, getattr(one, id))]  # fmt: skip
            if names:
                raise _twice(store, tuple(names), both, number, one, other)


def _twice(
    store: Store, names: tuple[str, ...], both: Spans, number: int, one: AgreedStay, other: Stint | AgreedStay
) -> TwiceAtWork:
    """Return the refusal: who, when and where."""
    said: dict[str, Any] = {
        "names": names, "begin": ClockTime(both[0][0]), "end": ClockTime(both[-1][1]), "field": one.name, "file": one.day.name,
    }  # fmt: skip
    if isinstance(other, AgreedStay):
        refused = TwiceAtWork(
            "{names} cannot work in two places at the same time: {file} has two machines at work from {begin} to {end}, "
            "on {field} and on {other}. Nothing was written. Bring in each by itself, and say who and what it was.",
            other=other.name, **said,
        )  # fmt: skip
    else:
        job = store.get(Job, other.job_id)
        ground = job and store.get(Field, job.field_id)
        refused = TwiceAtWork(
            "{names} cannot work in two places at the same time: on {field} in {file} from {begin} to {end}, and on {other} "
            "in this logbook. Nothing was written. Say who and what it was.",
            other=ground.name if ground else "?", **said,
        )  # fmt: skip
    refused.number = number
    return refused


def bring_in_agreed(store: Store, agreed: list[Agreed]) -> BroughtDay:
    """Write what was agreed to, as `bring_in`: stints for each stay of a field and each who, what and work."""
    groups: dict[tuple, list[Agreed]] = {}
    for one in sorted(agreed, key=lambda one: one.part.begin):
        who = (one.operator_id, one.tractor_id, one.tool_id, one.operation)
        groups.setdefault((id(one.part.day), one.part.stay.first, *who), []).append(one)
    alone = [key[:2] for key in groups]
    stays = []
    for (which, first, *who), ones in groups.items():
        day = ones[0].part.day
        t = day.track.t[day.rows]
        stay = replace(ones[0].part.stay, spells=tuple((one.part.begin, one.part.end) for one in ones))
        if alone.count((which, first)) > 1:
            # several stints in one stay: each has the fixes of its own time
            last = int(np.searchsorted(t, stay.spells[-1][1], side="right")) - 1
            stay = replace(stay, first=int(np.searchsorted(t, stay.spells[0][0])), last=last)
        stays.append(AgreedStay(day, stay, *who))
    return bring_in(store, stays)


def _check_closed(store: Store) -> None:
    last = last_stint(store)
    if last and state_of(store, last).state in stint_state.OPEN:
        raise TraceRefused("A stint is open on this tablet. Finish it or hand it over, then bring the day in.")
