"""Runs the open stint: fixes are recorded, then counted, then evaluated.

Notes: Recording comes first and depends on nothing. A fault in counting or advice is logged and shown as one sentence,
and fixes are still recorded.
"""

from collections.abc import Iterator
from concurrent.futures import Executor

import numpy as np

from cabapp.common.message import Message
from cabapp.counting.live_spacing import LiveSpacing
from cabapp.counting.look_ahead import Ahead
from cabapp.jobs.fields.season_history import paces_before
from cabapp.jobs.pass_counts.assembler import Place, assemble, first_place
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.field_marks import FieldMark, marks_of, take_back
from cabapp.jobs.records.stint_reader import tool_of
from cabapp.jobs.records.stint_state import WORKING, stint_state
from cabapp.jobs.records.tap_log import dated_stint, effective_taps, written_taps
from cabapp.planning.finish_time import Finish
from cabapp.position.fix import Fix, fix_columns
from cabapp.session.advice.day_reader import DayReader
from cabapp.session.advice.work_rate import WorkRate
from cabapp.session.fault_isolation import FAULT, advice_guarded, count_guarded
from cabapp.session.fix_recorder import FixRecorder
from cabapp.session.state.position_state import PositionState, trusted
from cabapp.session.state.sentence import QUIET, RECORDING, Advice, Sentence
from cabapp.session.taps.tap_details import TapRow
from cabapp.session.taps.tap_effects import apply_tap_effects
from cabapp.session.warnings.situation_reader import read_situation
from cabapp.session.warnings.warning_evaluator import WarningEvaluator
from cabapp.session.warnings.warning_outcome import WarningOutcome
from cabapp.track.pose import Pose
from store import Store
from store.models import Field, Job, Stint, Tap

EVALUATE_S = 0.5
"""Warnings are evaluated this often in the time of the fixes, s."""


class StintRunner:
    """The open stint.

    `position`: shared with the session.
    `beside`: see ``FixRecorder``.
    """

    def __init__(
        self, store: Store, stint_id: str, position: PositionState, farm: FarmSettings, beside: Executor | None = None
    ):
        self._store, self.position = store, position
        self.farm = farm
        self._read(stint_id)
        self.job = store.get(Job, self.stint.job_id)
        self.field = store.get(Field, self.job.field_id)
        self.evaluator = WarningEvaluator()
        self.sentence: Sentence | None = None
        self.ahead: Ahead | None = None
        self.notice: Sentence | None = None
        self.trouble: Message | None = None
        self.held: Message | None = None
        self._nothing: Message | None = None
        self.broken = False
        self.hand_over_id: str | None = None
        self.dirty: list | str = "all"
        self.count: LiveCount | None = None
        self.marks: tuple[FieldMark, ...] = ()
        self.spacing = LiveSpacing()
        self._work_rate = WorkRate()
        self.recorder = FixRecorder(store.trace(stint_id), beside)
        self._evaluated = -1e18
        self.day = DayReader(store, self, farm)
        self._open_count()
        with advice_guarded():
            self._work_rate = WorkRate(paces_before(store, self.stint))
            self.day.read()

    # --- taps ------------------------------------------------------------------------------

    def tap(self, row: TapRow) -> None:
        """Make a tap durable; then count it and apply its effects."""
        detail = row.detail
        for fact in row.rows:
            detail = {**(detail or {}), "row": self._store.add(fact).id}
        self._written_taps.append(
            self._store.add(
                Tap(
                    stint_id=self.stint.id, kind=row.kind, at=row.at, reason=row.reason,
                    lat=row.lat, lon=row.lon, detail=detail,
                )
            )
        )  # fmt: skip
        self._update_state()
        with count_guarded(self):
            if self.count is not None and (self.count.update_switches(self.standing.switches) or self.broken):
                self.rebuild()
        apply_tap_effects(self, row)
        with advice_guarded():
            self.day.refresh(row.kind)

    def _read(self, stint_id: str):
        """Read stint and taps as the office corrected them."""
        self._corrections = Corrections(self._store)
        self._written = self._store.get(Stint, stint_id)
        self._written_taps = written_taps(self._store, stint_id)
        self._update_state()

    def _update_state(self):
        self.stint: Stint
        self.taps: list[Tap]
        self.stint, self.taps = dated_stint(self._written, self._written_taps, self._corrections)
        self.tool = tool_of(self.stint)
        self.standing = stint_state(self.stint.at, self.taps, self.tool)
        # the last effective tap of each kind, asked for twice a second
        self.last = {tap.kind: tap for tap in effective_taps(self.taps)}

    def rebuild(self) -> None:
        """Count the stint again from the store."""
        self.recorder.write()
        if self.count.count.field is None:  # what is now the first place of work may be another
            self._open_count()
        else:
            self.count.rebuild(self.standing.switches)
        self.broken, self.trouble, self.dirty = False, None, "all"

    # --- effects of taps ---------------------------------------------------------------------

    @property
    def question_since(self) -> float | None:
        return self.evaluator.question_since

    @property
    def can_silence(self) -> bool:
        return self.evaluator.can_silence

    def answer_question(self) -> None:
        self.evaluator.answered()

    def silence(self) -> None:
        self.evaluator.i_know()

    def end_work(self) -> None:
        self.record_outcomes(self.evaluator.flush())
        self.recorder.seal()
        self._nothing = self.why_nothing()

    def read_marks(self) -> None:
        self.marks = marks_of(self._store, self.field.id, self.count.count.plane if self.count else None)

    def take_back(self, table: str, row_id: str, at: float) -> None:
        take_back(self._store, table, row_id, self.stint.operator_id, at)

    # --- fixes -----------------------------------------------------------------------------

    def record(self, fixes: list[Fix]) -> None:
        """Write fixes to the trace."""
        self.recorder.append(fixes)

    def add_fixes(self, fixes: list[Fix]) -> None:
        """Count and evaluate recorded fixes."""
        counted = False
        for group in _groups(fixes, self._evaluated):
            counted = counted or self._count(group)
            self.evaluate(group[-1].t, "good" if trusted(group[-1]) else "lost")

    def _count(self, fixes: list[Fix]) -> bool:
        """Count fixes; return whether the count was opened by them, with all that are recorded."""
        if self.broken:
            return False
        with count_guarded(self):
            if self.count is None or (not self.count.settled and self.standing.state == WORKING):
                t, lat, lon, _, quality, _ = fix_columns(fixes)
                spans = None if self.standing.state != WORKING else self.standing.work(np.inf)
                place = first_place(t, lat, lon, quality, self.stint.at, spans)
                if place is not None:
                    written = self.recorder.let_go()
                    self._open_count(place, settled=self.standing.state == WORKING)
                    if written:
                        return True
            if self.count is not None:
                changed = self.count.add_fixes(fixes)
                if changed is not None and self.dirty != "all":
                    self.dirty.append(changed)
        return False

    def take_dirty(self):
        """Return what of the map changed since the last call: rectangles, or "all"."""
        dirty, self.dirty = self.dirty, []
        return dirty

    def _open_count(self, place: Place | None = None, settled: bool = False):
        """Assemble the count as soon as there is a boundary or a place; the plane of a settled one stays."""
        with count_guarded(self):
            earlier = assemble(self._store, self.job, without=self.stint.id, place=place)
            if earlier is not None:
                self.count = LiveCount(self._store, self.stint, earlier, self.standing.switches)
                self.count.settled |= settled
                self.held = earlier.held[0].said if earlier.held else None
                self.dirty = "all"
                self.read_marks()

    def merged(self) -> None:
        """Count again with what came from other tablets."""
        self.recorder.write()
        self._read(self.stint.id)
        self._open_count()
        with advice_guarded():
            self.day.read()

    def sync(self, now: float) -> None:
        """Make the trace durable once a second; a full disk becomes a message."""
        if self.recorder.sync(now) and self.trouble != FAULT:
            self.trouble = None  # what could not be written then can be now

    # --- evaluation --------------------------------------------------------------------------

    @property
    def pose(self) -> Pose | None:
        return self.count.count.pose if self.count else None

    @property
    def up(self) -> bool:
        return self.day.up

    @property
    def advice(self) -> tuple[Advice, ...]:
        return self.day.advice

    def day_lines(self) -> tuple[tuple[str, Message], ...]:
        return self.day.lines()

    def areas(self) -> dict:
        return self.count.count.areas() if self.count else {}

    def update_day(self, t: float) -> None:
        """Gather the day's facts when a minute has passed or a tap changed them."""
        with advice_guarded():
            self.day.update(t)

    def evaluate(self, t: float, position: str | None = None, lost_since: float | None = None) -> None:
        """Evaluate the situation at ``t``, POSIX s; warnings whose outcome is known by now are written."""
        if 0.0 <= t - self._evaluated < (EVALUATE_S if position == "good" else 0.0):
            return
        self._evaluated = t
        with count_guarded(self):
            if position == "good" and 2.33 * self.position.sigma() > self.tool.width / 3:
                position = "poor"
            situation, self.ahead = read_situation(self, t, position, lost_since)
            if self.ahead is not None:
                self.spacing.feed(self.pose, self.tool.width / self.job.target)
                self._work_rate.note(self.standing.working_s(t), self.areas()["pass_area"])
            result = self.evaluator.feed(situation)
            self.sentence = result.sentence
            self.record_outcomes(result.outcomes)

    def record_outcomes(self, outcomes: tuple[WarningOutcome, ...]) -> None:
        """Write warnings with whether they were acted on."""
        for one in outcomes:
            detail = {"what": one.kind, "acted": one.acted}
            detail |= {key: round(value, 2) for key, value in one.detail.items()}
            self._written_taps.append(
                self._store.add(Tap(stint_id=self.stint.id, kind="warned", at=one.at, detail=detail))
            )
            self.taps.append(self._written_taps[-1])

    def pace(self) -> float | None:
        return self._work_rate.usual()

    def paces(self) -> np.ndarray:
        return self._work_rate.own

    def finish(self, now: float) -> Finish | None:
        return self._work_rate.finish(now, self.areas().get("left_pass_area"))

    def message(self) -> Sentence | None:
        trouble = self.trouble or self.recorder.trouble
        if trouble and (self.sentence is None or self.sentence.rank >= RECORDING):
            return Sentence(RECORDING, trouble, True)
        quiet = self.held or (self._nothing if self.standing.state != WORKING else None)
        return self.sentence or (Sentence(QUIET, quiet) if quiet else None)

    def why_nothing(self) -> Message | None:
        with count_guarded(self):
            if self.count is not None and not self.broken:
                return self.count.why_nothing(bool(self.standing.work(np.inf)))
        return None


def _groups(fixes: list[Fix], evaluated: float) -> Iterator[list[Fix]]:
    """Cut fixes into groups no longer than ``EVALUATE_S``, so that each is evaluated."""
    group: list[Fix] = []
    for fix in fixes:
        group.append(fix)
        if fix.t - evaluated >= EVALUATE_S or not trusted(fix):
            yield group
            evaluated, group = fix.t, []
    if group:
        yield group
