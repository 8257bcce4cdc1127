"""One operator's part of a job, read from a store: taps, hours, trace, and where it is not known."""

import itertools
from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np

from cabapp.counting.job_count import JobCount
from cabapp.jobs.pass_counts.live_count import taps_of, tool_of
from cabapp.jobs.records.corrections import Corrections, told
from cabapp.jobs.records.stint_state import StintState, effective_taps
from cabapp.jobs.records.stint_state import stint_state as standing
from cabapp.jobs.records.time_split import LOST_S, WORKING, Hours, split
from cabapp.track.swath import SwathBuilder
from cabapp.track.usable_fixes import usable_fixes
from store import Store, models


@dataclass
class StintRecord:
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
    standing : StintState
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
        As they now count: corrected, and without those taken back.
    fuelled : list of store.models.FuelEntry
        As they were written, all of them.
    mended : dict of str to Tap
        Corrected taps as they were written, by id.
    passed_over : set of str
        Ids of taps whose corrections are not followed: they would upset the order.
    stops : list of tuple of (float, str)
        When each stop began, POSIX s, and its reason.
    hours : Hours or None
        What was done when; None until the stint has been followed.
    working_m : float
        Way gone while working, turns left out, m.
    """

    row: models.Stint
    operator: str
    tractor: str
    tool: str
    taps: list
    undone: set
    standing: StintState
    ended: float
    ended_by: str
    working_s: float
    stopped: dict[str, float]
    trace: object
    lost: list = field(default_factory=list)
    covered: float = 0.0
    pass_area: float = 0.0
    fuel: list = field(default_factory=list)
    fuelled: list = field(default_factory=list)
    mended: dict = field(default_factory=dict)
    passed_over: set = field(default_factory=set)
    stops: list = field(default_factory=list)
    hours: Hours | None = None
    working_m: float = 0.0


def read_stint(store: Store, row: models.Stint, names: dict, corrected: Corrections) -> StintRecord:
    """Read a stint as its corrections leave it; `row` is corrected already."""
    written = taps_of(store, row.id)
    taps = told(written, corrected)
    kept = effective_taps(taps)
    stands = standing(row.at, taps)
    trace = store.read_trace(row.id)
    ends = [tap for tap in kept if tap.kind in ("finish", "hand_over")]
    last = [row.at, *(tap.at for tap in taps), *trace.t[-1:]]
    ended = ends[-1].at if ends else max(last)
    spans = _not_working(row.at, kept, stands, ended)
    stopped = defaultdict(float)
    for begin, end, why in spans:
        stopped[why] += end - begin
    fuelled = store.all(models.FuelEntry, stint_id=row.id)
    return StintRecord(
        row, names.get(row.operator_id, "?"), names.get(row.tractor_id, "?"), names.get(row.tool_id, "?"),
        taps, {tap.id for tap in taps} - {tap.id for tap in kept}, stands,
        ended, ends[-1].kind if ends else "",
        stands.working_s(ended), dict(stopped), trace,
        fuel=[corrected.apply(entry) for entry in fuelled if entry.id not in corrected.void],
        fuelled=fuelled, mended={tap.id: old for tap, old in zip(taps, written) if tap is not old},
        passed_over={old.id for tap, old in zip(taps, written) if tap is old and corrected.said(old.id)},
        stops=[(begin, why) for begin, _, why in spans],
    )  # fmt: skip


def _not_working(taken_over: float, kept: list, stands: StintState, ended: float) -> list[tuple[float, float, str]]:
    """Return the spans not worked between taking over and the end, POSIX s, and why.

    Parameters
    ----------
    taken_over, ended : float
        POSIX s.
    kept : list of Tap
        Those that still stand.
    stands : StintState
        With the switches that say when work went on.
    """
    found = []
    edges = [(taken_over, False)] + [(s.t, s.working) for s in stands.switches] + [(ended, False)]
    for (begin, working), (end, _) in itertools.pairwise(edges):
        if working or end <= begin:
            continue
        stops = [tap for tap in kept if tap.kind == "stop" and tap.at <= begin]
        said = [tap for tap in kept if tap.kind == "stop_reason" and begin <= tap.at <= end]
        reason = "before the start" if not stops else (said or stops)[-1].reason or "no reason given"
        found.append((begin, end, reason))
    return found


def tool_history(count: JobCount, log: StintRecord) -> None:
    """Follow a stint's tool: when it worked without a trustworthy position, how its hours went."""
    t, lat, lon = log.trace.t, log.trace.lat, log.trace.lon
    keep = usable_fixes(t, lat, lon, log.trace.quality, log.row.at).keep
    sweeper = SwathBuilder(tool_of(log.row), count.limits)
    t, xy = t[keep], count.plane.to_xy(lat[keep], lon[keep])
    sweeper.feed(t, xy, log.standing.switches, log.trace.sigma[keep])
    sweeper.finish()
    log.lost = [(begin, end) for begin, end, _, _ in sweeper.unknown]
    log.hours = split(log.row.at, log.ended, log.standing.switches, log.stops, t, xy, log.row.width_m)
    step = np.hypot(*np.diff(xy, axis=0).T)
    middle = (t[1:] + t[:-1]) / 2
    at = np.clip(np.searchsorted(log.hours.edges, middle) - 1, 0, len(log.hours.kinds) - 1)
    log.working_m = float(step[(log.hours.kinds[at] == WORKING) & (np.diff(t) <= LOST_S)].sum())
