"""The session: facade for screens, taps and ticks in, a ``View`` out.

Every tap is durable before the view shows it. Nothing of a stint is kept here alone: a session opened
after a restart finds the open stint in the store and continues.
"""

import logging
from concurrent.futures import Executor
from dataclasses import replace

from cabapp.common.clock import Clock
from cabapp.common.message import Message, message
from cabapp.common.quantities import DayAndTime
from cabapp.counting.job_count import JobCount
from cabapp.jobs.fields.field_priority import Backlog, FieldWork, season_work
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.field_marks import FieldMark
from cabapp.jobs.records.new_stint import open_stint
from cabapp.jobs.records.pending_handovers import pending_handovers
from cabapp.jobs.records.tap_kinds import TAP_KINDS, TapRefused
from cabapp.position.fix import Fix, Source
from cabapp.session.advice.gap_tour import GapTour, gap_tour
from cabapp.session.handover.receipt import receive
from cabapp.session.handover.sheet_builder import build_sheet
from cabapp.session.redating import Redating, clock_recorded, unproven_since
from cabapp.session.resume import stint_to_resume
from cabapp.session.state.fix_clock import FixClock
from cabapp.session.state.position_state import PositionState
from cabapp.session.state.sentence import QUIET, Sentence
from cabapp.session.state.session_clock import SessionClock
from cabapp.session.state.view import Choices, HandOverSheet, Received, View
from cabapp.session.stint_runner import StintRunner
from cabapp.session.take_over import choices, hitching_question, last_work
from cabapp.session.taps.stop_summary import stop_summary
from cabapp.session.taps.tap_details import TapRow, tap_row
from cabapp.session.view_builder import build_view
from store import Store
from store.errors import Refused
from store.models import HandOver, Operator, Stint, Tool, Tractor

log = logging.getLogger(__name__)


class Session:
    """One tablet's session.

    `source`: the receiver; None for a day without one, which is recorded just as well.
    `beside`: see ``StintRunner``.

    Notes: Times are POSIX s, lengths m, degrees only for latitude and longitude. Methods raise ``store.errors.Refused``
    with a sentence when an act does not fit; nothing is then recorded.
    """

    def __init__(self, store: Store, clock: Clock, source: Source | None = None, beside: Executor | None = None):
        self._store = store
        self._beside = beside
        self._source = source
        self._farm = FarmSettings(store)
        self._position = PositionState(bool(source and source.name))
        self._clock = SessionClock(clock, self._position, clock_recorded(store))
        self._fix_clock = FixClock()
        store.clock = self._clock.proven_time
        self._runner: StintRunner | None = None
        self._names: dict[str, str] = {}
        self._caution: float | None = None
        self._asked_season = False
        self._resume()
        self._refresh()

    # --- opening -----------------------------------------------------------------------------

    def _resume(self):
        """Go on with this tablet's last stint when nothing ended it."""
        found = stint_to_resume(self._store)
        if found is not None:
            stint, handed = found
            self._open(stint)
            self._runner.hand_over_id = handed
        since = unproven_since(self._store, self._time())
        self._redating = Redating(self._store, self._farm, self._clock, since)

    def _open(self, stint: Stint):
        self._runner = StintRunner(self._store, stint.id, self._position, self._farm, self._beside)
        find = self._store.get
        self._names = {
            "operator": find(Operator, stint.operator_id).name,
            "tractor": find(Tractor, stint.tractor_id).name,
            "tool": find(Tool, stint.tool_id).name,
        }
        self._ask_hitching()

    def _ask_hitching(self):
        asked = None
        if "hitching_ok" not in self._runner.last:
            asked = hitching_question(self._store, self._runner.stint)
        if asked:
            self._runner.notice = Sentence(QUIET, asked, answers=(TAP_KINDS["hitching_ok"].key(),))

    def choices(self) -> Choices:
        """Return what can be chosen at take-over."""
        now = self._clock.now()
        offered = choices(self._store, self._farm, self._time(), self._position.here(now))
        return replace(offered, cautions=()) if self._caution is not None else offered

    def take_over(
        self,
        operator_id: str,
        tractor_id: str,
        tool_id: str,
        field_id: str,
        operation: str = "rolling",
        skip_check: str | None = None,
    ) -> None:
        """Begin a stint.

        `skip_check`: why a waiting hand-over of this job is not received ("no time"); it is recorded for the office to
            see. Without it, receiving comes first.
        Raises TapRefused: a stint is open, a hand-over waits, a row chosen does not exist, or, once, the tablet's clock
            is not proven and behind the logbook; to choose again confirms it.
        """
        stint_state.next_state(self._state(), "take_over")
        self._ask_season()
        self._date_again(writing=True)
        left = [one for one in pending_handovers(self._store) if (one.field_id, one.operation) == (field_id, operation)]
        if left and not skip_check:
            raise TapRefused(
                "{name} handed this field over. Go through the sheet and show the next pass on the map first.",
                name=left[0].outgoing,
            )
        at = self._time()
        receiver = (self._source.name or None) if self._source else None
        stint = open_stint(
            self._store, self._farm, at, receiver,
            operator_id, tractor_id, tool_id, field_id, operation,
        )  # fmt: skip
        self._close()
        self._open(stint)
        if left:
            self._runner.tap(TapRow("check_skipped", at, {"hand_over": left[0].id}, reason=skip_check))
        if self._caution is not None:
            self._runner.tap(TapRow("caution", self._caution))
            self._caution = None
        self._refresh()

    def _ask_season(self):
        """Refuse once where only the tablet's clock says which season it is, and the logbook knows later work."""
        now = self._time()
        behind = None if self._clock.proven or self._clock.played else last_work(self._store, now)
        if behind is None:
            return
        if self._asked_season:
            self._clock.confirm()
            return
        self._asked_season = True
        raise TapRefused(
            "The tablet's clock says {now}, year {year}, but there is work of {last}, year {last_year}, in the logbook. "
            "Set the tablet's clock, or wait for the receiver. If the clock is right, choose again.",
            now=DayAndTime(now), year=str(self._farm.local(now).year),
            last=DayAndTime(behind), last_year=str(self._farm.local(behind).year),
        )  # fmt: skip

    def _close(self):
        """Let go of the stint that is over."""
        if self._runner is not None:
            self._runner.recorder.seal()
        self._runner, self._names = None, {}

    # --- taps --------------------------------------------------------------------------------

    def tap(self, name: str, /, *, reason: str | None = None, **given) -> None:
        """Record a tap.

        `name`: a kind of ``TAP_KINDS`` that is not an act of its own (take over, hand over, receive).
        `reason`: of a stop, or with "stop_reason" of the stop made before.
        `given`: the values of the kind; "seeder" takes ``lat`` and ``lon`` where it was pointed out on the map.
        Raises TapRefused: it does not fit the state, or lacks what it needs.
        Raises ValueError: there is no such tap.
        """
        kind = TAP_KINDS.get(name)
        if kind is None or kind.own_method or not kind.transitions:
            raise ValueError(f"no such tap: {name!r}")
        stint_state.next_state(self._state(), name)
        self._date_again(writing=True)
        at = self._time()
        if self._runner is None or (name == "caution" and self._state() not in stint_state.OPEN):
            self._caution = at  # kept until the next stint, which it is written with
            return
        self._runner.tap(self._tap_row(name, at, given, reason))
        self._refresh()

    def _tap_row(self, name, at, given, reason=None) -> TapRow:
        ends = "end_work" in TAP_KINDS[name].effects
        summary = stop_summary(self._runner) if ends else None
        here = self._position.here(self._clock.now())
        return tap_row(name, self._runner, at, here, given, reason, summary)

    # --- handing over ------------------------------------------------------------------------

    def prepare_hand_over(self, state: str = "fine", left: bool = False) -> HandOverSheet:
        """Return the sheet, to be gone through by both; ``left`` when no receiver is there.

        Raises TapRefused: not standing, or ``state`` is not "fine", "watch" or "stopped".
        """
        stint_state.next_state(self._state(), "hand_over")
        return build_sheet(self._store, self._runner, self._time(), state, left, self._farm.format.time)

    def hand_over(self, sheet: HandOverSheet) -> str:
        """Close the stint with its sheet; return the hand-over's id.

        The map's place may have been set right: ``replace(sheet, next_lat=..., next_lon=...)``.
        """
        stint_state.next_state(self._state(), "hand_over")
        self._date_again(writing=True)
        at = self._time()
        given = self._store.add(
            HandOver(
                job_id=self._runner.job.id, stint_id=self._runner.stint.id, at=at,
                state=sheet.state, left_for=sheet.left_for, sheet=sheet.sheet,
                next_lat=sheet.next_lat, next_lon=sheet.next_lon,
            )
        )  # fmt: skip
        row = self._tap_row("hand_over", at, {})
        self._runner.tap(replace(row, detail={"hand_over": given.id} | (row.detail or {}), lat=None, lon=None))
        self._runner.hand_over_id = given.id
        self._refresh()
        return given.id

    def receive(self, hand_over_id: str, operator_id: str, lat: float | None, lon: float | None) -> Received:
        """Take where the receiver pointed for the next pass; the right place closes the sheet.

        `lat`, `lon`: degrees; None only where the sheet has no place to point at.
        Raises TapRefused: a stint is open, the hand-over is not waiting, or nothing was pointed at.
        """
        stint_state.next_state(self._state(), "receive")
        received = receive(self._store, self._time(), hand_over_id, operator_id, lat, lon)
        if received.agreed:
            self._close()
        self._refresh()
        return received

    # --- time passing ------------------------------------------------------------------------

    def tick(self) -> View:
        """Poll the receiver, write, count and judge; return the view of now.

        Copes with hundreds of fixes a call. Never raises for what a receiver or a disk does:
        that becomes a sentence.
        """
        now = self._clock.now()
        fixes: list[Fix] = []
        if self._source is not None:
            try:
                even = self._clock.even()
                fixes = self._source.poll(even)
                if not self._clock.played:
                    fixes = self._fix_clock.dated(fixes, even)
                fixes = [fix.as_kept() for fix in fixes]
                if self._source.name:
                    self._position.receiver = True
                elif getattr(self._source, "address", None) == "none":  # the operator chose none
                    self._position.forget()
            except Exception:
                # a receiver that breaks must not stop the taps; its silence shows as "lost"
                log.exception("the receiver could not be read")
        for fix in fixes:
            self._position.add_fix(fix, now)
        self._clock.heard()
        self._date_again()
        if self._runner is not None and self._state() != stint_state.HANDED_OVER:
            t, width = self._time(), self._runner.tool.width
            self._runner.record(fixes)
            self._runner.update_day(t)
            self._runner.add_fixes(fixes)
            self._runner.sync(now)
            self._runner.evaluate(t, self._position.state(now, width), self._position.lost_since(now))
            stood = self._runner.standing
            if stood.state == stint_state.FINISHED and t - stood.since >= stint_state.UNDO_S:
                self._close()
        self._refresh()
        return self._view

    @property
    def view(self) -> View:
        """The view as of the last tick or tap."""
        return self._view

    @property
    def job(self) -> JobCount | None:
        """The count of the job in hand."""
        return self._runner.count.count if self._runner and self._runner.count else None

    def why_nothing(self) -> Message | None:
        """Return why nothing was counted of what was driven in the stint in hand; None where something was."""
        return self._runner.why_nothing() if self._runner else None

    @property
    def marks(self) -> tuple[FieldMark, ...]:
        """The marks of the field in hand."""
        return self._runner.marks if self._runner else ()

    def day(self) -> tuple[tuple[str, Message], ...]:
        """Return the day around the pass in (name, words), for a screen looked at standing still.

        The spread of pass spacing is shown here only, and in no page or bundle.
        """
        return self._runner.day_lines() if self._runner else ()

    def season(self) -> tuple[tuple[FieldWork, ...], Backlog | None]:
        """Return the fields that lack passes, what closes first first, and the backlog of all who roll."""
        now = self._time()
        return season_work(self._store, self._farm.local(now).year, now)

    def mop_up(self) -> GapTour | None:
        """Return the shortest round of what was missed, from here; it may take some seconds.

        None without a boundary or a stint.
        """
        return gap_tour(self._runner) if self._runner else None

    def take_dirty(self):
        """Return what of the map changed since the last call: rectangles of cells, or "all"."""
        return self._runner.take_dirty() if self._runner else []

    def merged(self) -> None:
        """Count the job anew after bundles were merged into the store."""
        if self._runner is not None:
            self._runner.merged()
            self._refresh()

    def close(self) -> None:
        """Make everything durable and let go of the receiver; an open stint stays open."""
        if self._runner is not None:
            self._runner.recorder.let_go()
        if self._source is not None:
            self._source.close()

    # --- the view ----------------------------------------------------------------------------

    def _time(self) -> float:
        """Return now, in the receiver's time where the tablet's clock is wrong."""
        return self._clock.time()

    def even(self) -> float:
        """Return the time by which the receiver is polled: no setting of the tablet's clock moves it."""
        return self._clock.even()

    @property
    def clock_fault(self) -> Message | None:
        """A sentence when satellites show the tablet's clock to be wrong; None if it is right."""
        return self._clock.fault

    def _date_again(self, writing: bool = False):
        """Note a change of the clock; begin the open stint anew where that dated it again.

        `writing`: whether rows are about to be written by it.
        """
        try:
            changed = self._redating.update()
            if writing:
                self._redating.record_unproven()
        except Refused:
            log.exception("what a wrong clock dated could not be dated again")  # a full disk; tried again each tick
            return
        if changed and self._runner is not None:
            stint, handed = self._runner.stint.id, self._runner.hand_over_id
            self._runner.recorder.let_go()
            self._open(self._store.get(Stint, stint))
            self._runner.hand_over_id = handed

    def _state(self) -> str:
        return self._runner.standing.state if self._runner else stint_state.IDLE

    def _refresh(self):
        said = self._source.status if self._source else message("No receiver.")
        self._view = build_view(self._runner, self._position, self._clock.now(), self._names, said)
