"""One stint read once: row, taps, state, hours and trace, as the office corrected them."""

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from cabapp.common.message import Message
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import order_of
from cabapp.jobs.records.stint_state import StintState, stint_state
from cabapp.jobs.records.tap_kinds import OPEN
from cabapp.jobs.records.tap_log import dated_stint, effective_taps, read_dated, written_taps
from cabapp.jobs.records.time_split import Hours, split
from cabapp.jobs.records.tool_parts import sections_of
from cabapp.jobs.records.work_intervals import Spans, idle_spans
from cabapp.track.tool import ToolGeometry
from store import Store, models
from store.errors import Refused
from store.traces.trace_codec import Trace


def tool_of(stint: models.Stint) -> ToolGeometry:
    """Return the hitching a stint was driven with."""
    return ToolGeometry(
        stint.width_m, stint.hitch_to_line_m, stint.antenna_to_hitch_m, stint.side_m,
        sections_of(stint.sections, stint.width_m),
    )  # fmt: skip


@dataclass
class StintRecord:
    """One operator's part.

    `operator`, `tractor`, `tool`: names.
    `taps`: all of them, undone ones too, in the order made.
    `undone`: ids of taps taken back, and of the undo taps.
    `standing`: what the taps say: state, switches.
    `ended`: finish or hand-over; else the last that is known. POSIX s.
    `ended_by`: "finish", "hand_over", or "" when the stint is still open.
    `working_s`: seconds with work going on as the taps say, whatever was done in them; `hours` say what.
    `stopped`: seconds stopped, by reason.
    `lost`: spans while working without a usable position, POSIX s.
    `covered`, `pass_area`: m2, of this stint alone: net, and summed over its passes.
    `fuel`: as they now count: corrected, and without those taken back.
    `fuelled`: as they were written, all of them.
    `mended`: corrected taps as they were written, by id.
    `passed_over`: ids of taps whose corrections are not followed: they would upset the order.
    `idle`: spans without work, POSIX s, and why.
    `hours`: what was done when, of all pages and tables; None until the stint was counted.
    `working_m`: way gone while working, turns left out, m.
    """

    row: models.Stint
    operator: str
    tractor: str
    tool: str
    taps: list[models.Tap]
    undone: set[str]
    standing: StintState
    ended: float
    ended_by: str
    working_s: float
    stopped: dict[str, float]
    trace: Trace
    lost: Spans = field(default_factory=list)
    nothing: Message | None = None
    seldom: Message | None = None
    covered: float = 0.0
    pass_area: float = 0.0
    fuel: list[models.FuelEntry] = field(default_factory=list)
    fuelled: list[models.FuelEntry] = field(default_factory=list)
    mended: dict[str, models.Tap] = field(default_factory=dict)
    passed_over: set[str] = field(default_factory=set)
    idle: list[tuple[float, float, str]] = field(default_factory=list)
    hours: Hours | None = None
    working_m: float = 0.0

    @property
    def inputs(self) -> dict[str, Any]:
        """What the pass count needs of the stint, except when it began."""
        trace = self.trace
        return {
            "key": self.row.id, "tool": tool_of(self.row), "t": trace.t, "lat": trace.lat, "lon": trace.lon,
            "sigma": trace.sigma, "switches": self.standing.switches, "quality": trace.quality,
            "hdop": trace.hdop,
        }  # fmt: skip

    def split_hours(self, t: np.ndarray, xy: np.ndarray, lost: Spans) -> None:
        """Set hours and way gone from the usable fixes: t, shape (n,), POSIX s, and xy, shape (n, 2), m."""
        self.lost = lost
        self.hours, self.working_m = split(
            self.row.at, self.ended, self.standing.work(self.ended), self.idle, t, xy, self.row.width_m, lost
        )


def read_stint(
    store: Store, row: models.Stint, corrections: Corrections | None = None, names: dict[str, str] | None = None
) -> StintRecord:
    """Read a stint as its corrections leave it.

    `row`: as it was written.
    `names`: names of operators, tractors and tools by id.
    """
    corrections, names = corrections or Corrections(store), names or {}
    written = written_taps(store, row.id)
    row, taps = dated_stint(row, written, corrections)
    if row.odd:
        raise Refused("{columns} cannot be that", columns=row.odd)
    kept, state, trace = effective_taps(taps), stint_state(row.at, taps, tool_of(row)), store.read_trace(row.id)
    ended, ended_by = _end(row, taps, kept, float(trace.t[-1]) if len(trace.t) else -math.inf)
    idle = idle_spans(row.at, ended, state.switches, state.stops)
    stopped: dict[str, float] = defaultdict(float)
    for begin, end, why in idle:
        stopped[why] += end - begin
    fuelled = store.all(models.FuelEntry, stint_id=row.id)
    return StintRecord(
        row, names.get(row.operator_id, "?"), names.get(row.tractor_id, "?"), names.get(row.tool_id, "?"),
        taps, {tap.id for tap in taps} - {tap.id for tap in kept}, state,
        ended, ended_by, state.working_s(ended), dict(stopped), trace,
        fuel=[now for entry in fuelled if entry.id not in corrections.void and not (now := corrections.apply(entry)).odd],
        fuelled=fuelled, mended={tap.id: old for tap, old in zip(taps, written) if tap is not old},
        passed_over={tap.id for tap in taps if not _follows(tap, corrections.said(tap.id))},
        idle=idle,
    )  # fmt: skip


def _follows(tap: models.Tap, said: dict[str, Any]) -> bool:
    return all(getattr(tap, name) == value for name, value in said.items())


def _end(row: models.Stint, taps: list[models.Tap], kept: list[models.Tap], last_fix: float) -> tuple[float, str]:
    """Return when a stint ended, POSIX s, and by which tap; an open one at the last that is known."""
    ends = [tap for tap in kept if tap.kind in ("finish", "hand_over")]
    if ends:
        return ends[-1].at, ends[-1].kind
    return max(row.at, last_fix, *(tap.at for tap in taps)), ""


def last_stint(store: Store) -> models.Stint | None:
    """Return the stint this tablet wrote last; None before the first."""
    own = [stint for stint in store.all(models.Stint) if stint.device == store.device]
    return max(own, key=order_of, default=None)


def open_elsewhere(store: Store, since: float) -> list[models.Stint]:
    """Return the newest stint of each other device that is still open, if it was begun after `since`, POSIX s."""
    corrections, newest = Corrections(store), dict[str, models.Stint]()
    for stint in corrections.standing(store.all(models.Stint)):
        if stint.device != store.device and (
            stint.device not in newest or order_of(stint) > order_of(newest[stint.device])
        ):
            newest[stint.device] = stint
    return [one for one in newest.values() if one.at > since and state_of(store, one, corrections).state in OPEN]


def state_of(store: Store, stint: models.Stint, corrections: Corrections | None = None) -> StintState:
    """Return the state of a stint, given as it was written."""
    row, taps = read_dated(store, stint, corrections or Corrections(store))
    return stint_state(row.at, taps)


def work_of(store: Store, stints: Iterable[models.Stint]) -> Spans:
    """Return the spans of work of whole stints as written, POSIX s, in order; of an open one to the last that is known.

    Those taken back have none.
    """
    found: Spans = []
    corrections = Corrections(store)
    for stint in corrections.standing(stints):
        row, taps = read_dated(store, stint, corrections)
        state, kept = stint_state(row.at, taps), effective_taps(taps)
        last_fix = -math.inf
        if state.switches and state.switches[-1].working:
            trace = store.read_trace(stint.id)
            last_fix = float(trace.t[-1]) if len(trace.t) else last_fix
        found += state.work(_end(row, taps, kept, last_fix)[0])
    return sorted(found)
