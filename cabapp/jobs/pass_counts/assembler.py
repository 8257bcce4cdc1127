"""The assembler: the rows of a job in the logbook become its pass count.

Cab, reports and commands all count a job here, so that they give equal cells and areas. No other module
calls ``JobCount.add_stint`` or ``JobCount.add_seeding``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cabapp.counting.job_count import JobCount, StintPath
from cabapp.jobs.pass_counts.held_stints import HeldStint, HeldStints
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import order_of
from cabapp.jobs.records.dating.stint_rows import stints_of
from cabapp.jobs.records.stint_reader import StintRecord, read_stint
from cabapp.jobs.records.work_intervals import Span, Spans
from cabapp.position.boundaries.boundary_judge import kept_boundary, kept_part
from cabapp.track.receiver_error import ReceiverError
from cabapp.track.usable_fixes import usable_fixes
from store import Store
from store.models import Field, Job, Operator, Record, Stint, Tool, Tractor

Place = tuple[float, float]


@dataclass(frozen=True)
class AssembledJob:
    """The pass count of a job, the stints it was assembled from by their start, and names by id.

    `settled` says that its plane stays: it lies on the boundary, or where work began. `paths` are those of the stints;
    `held` are stints that are left out, for they cannot be read or counted.
    """

    field: Field
    job: Job
    stints: list[StintRecord]
    count: JobCount
    names: dict[str, str]
    settled: bool = True
    paths: Sequence[StintPath] = ()
    held: tuple[HeldStint, ...] = ()


def assemble(
    store: Store,
    job: Job,
    *,
    until: Record | None = None,
    without: str | None = None,
    place: Place | None = None,
    corrections: Corrections | None = None,
) -> AssembledJob | None:
    """Return the pass count of a job; None where nothing says where it lies.

    Parameters
    ----------
    store : Store
    job : store.models.Job
    until : store.models.Record, optional
        Only stints written before this row was.
    without : str, optional
        Id of a stint that is not counted: the one that is counted live.
    place : tuple of float, optional
        Latitude and longitude, degrees, of a field without boundary where no earlier work has a place.
    corrections : Corrections, optional
        Those of the store, where they have been read.
    """
    corrections = corrections or Corrections(store)
    field = store.get(Field, job.field_id)
    if field is None:
        return None
    names = _names(store)
    held = HeldStints(names)

    def read(row: Stint) -> StintRecord | None:
        return held.attempt(row, lambda: read_stint(store, row, corrections, names))

    rows = stints_of(store, job.id, corrections)
    rows = [row for row in rows if until is None or order_of(row) < order_of(until)]
    # by the time they were taken over, for a recording of earlier work may have been brought in later
    stints = sorted(filter(None, map(read, rows)), key=lambda one: (one.row.at, one.row.id))
    boundary, centre, worked = kept_boundary(field.boundary), None, None
    if boundary is None:
        traces = [(stint.trace, stint.row.at, stint.standing.work(np.inf)) for stint in stints]
        worked = centre_of(traces, worked=True)
        centre = worked or place or centre_of(traces, worked=False)
        if centre is None:
            return None
    stints = [stint for stint in stints if stint.row.id != without]
    count = JobCount(boundary, job.target, centre=centre, once=kept_part(field.once_only))
    if job.operation != "seeding":
        # passes made before the ground was seeded are void
        for seeding in store.all(Job, field_id=field.id, season=job.season, operation="seeding"):
            for row in stints_of(store, seeding.id, corrections):
                held.attempt(row, lambda: count.add_seeding(**read_stint(store, row, corrections).inputs))  # noqa: B023
    paths = {
        stint.row.id: held.attempt(stint.row, lambda: _count(count, stint, _told(stint, stints)))  # noqa: B023
        for stint in stints
    }
    counted = [stint for stint in stints if paths[stint.row.id] is not None]
    return AssembledJob(
        field, job, counted, count, names, boundary is not None or worked is not None,
        [path for path in paths.values() if path is not None], tuple(held.held.values()),
    )  # fmt: skip


def _told(stint: StintRecord, stints: Iterable[StintRecord]) -> Spans:
    """Return when the tractor of a stint worked as other stints tell, which the recording of a day may overlap."""
    others = (one for one in stints if one is not stint and one.row.tractor_id == stint.row.tractor_id)
    return [span for one in others for span in one.standing.work(one.ended)]


def _count(count: JobCount, stint: StintRecord, told: Spans) -> StintPath:
    """Count a stint and split its hours; nothing of it is counted where that fails."""
    path = count_stint(count, stint.row.at, stint.inputs, told=told)
    try:
        stint.split_hours(path.t, path.xy, path.lost)
    except Exception:
        count.leave_out(stint.row.id)
        raise
    return path


def count_stint(
    count: JobCount,
    start: float,
    inputs: dict[str, Any],
    receiver: ReceiverError | None = None,
    told: Iterable[Span] = (),
) -> StintPath:
    """Count one whole stint that began at `start`, POSIX s, of a logbook or of a file.

    `receiver` as a person states it; of the spans `told` others tell where its machine went.
    """
    return count.add_stint(start=start, receiver=receiver, told=told, **inputs)


def centre_of(traces: Iterable[tuple[Any, float, Spans]], worked: bool) -> Place | None:
    """Return where the plane of a field without boundary is laid: the first usable fix of its job, at work or at all.

    Latitude and longitude, degrees; None without a usable fix. Of each stint, in order of their start: its fixes as
    columns, when it began, POSIX s, and its spans of work.
    """
    for trace, start, spans in traces:
        place = first_place(trace.t, trace.lat, trace.lon, trace.quality, start, spans if worked else None)
        if place is not None:
            return place
    return None


def first_place(
    t: np.ndarray, lat: np.ndarray, lon: np.ndarray, quality: np.ndarray, since: float, spans: Spans | None = None
) -> Place | None:
    """Return the first usable place of the columns of a trace, in spans if given, degrees; None without one."""
    keep = usable_fixes(t, lat, lon, quality, since).keep
    if spans is not None:
        keep &= np.any([(t > begin) & (t <= end) for begin, end in spans] or [np.zeros(len(t), bool)], axis=0)
    found = np.flatnonzero(keep)
    return (float(lat[found[0]]), float(lon[found[0]])) if len(found) else None


def _names(store: Store) -> dict[str, str]:
    """Return the names of operators, tractors and tools by id, also of those no longer there."""
    models: tuple[type[Operator | Tractor | Tool], ...] = (Operator, Tractor, Tool)
    return {row.id: row.name for model in models for gone in (True, False) for row in store.all(model, gone=gone)}
