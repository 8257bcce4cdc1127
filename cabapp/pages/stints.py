"""One operator's part of a job, read from a store: taps, hours, trace, and where it is not known."""

from collections import defaultdict
from dataclasses import dataclass, field

from cabapp.coverage.hygiene import clean
from cabapp.coverage.job import JobCount
from cabapp.coverage.sweep import Sweeper
from cabapp.session.count import taps_of, tool_of
from cabapp.session.rules import Standing, standing, standing_taps
from store import Store, models


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


def read_stint(store: Store, row: models.Stint, names: dict) -> StintLog:
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


def lost_spans(count: JobCount, log: StintLog) -> list[tuple[float, float]]:
    """Spans of a stint in which work went on with no trustworthy position, POSIX s."""
    t, lat, lon = log.trace.t, log.trace.lat, log.trace.lon
    keep = clean(t, lat, lon, log.trace.quality, log.row.at).keep
    sweeper = Sweeper(tool_of(log.row), count.rules)
    sweeper.feed(
        t[keep],
        count.plane.to_xy(lat[keep], lon[keep]),
        log.standing.switches,
        log.trace.sigma[keep],
    )
    sweeper.finish()
    return [(begin, end) for begin, end, _, _ in sweeper.unknown]
