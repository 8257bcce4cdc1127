"""Everything a log says about one job, gathered from a store and counted afresh.

Knows no page. Nothing is written to the store.
"""

from collections import defaultdict
from dataclasses import dataclass, field, replace

import numpy as np

from cabapp.coverage.gaps import Gap
from cabapp.coverage.hygiene import clean
from cabapp.coverage.job import JobCount
from cabapp.coverage.sweep import Sweeper
from cabapp.coverage.tally import Tally, tally
from cabapp.coverage.tool import Tool
from cabapp.pages.figures import Words
from cabapp.session.count import taps_of, tool_of
from cabapp.session.rules import Standing, standing, standing_taps
from cabapp.units import Units
from store import Store, models
from store.errors import Refused


@dataclass
class StintLog:
    """One operator's part.

    Attributes
    ----------
    row : store.models.Stint
    operator, tractor, tool : str
        Names.
    taps : list of store.models.Tap
        All of them, undone ones too, in the order made.
    undone : set of str
        Ids of taps taken back, and of the undo taps.
    standing : Standing
        What the taps say: state, switches.
    ended : float
        Finish or hand-over; else the last that is known. POSIX s.
    ended_by : str
        "finish", "hand_over", or "" when the stint is still open.
    working_s : float
        Seconds with work going on.
    stopped : dict of str to float
        Seconds not working, by reason.
    trace : store Trace
    lost : list of tuple of float
        Spans while working without a trustworthy position, POSIX s.
    covered, pass_area : float
        m2, of this stint alone: net, and summed over its passes.
    fuel : list of store.models.FuelEntry
    """

    row: models.Stint
    operator: str
    tractor: str
    tool: str
    taps: list
    undone: set
    standing: Standing
    ended: float
    ended_by: str
    working_s: float
    stopped: dict[str, float]
    trace: object
    lost: list = field(default_factory=list)
    covered: float = 0.0
    pass_area: float = 0.0
    fuel: list = field(default_factory=list)


@dataclass
class JobLog:
    """One operation on one field in one season.

    Attributes
    ----------
    farm : store.models.Farm or None
    words : Words
        How times, areas and places are said on this farm.
    field : store.models.Field
    job : store.models.Job
    stints : list of StintLog
        In order of time.
    count : JobCount
        The pass count over all stints.
    tally : Tally
    gaps : list of cabapp.coverage.gaps.Gap
        Empty without a boundary.
    marks : list of store.models.Mark
        The field's; those taken back are left out.
    hand_overs : list of tuple
        ``(HandOver, [HandOverReceipt, ...])``.
    corrections : list of store.models.Correction
    names : dict of str to str
        Name by id of operators, tractors and tools.
    """

    farm: models.Farm | None
    words: Words
    field: models.Field
    job: models.Job
    stints: list[StintLog]
    count: JobCount
    tally: Tally
    gaps: list
    marks: list
    hand_overs: list
    corrections: list
    names: dict[str, str]

    @property
    def gate(self) -> tuple[float, float] | None:
        """Latitude and longitude of the gate, degrees."""
        if self.field.gate_lat is None or self.field.gate_lon is None:
            return None
        return self.field.gate_lat, self.field.gate_lon

    @property
    def began(self) -> float:
        """When the first stint was taken over, POSIX s."""
        return self.stints[0].row.at

    @property
    def ended(self) -> float:
        """When the last stint ended, POSIX s."""
        return max(stint.ended for stint in self.stints)


def jobs_of(
    store: Store, *, field: str | None = None, job: str | None = None, stint: str | None = None
) -> list:
    """Return the jobs asked for that have at least one stint, oldest first.

    Parameters
    ----------
    store : Store
    field : str, optional
        A field's name or id, the case of letters left aside.
    job, stint : str, optional
        An id, or the beginning of one.

    Raises
    ------
    Refused
        When nothing fits.
    """
    jobs, stints = store.all(models.Job), store.all(models.Stint)
    names = {row.id: row.name for row in store.all(models.Field)}
    worked = {row.job_id for row in stints}
    found = [row for row in jobs if row.id in worked]
    if field is not None:
        known = ", ".join(sorted(names.values())) or "none yet"
        wanted = {
            i for i, name in names.items() if field == i or field.casefold() == name.casefold()
        }
        if not wanted:
            raise Refused(
                f"There is no field called {field!r} in this logbook. Its fields: {known}."
            )
        found = [row for row in found if row.field_id in wanted]
    if job is not None:
        found = [row for row in found if row.id.startswith(job)]
    if stint is not None:
        of = {row.job_id for row in stints if row.id.startswith(stint)}
        found = [row for row in found if row.id in of]
    if not found:
        raise Refused("No work that fits is in this logbook, so there is nothing to write.")
    return found


def gather(store: Store, job: models.Job, until: float | None = None) -> JobLog:
    """Read one job with its stints and count it.

    Parameters
    ----------
    store : Store
    job : store.models.Job
        With at least one stint.
    until : float, optional
        Only stints taken over before this, POSIX s; the default is all.

    Returns
    -------
    JobLog
    """
    farms = store.all(models.Farm)
    farm = farms[0] if farms else None
    words = Words(farm.timezone if farm else "UTC", Units(farm.units if farm else "us"))
    names = {
        row.id: row.name
        for model in (models.Operator, models.Tractor, models.Tool)
        for row in store.all(model)
    }
    land = store.get(models.Field, job.field_id)
    rows = sorted(store.all(models.Stint, job_id=job.id), key=lambda row: (row.at, row.id))
    rows = [row for row in rows if until is None or row.at < until]
    stints = [_stint(store, row, names) for row in rows]
    count = count_job(land, job, stints)
    for log, pieces in zip(stints, count.pieces(), strict=True):
        alone = tally([pieces], count.field, width=log.row.width_m, target=job.target)
        log.covered, log.pass_area = alone.covered, alone.pass_area
    corrections = store.all(models.Correction)
    void = {row.corrects_id for row in corrections if (row.detail or {}).get("void")}
    receipts = defaultdict(list)
    for row in store.all(models.HandOverReceipt):
        receipts[row.hand_over_id].append(row)
    overs = sorted(store.all(models.HandOver, job_id=job.id), key=lambda row: row.at)
    marks = store.all(models.Mark, field_id=land.id)
    about = {row.id for row in [job, land, *rows, *marks, *overs]}
    about |= {row.id for log in stints for row in [*log.taps, *log.fuel]}
    for log in stints:
        log.fuel = [entry for entry in log.fuel if entry.id not in void]
    return JobLog(
        farm, words, land, job, stints, count, count.tally(),
        [_doubted(gap, count) for gap in count.gaps()],
        [mark for mark in marks if mark.id not in void and (until is None or mark.at < until)],
        [(row, receipts[row.id]) for row in overs],
        [row for row in corrections if row.corrects_id in about],
        names,
    )  # fmt: skip


def _doubted(gap: Gap, count: JobCount) -> Gap:
    """A gap on ground crossed with no position: nobody can tell whether it is one."""
    a, b, _, d = gap.ring
    u, v = (np.linspace(0, 1, max(2, int(np.hypot(*side)))) for side in (b - a, d - a))
    u, v = (grid.ravel() for grid in np.meshgrid(u, v))
    places = a + np.outer(u, b - a) + np.outer(v, d - a)
    short = count.grid.at(places) < count.target
    lost = count.grid.look_up(count.grid.unknown, places)
    return replace(gap, certainty="cannot tell") if lost[short].mean() > 0.5 else gap


def count_job(land: models.Field, job: models.Job, stints: list[StintLog]) -> JobCount:
    """Count all stints of a job; the spans without a position are noted on each stint."""
    centre = None
    if land.boundary is None:
        fixes = [s.trace for s in stints if np.isfinite(s.trace.lat).any()]
        centre = (
            (float(np.nanmean(fixes[0].lat)), float(np.nanmean(fixes[0].lon)))
            if fixes
            else (0.0, 0.0)
        )
    count = JobCount(land.boundary, job.target, centre=centre)
    for log in stints:
        row, trace, tool = log.row, log.trace, tool_of(log.row)
        switches, quality = log.standing.switches, trace.quality
        count.add_stint(
            row.id, row.at, tool, trace.t, trace.lat, trace.lon, trace.sigma, switches, quality
        )
        log.lost = _lost(count, tool, log)
    return count


def _lost(count: JobCount, tool: Tool, log: StintLog) -> list[tuple[float, float]]:
    """Spans of a stint in which work went on with no trustworthy position, POSIX s."""
    t, lat, lon = log.trace.t, log.trace.lat, log.trace.lon
    keep = clean(t, lat, lon, log.trace.quality).keep
    sweeper = Sweeper(tool, count.rules)
    sweeper.feed(
        t[keep],
        count.plane.to_xy(lat[keep], lon[keep]),
        log.standing.switches,
        log.trace.sigma[keep],
    )
    sweeper.finish()
    return [(begin, end) for begin, end, _, _ in sweeper.unknown]


def _stint(store: Store, row: models.Stint, names: dict) -> StintLog:
    taps = taps_of(store, row.id)
    kept = standing_taps(taps)
    stands = standing(row.at, taps)
    trace = store.read_trace(row.id)
    ends = [tap for tap in kept if tap.kind in ("finish", "hand_over")]
    last = [row.at, *(tap.at for tap in taps), *trace.t[-1:]]
    ended = ends[-1].at if ends else max(last)
    return StintLog(
        row, names.get(row.operator_id, "?"), names.get(row.tractor_id, "?"), names.get(row.tool_id, "?"),
        taps, {tap.id for tap in taps} - {tap.id for tap in kept}, stands,
        ended, ends[-1].kind if ends else "",
        stands.working_s(ended), stopped_by_reason(row.at, kept, stands, ended), trace,
        fuel=store.all(models.FuelEntry, stint_id=row.id),
    )  # fmt: skip


def stopped_by_reason(
    taken_over: float, kept: list, stands: Standing, ended: float
) -> dict[str, float]:
    """Return the seconds not worked between taking over and the end, by reason.

    Parameters
    ----------
    taken_over, ended : float
        POSIX s.
    kept : list of Tap
        Those that still stand.
    stands : Standing
        With the switches that say when work went on.
    """
    found: dict[str, float] = defaultdict(float)
    edges = [(taken_over, False)] + [(s.t, s.working) for s in stands.switches] + [(ended, False)]
    for (begin, working), (end, _) in zip(edges, edges[1:]):
        if working or end <= begin:
            continue
        stops = [tap for tap in kept if tap.kind == "stop" and tap.at <= begin]
        said = [tap for tap in kept if tap.kind == "stop_reason" and begin <= tap.at <= end]
        reason = (
            "before the start" if not stops else (said or stops)[-1].reason or "no reason given"
        )
        found[reason] += end - begin
    return dict(found)
