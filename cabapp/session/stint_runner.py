"""One open stint while it runs: fixes written, counted and judged, in that order.

The law of this file: writing a fix comes first and depends on nothing. Counting and judging
may fail; then that is logged, said in one sentence, and fixes go on being written.
"""

from __future__ import annotations

from concurrent.futures import Executor

import numpy as np

from cabapp.counting.live_spacing import LiveSpacing
from cabapp.counting.look_ahead import Ahead
from cabapp.jobs.fields.season_history import paces_before
from cabapp.jobs.pass_counts.live_count import LiveCount, taps_of, tool_of
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.field_marks import FieldMark, marks_of
from cabapp.planning.finish_time import Finish
from cabapp.position.fix import Fix
from cabapp.session.advice.day_facts import Advice
from cabapp.session.advice.day_reader import DayReader
from cabapp.session.advice.work_rate import WorkRate
from cabapp.session.fault_isolation import FAULT, AdviceFaultGuard, CountFaultGuard
from cabapp.session.fix_recorder import FixRecorder
from cabapp.session.state.position_state import PositionState, trusted
from cabapp.session.state.view import RECORDING, Sentence
from cabapp.session.warnings.situation_reader import read_situation
from cabapp.session.warnings.warning_evaluator import WarningEvaluator
from cabapp.session.warnings.warning_outcome import WarningOutcome
from cabapp.track.pose import Pose
from store import Store
from store.models import Field, Job, Stint, Tap

JUDGE_S = 0.5
"""Warnings are judged this often in the time of the fixes, s."""


class StintRunner:
    """The open stint.

    Parameters
    ----------
    store : Store
    stint : store.models.Stint
    where : PositionState
        Shared with the session.
    ways : FarmSettings
    beside : concurrent.futures.Executor, optional
        See ``FixRecorder``.
    """

    def __init__(
        self,
        store: Store,
        stint: Stint,
        where: PositionState,
        ways: FarmSettings,
        beside: Executor | None = None,
    ):
        self._store = store
        self.where = where
        self.units = ways.units
        self.stint = stint
        self.job = store.get(Job, stint.job_id)
        self.field = store.get(Field, self.job.field_id)
        self.tool = tool_of(stint)
        self.taps: list[Tap] = taps_of(store, stint.id)
        self._stand()
        self.judge = WarningEvaluator(ways.units, ways.format.time)
        self.sentence: Sentence | None = None
        self.ahead: Ahead | None = None
        self.notice: Sentence | None = None
        self.trouble: str | None = None
        self.handed: str | None = None
        self.dirty: list | str = "all"
        self.count: LiveCount | None = None
        self.marks: tuple[FieldMark, ...] = ()
        self.lapping = LiveSpacing()
        self._pace = WorkRate()
        self.goes = ways.goes
        self.trail = FixRecorder(store.trace(stint.id), beside)
        self._judged = -1e18
        self.broken = False
        self.day = DayReader(store, self, ways)
        self._open_count()
        with AdviceFaultGuard():
            self._pace = WorkRate(paces_before(store, stint))
            self.day.read()

    # --- taps ------------------------------------------------------------------------------

    def write(self, kind, at, *, lat=None, lon=None, reason=None, detail=None) -> Tap:
        """Make a tap durable, then let it count."""
        tap = self._store.add(
            Tap(
                stint_id=self.stint.id, kind=kind, at=at, reason=reason,
                lat=lat, lon=lon, detail=detail,
            )
        )  # fmt: skip
        self.taps.append(tap)
        self._stand()
        with CountFaultGuard(self):
            if self.count is not None and (self.count.follow(self.standing.switches) or self.broken):
                self.count_again()
        with AdviceFaultGuard():
            self.day.told(kind)
        return tap

    def _stand(self):
        self.standing = stint_state.stint_state(self.stint.at, self.taps)
        # the last standing tap of each kind, asked for twice a second
        self.last = {tap.kind: tap for tap in stint_state.effective_taps(self.taps)}

    def count_again(self) -> None:
        """Make the present stint's count again from the store."""
        self.trail.write()
        self.count.again(self.standing.switches)
        self.broken, self.trouble, self.dirty = False, None, "all"

    # --- fixes -----------------------------------------------------------------------------

    def take(self, fixes: list[Fix]) -> None:
        """Write fixes; then count and judge them."""
        self.trail.append(fixes)
        for group in _groups(fixes, self._judged):
            self._count(group)
            self.look(group[-1].t, "good" if trusted(group[-1]) else "lost")

    def _count(self, fixes):
        if self.broken:
            return
        with CountFaultGuard(self):
            if self.count is None:
                self._open_count(next((f for f in fixes if trusted(f)), None))
            if self.count is not None:
                self.touched(self.count.take(fixes))

    def touched(self, rect) -> None:
        """Note a changed rectangle of cells for the screen."""
        if rect is not None and self.dirty != "all":
            self.dirty.append(rect)

    def take_dirty(self):
        """Return what has changed since last asked: rectangles, or "all"."""
        dirty, self.dirty = self.dirty, []
        return dirty

    def _open_count(self, fix: Fix | None = None):
        """Lay the count as soon as there is a boundary or a place."""
        centre = None
        if self.field.boundary is None:
            centre = self._first_place() or (fix and (fix.lat, fix.lon))
            if centre is None:
                return
        with CountFaultGuard(self):
            self.count = LiveCount(self._store, self.field, self.job, self.stint, self.standing.switches, centre)
            self.dirty = "all"
            self.read_marks()

    def merged(self) -> None:
        """Count anew with what came from other tablets."""
        self.trail.write()
        self._open_count()
        with AdviceFaultGuard():
            self.day.read()

    def _first_place(self):
        stints = sorted(self._store.all(Stint, job_id=self.job.id), key=lambda one: (one.at, one.id))
        for stint in stints:
            trace = self._store.read_trace(stint.id)
            places = [
                (float(lat), float(lon))
                for lat, lon, quality in zip(trace.lat, trace.lon, trace.quality)
                if lat == lat and quality != 0
            ]
            if places:
                return places[0]
        return None

    def read_marks(self) -> None:
        """Read the field's marks anew."""
        plane = self.count.count.plane if self.count else None
        self.marks = marks_of(self._store, self.field.id, plane)

    def sync(self, now: float) -> None:
        """Make the trace durable once a second; a full disk is said, not raised."""
        if self.trail.sync(now) and self.trouble != FAULT:
            self.trouble = None  # what could not be written then can be now

    # --- judging ---------------------------------------------------------------------------

    @property
    def pose(self) -> Pose | None:
        """Where tractor and tool are, by the last fixes."""
        return self.count.count.pose if self.count else None

    @property
    def up(self) -> bool:
        """Whether the crop is up by now, as far as can be reckoned."""
        return self.day.up

    @property
    def asks(self) -> tuple[Advice, ...]:
        """What the day asks, the most pressing first."""
        return self.day.asks

    def areas(self) -> dict:
        """Return the job's areas, m2; empty while nothing can be counted."""
        return self.count.count.areas() if self.count else {}

    def look(self, t: float, position: str | None = None, lost_since=None) -> None:
        """Judge the situation at ``t``; the grades that are known by now are written."""
        if t - self._judged < (JUDGE_S if position == "good" else 0.0):
            return
        self._judged = t
        with AdviceFaultGuard():
            self.day.look(t)
        with CountFaultGuard(self):
            if position == "good" and 2.33 * self.where.sigma() > self.tool.width / 3:
                position = "poor"
            seen, self.ahead = read_situation(self, t, position, lost_since)
            if self.ahead is not None:
                self.lapping.feed(self.pose, self.tool.width / self.job.target)
                self._pace.note(self.standing.working_s(t), self.areas()["pass_area"])
            judgement = self.judge.feed(seen)
            self.sentence = judgement.sentence
            self.grade(judgement.graded)

    def grade(self, graded: tuple[WarningOutcome, ...]) -> None:
        """Write warnings with whether they were acted on."""
        for one in graded:
            detail = {"what": one.kind, "acted": one.acted}
            detail |= {key: round(value, 2) for key, value in one.detail.items()}
            self.taps.append(self._store.add(Tap(stint_id=self.stint.id, kind="warned", at=one.at, detail=detail)))

    def pace(self) -> float | None:
        """Return her pace in m2 of passes a second at work, once it is known."""
        return self._pace.usual()

    def paces(self) -> np.ndarray:
        """Return her pace in every ten minutes at work of this stint, m2/s."""
        return self._pace.own

    def finish(self, now: float) -> Finish | None:
        """Return when she will likely finish, once her pace is known."""
        return self._pace.finish(now, self.areas().get("left_pass_area"))

    def said(self) -> Sentence | None:
        """Return the sentence that stands: a fault goes before all but a danger."""
        trouble = self.trouble or self.trail.trouble
        if trouble and (self.sentence is None or self.sentence.rank >= RECORDING):
            return Sentence(RECORDING, trouble, True)
        return self.sentence


def _groups(fixes, judged):
    """Cut fixes into groups no longer than ``JUDGE_S``, so that each can be judged."""
    group: list[Fix] = []
    for fix in fixes:
        group.append(fix)
        if fix.t - judged >= JUDGE_S or not trusted(fix):
            yield group
            judged, group = fix.t, []
    if group:
        yield group
