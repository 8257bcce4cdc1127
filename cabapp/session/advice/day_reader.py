"""The day around the pass for one open stint: gathered once a minute, judged by ``DayAdvisor``."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from cabapp.counting.spacing import pass_spacing
from cabapp.jobs.fields import season_history
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.field_marks import taken_back
from cabapp.planning.capacity import SPEED, field_capacity
from cabapp.planning.cost import area_in_tank, fuel_per_pass_area
from cabapp.planning.emergence import crop_of
from cabapp.planning.fuel_use import EFFICIENCY, expected_use
from cabapp.planning.sun import CIVIL_DUSK, evening
from cabapp.session.advice.day_advisor import SPARE_S, DayAdvisor
from cabapp.session.advice.day_facts import Advice, DayFacts, GapTourSummary, spare
from cabapp.session.advice.day_summary import DaySummary
from cabapp.session.advice.gap_tour import gap_tour
from cabapp.session.advice.seeder_progress import FieldSamples, SeederFromBundles, SeederFromTaps
from cabapp.session.state.open_stint import OpenStint
from cabapp.session.warnings.situation_reader import weather
from store import Store
from store.models import FuelEntry, Stint, Tool, Tractor

LOOK_S = 60.0
STEADY_S = 600.0
"""Her steadiness by the hour needs all her passes gone through, so it is looked at seldom."""
LAPS = 6
"""So many of her last laps say how she laps now."""
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
READ_AGAIN = ("soil", "seeded", "grease", "fuel", "undo", "seeder", "seeder_pace", "walk_round")
"""Taps that alter what is read from the store."""
LOOK_AGAIN = ("rain", "look_first", "start", "stop", "restart", "weather", "mark")
"""Taps after which the day is looked at again at once."""


class DayReader:
    """What the day asks of her, and what it holds.

    Parameters
    ----------
    store : Store
    drive : OpenStint
    ways : FarmSettings
    """

    def __init__(self, store: Store, drive: OpenStint, ways: FarmSettings):
        self._store, self._drive = store, drive
        how = ways.units, ways.format.time, ways.format.short_day
        self._asker, self._lines = DayAdvisor(*how), DaySummary(*how)
        self._known: DayFacts | None = None
        self._steady_at, self._wander, self._sigma = float("-inf"), None, None
        self._spacing: float | None = None
        self._missed: GapTourSummary | None = None
        self._mopped = (float("-inf"), -1.0)
        self._crops = ways.crops
        self.asks: tuple[Advice, ...] = ()
        self._tool = store.get(Tool, drive.stint.tool_id)
        self._tractor = store.get(Tractor, drive.stint.tractor_id)
        self._ground: FieldSamples | None = None
        self._seeder: SeederFromBundles | None = None
        self._told: SeederFromTaps | None = None
        self._faults, self._walker, self._walked = (), "", 0.0
        self._fills, self._spells, self._clock = [], [], (None, None)
        self._grease_in = self._greased = None
        self._looked_at = float("-inf")

    def read(self) -> None:
        """Read anew what only taps and bundles change; before that nothing is known."""
        store, drive = self._store, self._drive
        job, self._seeder, self._ground = drive.job, None, None
        if drive.count is not None and drive.count.count.field is not None and job.operation != "seeding":
            self._ground = FieldSamples(drive.count.count)
            self._seeder = SeederFromBundles(store, drive.field, job, self._ground)
        self._read_taps()

    def _read_taps(self):
        store, drive = self._store, self._drive
        stint = drive.stint
        at = max(stint.at, *(tap.at for tap in drive.taps)) if drive.taps else stint.at
        void = taken_back(store, FuelEntry.__tablename__)
        self._fills = season_history.fills_of(store, stint.tractor_id, void)
        others = [s for s in store.all(Stint, tractor_id=stint.tractor_id) if s.id != stint.id]
        self._spells = season_history.spells_of(store, others, at)
        self._clock = (None, None)
        if drive.job.operation != "seeding":
            self._clock = season_history.crop_clock(store, drive.field, drive.job.season, at)
        # without this stint's own work, which is added as it goes on
        self._grease_in = season_history.grease_in(store, self._tool, at, without=stint.id)
        self._greased = drive.last.get("grease")
        self._faults, self._walker, self._walked = season_history.faults_of(store, stint)
        if self._ground is not None:
            self._told = SeederFromTaps(self._ground, stint_state.effective_taps(drive.taps))
        self._looked_at = float("-inf")

    def told(self, kind: str) -> None:
        """Take notice of a tap."""
        if kind in READ_AGAIN:
            self._read_taps()
        if kind in LOOK_AGAIN:
            self._looked_at = float("-inf")

    @property
    def up(self) -> bool:
        """Whether the crop is up by now, as far as can be reckoned."""
        return bool(self._known and self._clock[1] is not None and self._clock[1] <= self._known.now)

    def look(self, now: float) -> None:
        """Look at the day when a minute has gone by or a tap has altered it."""
        if now - self._looked_at < LOOK_S:
            return
        self._looked_at = now
        self._known = self._round(self._gather(now))
        self.asks = self._asker.feed(self._known)

    def lines(self) -> tuple[tuple[str, str], ...]:
        """Return the day in (name, words)."""
        return self._lines.of(self._known) if self._known else ()

    def _gather(self, now) -> DayFacts:
        drive, stood = self._drive, self._drive.standing
        wind, air = weather(drive, now)
        known = DayFacts(
            now=now, state=stood.state, width=drive.tool.width, target=drive.job.target,
            operation=drive.job.operation, tool=self._tool.name, left=drive.areas().get("left_pass_area"), pace=drive.pace(),
            end=drive.finish(now), grease_in=self._grease(now), lap_sigma=self._sigma,
            seat_s=self._seat(now), tank_s=self._tank(now),
            expected=field_capacity(SPEED, drive.tool.width, EFFICIENCY),
            crop=drive.field.crop, rules=crop_of(drive.field.crop, self._crops),
            closes=self._clock[0], up=self._clock[1], looked=self._looked(),
            rain=self._rain(now), wind=wind, air=air,
            faults=self._faults, walker=self._walker, walked=self._walked,
            rocks=sum(mark.kind in PICKED for mark in drive.marks),
        )  # fmt: skip
        if drive.pose is not None and drive.where.known(now):
            known = replace(known, speed=drive.pose.speed)
        if drive.count is not None:
            plane = drive.count.count.plane
            place = (plane.lat0, plane.lon0)
            known = replace(
                known, sunset=evening(*place, now), dusk=evening(*place, now, CIVIL_DUSK),
                wander=self._steadiness(now), lap_sigma=self._sigma, spacing=self._spacing,
            )  # fmt: skip
        return replace(known, seeder=self._pursuit(now))

    def _pursuit(self, now):
        """Return the newest news of the seeder: from its own tablet, or as she told."""
        if self._ground is None:
            return None
        pose, fix = self._drive.pose, self._drive.where.fix
        here = (pose.x, pose.y) if pose is not None else None
        if here is None and fix is not None:
            here = tuple(self._ground.plane.to_xy(fix.lat, fix.lon)[0])
        found = (self._seeder.look(now), self._told.look(now, here))
        return max((one for one in found if one is not None), key=lambda one: one.at, default=None)

    def _round(self, known: DayFacts) -> DayFacts:
        """Add the mop-up, standing, when the work is nearly done or there is time to spare.

        It is only worked out anew when ground was covered since, and every ten minutes at most.
        """
        field = self._drive.areas().get("field")
        if field and known.left is not None and known.state in (stint_state.READY, stint_state.STOPPED):
            near = known.left <= NEARLY * field * known.target or (spare(known) or 0) > SPARE_S
            at, left = self._mopped
            if near and known.left != left and known.now - at >= MOP_AGAIN_S:
                self._mopped = known.now, known.left
                found = gap_tour(self._drive)
                self._missed = found and GapTourSummary(len(found.stops), found.metres, found.seconds)
            elif not near:
                self._missed = None
        return replace(known, missed=self._missed)

    def _looked(self):
        """Return when she last looked and found no shoots."""
        tap = self._drive.last.get("look_first")
        return tap.at if tap and not (tap.detail or {}).get("shoots") else None

    def _rain(self, now):
        tap = self._drive.last.get("rain")
        at = (tap.detail or {}).get("at") if tap else None
        return at if at is not None and at > now else None

    def _own(self, now) -> season_history.Spells:
        """Return when work went on in this stint."""
        spells, began = [], None
        for switch in self._drive.standing.switches:
            if switch.working and began is None:
                began = switch.t
            elif not switch.working and began is not None:
                spells.append((began, switch.t))
                began = None
        return spells if began is None else [*spells, (began, now)]

    def _grease(self, now):
        if self._grease_in is None:
            return None
        since = self._greased.at if self._greased else float("-inf")
        return self._grease_in - season_history.worked(self._own(now), since)

    def _tank(self, now):
        """Return for how many seconds of work there is fuel, after a fill and with a known tank."""
        tank, drive = self._tractor.tank_l, self._drive
        pace = drive.pace()
        if not tank or not self._fills or not pace:
            return None
        spells = [*self._spells, *self._own(now)]
        rate = season_history.burnt(self._fills, spells)
        if rate is not None:
            use = fuel_per_pass_area(rate, pace)
        elif drive.job.operation in LIGHT and drive.pose is not None and drive.pose.speed > 1.0:
            use = expected_use(drive.pose.speed)
        else:
            return None
        gone = season_history.worked(spells, self._fills[-1].at, now) * pace * use
        return area_in_tank(tank - gone, use, reserve=RESERVE * tank) / pace

    def _seat(self, now) -> float:
        """Return how long she has been at it since she last stood ten minutes."""
        since = self._drive.stint.at
        spells = self._own(now)
        for (_, stopped), (began, _) in itertools.pairwise(spells):
            if began - stopped >= REST_S:
                since = began
        if self._drive.standing.state != stint_state.WORKING and now - self._drive.standing.since >= REST_S:
            since = now
        return now - since

    def _steadiness(self, now):
        """Return her spread of lap in her first hour and in the last, m; None while not known."""
        if now - self._steady_at >= STEADY_S:
            self._steady_at = now
            mine = self._drive.count.count.pieces()[-1:]
            hers = pass_spacing(mine, self._drive.tool.width / self._drive.job.target)
            self._sigma = hers.sigma
            last = [one.metres for one in hers.spacings[-LAPS:]]
            self._spacing = float(np.median(last)) if len(last) >= LAPS else None
            whole = [hour for hour in hers.by_hour if hour.at <= now]
            grown = hers.trend is not None and hers.trend > 0
            self._wander = (whole[0].sigma, whole[-1].sigma) if grown else None
        return self._wander
