"""Gathers the day's facts once a minute for the open stint."""

import itertools
from dataclasses import replace

import numpy as np

from cabapp.common.message import Message
from cabapp.counting.spacing import pass_spacing
from cabapp.jobs.fields import season_history
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.field_marks import taken_back
from cabapp.jobs.records.stint_reader import work_of
from cabapp.jobs.records.tap_kinds import REREAD, TAP_KINDS
from cabapp.jobs.records.tap_log import effective_taps
from cabapp.jobs.records.work_intervals import seconds
from cabapp.planning.capacity import SPEED, field_capacity
from cabapp.planning.cost import area_in_tank, fuel_per_pass_area
from cabapp.planning.emergence import crop_of
from cabapp.planning.fuel_use import EFFICIENCY, expected_use
from cabapp.planning.sun import CIVIL_DUSK, evening
from cabapp.session.advice.day_advisor import SPARE_S, DayAdvisor
from cabapp.session.advice.day_facts import DayFacts, GapTourSummary, spare, weather
from cabapp.session.advice.day_summary import day_lines
from cabapp.session.advice.gap_tour import gap_tour
from cabapp.session.advice.seeder_progress import FieldSamples, SeederFromBundles, SeederFromTaps
from cabapp.session.state.open_stint import OpenStint
from cabapp.session.state.sentence import Advice
from store import Store
from store.models import FuelEntry, Stint, Tool, Tractor

LOOK_S = 60.0
STEADY_S = 600.0
"""The spread by the hour reads all passes, so it is computed this seldom, s."""
LAPS = 6
"""So many of the last laps give the present spacing."""
RESERVE = 0.1
"""Share of a tank that is not to be counted on (common practice)."""
LIGHT = ("rolling", "harrowing")
"""Operations whose fuel may be guessed from that of a light harrow before the tractor's own fills
tell it."""
REST_S = 600.0
NEARLY = 0.05
"""Share of a field's passes below which what is left is mopping up."""
MOP_AGAIN_S = 600.0
PICKED = ("rock",)
"""Marks that are something to pick while waiting."""


class DayReader:
    """Facts and advice of the day for the open stint."""

    def __init__(self, store: Store, runner: OpenStint, farm: FarmSettings):
        self._store, self._runner = store, runner
        self._advisor = DayAdvisor()
        self._known: DayFacts | None = None
        self._steady_at, self._wander, self._sigma = float("-inf"), None, None
        self._spacing: float | None = None
        self._missed: GapTourSummary | None = None
        self._mopped = (float("-inf"), -1.0)
        self._crops = farm.crops
        self.advice: tuple[Advice, ...] = ()
        self._tool = store.get(Tool, runner.stint.tool_id)
        self._tractor = store.get(Tractor, runner.stint.tractor_id)
        self._ground: FieldSamples | None = None
        self._seeder: SeederFromBundles | None = None
        self._told: SeederFromTaps | None = None
        self._faults, self._walker, self._walked = (), "", 0.0
        self._fills, self._spells, self._clock = [], [], (None, None)
        self._grease_in = self._greased = None
        self._looked_at = float("-inf")

    def read(self) -> None:
        """Read again what only taps and bundles change."""
        store, runner = self._store, self._runner
        job, self._seeder, self._ground = runner.job, None, None
        if runner.count is not None and runner.count.count.field is not None and job.operation != "seeding":
            self._ground = FieldSamples(runner.count.count)
            self._seeder = SeederFromBundles(store, runner.field, job, self._ground)
        self._read_taps()

    def _read_taps(self):
        store, runner = self._store, self._runner
        stint = runner.stint
        at = max(stint.at, *(tap.at for tap in runner.taps)) if runner.taps else stint.at
        void = taken_back(store, FuelEntry.__tablename__)
        self._fills = season_history.fills_of(store, stint.tractor_id, void)
        others = [s for s in store.all(Stint, tractor_id=stint.tractor_id) if s.id != stint.id]
        self._spells = work_of(store, others)
        self._clock = (None, None)
        if runner.job.operation != "seeding":
            self._clock = season_history.crop_clock(store, runner.field, runner.job.season, at)
        # without this stint's own work, which is added as it goes on
        self._grease_in = season_history.grease_in(store, self._tool, at, without=stint.id)
        self._greased = runner.last.get("grease")
        self._faults, self._walker, self._walked = season_history.faults_of(store, stint)
        if self._ground is not None:
            self._told = SeederFromTaps(self._ground, effective_taps(runner.taps))
        self._looked_at = float("-inf")

    def refresh(self, kind: str) -> None:
        """Gather again, or read again, what a tap of this kind changes."""
        refresh = TAP_KINDS[kind].refresh
        if refresh == REREAD:
            self._read_taps()
        if refresh:
            self._looked_at = float("-inf")

    @property
    def up(self) -> bool:
        """Whether the crop is up by now, as far as can be reckoned."""
        return bool(self._known and self._clock[1] is not None and self._clock[1] <= self._known.now)

    def update(self, now: float) -> None:
        """Gather the facts when a minute has passed or a tap changed them."""
        if now - self._looked_at < LOOK_S:
            return
        self._looked_at = now
        self._known = self._round(self._gather(now))
        self.advice = self._advisor.feed(self._known)

    def lines(self) -> tuple[tuple[str, Message], ...]:
        """Return the day in (name, words)."""
        return day_lines(self._known) if self._known else ()

    def _gather(self, now) -> DayFacts:
        runner, stood = self._runner, self._runner.standing
        wind, air = weather(runner, now)
        known = DayFacts(
            now=now, state=stood.state, width=runner.tool.width, target=runner.job.target,
            operation=runner.job.operation, tool=self._tool.name, left=runner.areas().get("left_pass_area"), pace=runner.pace(),
            end=runner.finish(now), grease_in=self._grease(now), lap_sigma=self._sigma,
            seat_s=self._seat(now), tank_s=self._tank(now),
            expected=field_capacity(SPEED, runner.tool.width, EFFICIENCY),
            crop=runner.field.crop, rules=crop_of(runner.field.crop, self._crops),
            closes=self._clock[0], up=self._clock[1], looked=self._looked(),
            rain=self._rain(now), wind=wind, air=air,
            faults=self._faults, walker=self._walker, walked=self._walked,
            rocks=sum(mark.kind in PICKED for mark in runner.marks),
        )  # fmt: skip
        if runner.pose is not None and runner.position.known(now):
            known = replace(known, speed=runner.pose.speed)
        if runner.count is not None:
            plane = runner.count.count.plane
            place = (plane.lat0, plane.lon0)
            known = replace(
                known, sunset=evening(*place, now), dusk=evening(*place, now, CIVIL_DUSK),
                wander=self._steadiness(now), lap_sigma=self._sigma, spacing=self._spacing,
            )  # fmt: skip
        return replace(known, seeder=self._pursuit(now))

    def _pursuit(self, now):
        """Return the newest lead of the seeder: from its own tablet, or as told."""
        if self._ground is None:
            return None
        pose, fix = self._runner.pose, self._runner.position.fix
        here = (pose.x, pose.y) if pose is not None else None
        if here is None and fix is not None:
            here = tuple(self._ground.plane.to_xy(fix.lat, fix.lon)[0])
        found = (self._seeder.look(now), self._told.look(now, here))
        return max((one for one in found if one is not None), key=lambda one: one.at, default=None)

    def _round(self, known: DayFacts) -> DayFacts:
        """Add the mop-up, standing, when the work is nearly done or there is time to spare.

        It is only worked out anew when ground was covered since, and every ten minutes at most.
        """
        field = self._runner.areas().get("field")
        if field and known.left is not None and known.state in (stint_state.READY, stint_state.STOPPED):
            near = known.left <= NEARLY * field * known.target or (spare(known) or 0) > SPARE_S
            at, left = self._mopped
            if near and known.left != left and known.now - at >= MOP_AGAIN_S:
                self._mopped = known.now, known.left
                found = gap_tour(self._runner)
                self._missed = found and GapTourSummary(len(found.stops), found.metres, found.seconds)
            elif not near:
                self._missed = None
        return replace(known, missed=self._missed)

    def _looked(self):
        """Return when no shoots were last found, POSIX s."""
        tap = self._runner.last.get("look_first")
        return tap.at if tap and not (tap.detail or {}).get("shoots") else None

    def _rain(self, now):
        tap = self._runner.last.get("rain")
        at = (tap.detail or {}).get("at") if tap else None
        return at if at is not None and at > now else None

    def _grease(self, now):
        if self._grease_in is None:
            return None
        since = self._greased.at if self._greased else float("-inf")
        return self._grease_in - seconds(self._runner.standing.work(now), since)

    def _tank(self, now):
        """Return for how many seconds of work there is fuel, after a fill and with a known tank."""
        tank, runner = self._tractor.tank_l, self._runner
        pace = runner.pace()
        if not tank or not self._fills or not pace:
            return None
        spells = [*self._spells, *self._runner.standing.work(now)]
        rate = season_history.burnt(self._fills, spells)
        if rate is not None:
            use = fuel_per_pass_area(rate, pace)
        elif runner.job.operation in LIGHT and runner.pose is not None and runner.pose.speed > 1.0:
            use = expected_use(runner.pose.speed)
        else:
            return None
        gone = seconds(spells, self._fills[-1].at, now) * pace * use
        return area_in_tank(tank - gone, use, reserve=RESERVE * tank) / pace

    def _seat(self, now) -> float:
        """Return the seconds since the last stop of ten minutes."""
        since = self._runner.stint.at
        spells = self._runner.standing.work(now)
        for (_, stopped), (began, _) in itertools.pairwise(spells):
            if began - stopped >= REST_S:
                since = began
        if self._runner.standing.state != stint_state.WORKING and now - self._runner.standing.since >= REST_S:
            since = now
        return now - since

    def _steadiness(self, now):
        """Return the spread of pass spacing in the first hour and in the last, m; None while not known."""
        if now - self._steady_at >= STEADY_S:
            self._steady_at = now
            mine = self._runner.count.count.pieces()[-1:]
            spread = pass_spacing(mine, self._runner.tool.width / self._runner.job.target)
            self._sigma = spread.sigma
            last = [one.metres for one in spread.spacings[-LAPS:]]
            self._spacing = float(np.median(last)) if len(last) >= LAPS else None
            whole = [hour for hour in spread.by_hour if hour.at <= now]
            grown = spread.trend is not None and spread.trend > 0
            self._wander = (whole[0].sigma, whole[-1].sigma) if grown else None
        return self._wander
