"""The record of one job: all rows about it, and its count."""

import logging
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TypeVar

from cabapp.common.farm_format import FarmFormat, words_of
from cabapp.common.message import message
from cabapp.common.quantities import DayAndTime
from cabapp.common.rendering import render
from cabapp.common.wording import verb
from cabapp.counting.areas.area_totals import AreaTotals, area_totals
from cabapp.counting.job_count import JobCount
from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.jobs.pass_counts.nothing_counted import driven, remark, why_nothing
from cabapp.jobs.pass_counts.odd_details import odd_taps
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import order_of
from cabapp.jobs.records.dating.stint_rows import handovers_of, jobs_by_stint
from cabapp.jobs.records.stint_reader import StintRecord
from cabapp.reports.model.parcel_split import outline
from store import Store, models
from store.errors import Message, Refused

log = logging.getLogger(__name__)

Made = TypeVar("Made")


@dataclass
class JobRecord:
    """One operation on one field in one season.

    `gaps`: empty without a boundary, or where nothing was counted.
    `marks`: the field's, without those taken back.
    `hand_overs`: ``(HandOver, [HandOverReceipt, ...])``.
    `names`: name by id of operators, tractors and tools.
    `parcels`: each with its part of the field on the plane; None where it is no polygon.
    `held`: sentences on the stints that are left out, for they cannot be read or counted.
    `outlines`, `history`: of the map's classes and its script; kept once they are made.
    """

    farm: models.Farm | None
    format: FarmFormat
    field: models.Field
    job: models.Job
    stints: list[StintRecord]
    count: JobCount
    totals: AreaTotals
    gaps: list
    marks: list
    hand_overs: list
    corrections: list
    names: dict[str, str]
    parcels: list = field(default_factory=list)
    held: list[Message] = field(default_factory=list)
    outlines: tuple | None = None
    history: dict | None = None

    @cached_property
    def proof(self):
        """The interval of `JobCount.confidence`, calculated once; None where nothing was counted."""
        return self.count.confidence() if self.totals.covered else None

    @property
    def remarks(self) -> list[str]:
        """Why nothing was counted of a stint, or why it can be counted with doubt only, in words."""
        said = [(stint, stint.nothing or stint.seldom) for stint in self.stints]
        when = self.format.when
        return [f"{s.operator}, {when(s.row.at)}: {render(one, farm=self.format)}" for s, one in said if one]

    @property
    def gate(self) -> tuple[float, float] | None:
        """Latitude and longitude of the gate, degrees."""
        if self.field.gate_lat is None or self.field.gate_lon is None:
            return None
        return self.field.gate_lat, self.field.gate_lon

    @property
    def ground(self) -> float:
        """The field's area where it is known, else the ground covered, m2."""
        return self.totals.covered if self.totals.field_area is None else self.totals.field_area

    @property
    def done(self) -> str:
        """The operation as done: "rolled"."""
        return verb(self.job.operation).lower()

    def latlon(self, x: float, y: float) -> tuple[float, float]:
        """Return latitude and longitude, degrees, of a place on the plane, m."""
        lat, lon = self.count.plane.to_latlon([[x, y]])
        return float(lat[0]), float(lon[0])

    def giver(self, row: models.HandOver) -> str:
        """Return the operator of the stint that was handed over."""
        return next((s.operator for s in self.stints if s.row.id == row.stint_id), "?")

    @property
    def reached(self) -> float:
        """Ground covered as often as is wanted there, m2; once is enough on once-only ground."""
        if self.field.once_only:
            return self.count.areas()["done"]
        return sum(area for n, area in self.totals.by_count.items() if n >= self.job.target)

    @property
    def seen(self) -> bool:
        """Whether any position of the work was known; without one its ground is unknown."""
        return _seen(self.stints)

    @property
    def began(self) -> float:
        """When the first stint was taken over, POSIX s."""
        return self.stints[0].row.at

    @property
    def ended(self) -> float:
        """When the last stint ended, POSIX s."""
        return max(stint.ended for stint in self.stints)


def jobs_of(store: Store, *, field: str | None = None, job: str | None = None, stint: str | None = None) -> list:
    """Return the jobs that fit and have a stint, oldest first.

    `field` is a name (letter case ignored) or an id; `job` and `stint` begin an id.

    Raises Refused: nothing fits.
    """
    jobs, by_stint = store.all(models.Job), jobs_by_stint(store, Corrections(store))
    names = {row.id: row.name for row in store.all(models.Field)}
    worked = set(by_stint.values())
    found = [row for row in jobs if row.id in worked]
    if field is not None:
        known = ", ".join(sorted(names.values())) or "none yet"
        wanted = {i for i, name in names.items() if field == i or field.casefold() == name.casefold()}
        if not wanted:
            raise Refused(
                "There is no field called {field!r} in this logbook. Its fields: {known}.", field=field, known=known
            )
        found = [row for row in found if row.field_id in wanted]
    if job is not None:
        found = [row for row in found if row.id.startswith(job)]
    if stint is not None:
        of = {job for id, job in by_stint.items() if id.startswith(stint)}
        found = [row for row in found if row.id in of]
    if not found:
        raise Refused("No work that fits is in this logbook, so there is nothing to write.")
    return found


class JobHeld(Refused):
    """None of a job's stints can be read or counted."""


def unless_held(store: Store, job: models.Job, work: Callable[[], Made]) -> Made | Message:
    """Return what the work on a job returns, or why the job is left out: it is logged, and stops no other job."""
    try:
        return work()
    except Exception as fault:
        if isinstance(fault, (Refused, OSError)) and not isinstance(fault, JobHeld):
            raise  # the folder cannot be written, say: that holds for all of them
        log.exception("job %s is left out", job.id)
        field = store.get(models.Field, job.field_id)
        why = fault.message if isinstance(fault, JobHeld) else f"{type(fault).__name__}: {fault}"[:200]
        return message(
            "{field}, {operation} {season}, is left out. {why}",
            field=field.name if field else "?", operation=Message(job.operation), season=job.season, why=why,
        )  # fmt: skip


def read_job(store: Store, job: models.Job, until: models.HandOver | None = None) -> JobRecord:
    """Read a job that has a stint and count it; `until` leaves out what was written after that hand-over.

    Raises JobHeld: none of its stints can be read or counted; it says why.
    """
    farms = store.all(models.Farm)
    farm = farms[0] if farms else None
    corrected = Corrections(store)
    assembled = assemble(store, job, until=until, place=(0.0, 0.0), corrections=corrected)
    land, stints, count = assembled.field, assembled.stints, assembled.count
    if not stints:
        if assembled.held:
            raise JobHeld(assembled.held[0].said)
        raise JobHeld("No work is left in it.")
    rows = [stint.row for stint in stints]
    void = [row for row in store.all(models.Stint) if row.id in corrected.void]
    void = [row for row in void if corrected.moved.get(row.id, row.job_id) == job.id]
    twice = [
        message(
            "The recording of {operator}, {when}, was brought in twice, on two machines. It counts once.",
            operator=assembled.names.get(row.operator_id, "?"), when=DayAndTime(row.at),
        )
        for row in void if row.id in corrected.twice
    ]  # fmt: skip
    for stint, pieces, path in zip(stints, count.pieces(), assembled.paths, strict=True):
        alone = area_totals([pieces], count.field, width=stint.row.width_m, target=job.target)
        stint.covered, stint.pass_area = alone.covered, alone.pass_area
        gone = driven(path, count.field)
        stint.seldom = remark(gone)
        if not alone.covered:
            stint.nothing = why_nothing([gone], bool(stint.standing.work(stint.ended)))
    receipts = defaultdict(list)
    for row in store.all(models.HandOverReceipt):
        receipts[row.hand_over_id].append(row)
    overs = handovers_of(store, corrected, job.id)
    marks = [corrected.apply(row) for row in store.all(models.Mark, field_id=land.id)]
    parcels = sorted(store.all(models.Parcel, field_id=land.id), key=lambda row: (row.name, row.id))
    about = {row.id for row in [job, land, *rows, *void, *marks, *overs]}
    about |= {row.id for stint in stints for row in [*stint.taps, *stint.fuelled]}
    totals = count.area_totals()
    return JobRecord(
        farm, words_of(farm), land, job, stints, count, totals,
        count.gaps() if totals.covered else [],
        [mark for mark in marks if mark.id not in corrected.void and (until is None or order_of(mark) < order_of(until))],
        [(row, receipts[row.id]) for row in overs],
        [row for row in corrected.rows if row.corrects_id in about],
        assembled.names, [(row, outline(row, count)) for row in parcels],
        [one.said for one in assembled.held] + odd_taps(store, [row.id for row in rows]) + twice,
    )  # fmt: skip


def _seen(stints: list[StintRecord]) -> bool:
    return any(len(stint.trace.t) for stint in stints)
