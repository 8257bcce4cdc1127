"""What the day around the pass asks of her: seeder, daylight, rain, fuel, crop, grease, a break ...

Pure: what is known comes in as ``DayFacts``; sentences that ask for something go out. Nothing here is
urgent by the second.

Rule 1: a sentence only where there is something to do, and it says what.
Rule 2: what has been said stays until its cause has clearly gone: two thresholds each.
Rule 3: an estimate is called one.
"""

from __future__ import annotations

from collections.abc import Callable

from cabapp.common.units import Units
from cabapp.common.wording import times, verb
from cabapp.jobs.records.stint_state import READY, STOPPED
from cabapp.planning.half_lap import expected_shares
from cabapp.planning.pursuit import backlog_at_its_end, holding_speed, time_to_catch
from cabapp.planning.work_order import HOURS_A_DAY, left_at
from cabapp.session.advice.day_facts import (
    DAY,
    HOUR,
    DayFacts,
    best_spacing,
    finished,
    format_duration,
    format_hours,
    spare,
    waiting_jobs,
)
from cabapp.session.state.sentence import QUIET, SEEDER, STOP_RULE, Advice

CATCH_S, CATCH_OFF_S = 20 * 60.0, 30 * 60.0
"""Nearer than this to running out of seeded ground there is time to do something about it."""
FUEL_S, FUEL_OFF_S = 45 * 60.0, 75 * 60.0
DUSK_SOON_S, RAIN_SOON_S = 3 * HOUR, 6 * HOUR
LATE_S = 10 * 60.0
"""A finish is a guess: only this much after dusk or rain is after."""
LEAST_LEFT = 4000.0
"""Ground below which being late is not worth a word, m2 of passes (about an acre)."""
CLOSES_SOON_S = 4 * DAY
UP_S = 10 * DAY
"""After this the crop is up and whoever looks can see it."""
BACKLOG_S, BACKLOG_OFF_S = 4 * HOUR, 3 * HOUR
"""More work than this waiting when the seeder is done is a day that somebody has to plan for."""
SPARE_S, SPARE_OFF_S = 20 * 60.0, 10 * 60.0
"""Less time to spare before starting is not worth a word."""
LAP_OFF, LAP_LEAST = 0.75, 0.4
"""A lap is off when it lies more spreads of hers, and more m, from the best."""
WANDER, WANDER_OFF = 1.5, 1.25
BREAK_S = 2 * HOUR
"""10 to 15 minutes off the seat about every two hours (farm safety specialists)."""


class DayAdvisor:
    """Says what the day asks; ``say_time`` and ``say_day`` turn POSIX s into the farm's words."""

    def __init__(self, units: Units, say_time: Callable[[float], str], say_day: Callable[[float], str]):
        self._units, self._say_time, self._say_day = units, say_time, say_day
        self._said: set[str] = set()

    def feed(self, now: DayFacts) -> tuple[Advice, ...]:
        """Return what is asked now, the most pressing first."""
        judged = (
            self._shoots, self._seeder, self._faults, self._fuel, self._rain, self._crop, self._dusk,
            self._wait, self._backlog, self._grease, self._mop_up, self._lap, self._break,
        )  # fmt: skip
        asks = tuple(ask for ask in (judge(now) for judge in judged) if ask)
        self._said = {ask.key for ask in asks}
        return asks

    def _limit(self, key, on, off):
        return off if key in self._said else on

    def _shoots(self, now):
        if now.closes is None or not now.closes <= now.now <= (now.up or now.closes) + UP_S:
            return None
        if now.looked is not None and now.now - now.looked < DAY:
            return None
        crop = (now.crop or "the crop").capitalize()
        said = f"{crop} may be just under the surface by now (an estimate). Stop, go and dig."
        return Advice("shoots", STOP_RULE, said)

    def _seeder(self, now):
        seen, own = now.seeder, finished(now)
        if seen is None or seen.rate is None or own is None or seen.left <= 0:
            return None
        seconds = time_to_catch(seen.lead, own, seen.rate)
        if seconds is None or seconds > self._limit("seeder", CATCH_S, CATCH_OFF_S):
            return None
        if seen.rate <= 0:
            said = f"The seeder stands: seeded ground for {format_duration(seconds)}. Then {waiting_jobs(now)}."
        elif now.speed and own > seen.rate:
            slower = self._units.speed(holding_speed(now.speed, own, seen.rate))
            said = f"You catch the seeder in {format_duration(seconds)}. {slower} keeps the distance. Or stop: {waiting_jobs(now)}."
        else:
            said = f"You catch the seeder in {format_duration(seconds)}."
        return Advice("seeder", SEEDER, said)

    def _fuel(self, now):
        if now.tank_s is None or now.pace is None or now.left is None:
            return None
        short = now.tank_s < now.left / now.pace
        if not short or now.tank_s > self._limit("fuel", FUEL_S, FUEL_OFF_S):
            return None
        area, left = (self._units.area(m2 / now.target) for m2 in (now.tank_s * now.pace, now.left))
        said = f"Fuel for about {area} {times(now.target)}, and {left} are left. Fill before you go on far."
        return Advice("fuel", QUIET, said)

    def _rain(self, now):
        left = self._left(now, now.rain, RAIN_SOON_S, "rain")
        if left is None:
            return None
        said = f"Rain at {self._say_time(now.rain)}: about {self._units.area(left / now.target)} will be left. "
        return Advice("rain", QUIET, said + "Do the heavy ground first.")

    def _dusk(self, now):
        left = self._left(now, now.dusk, DUSK_SOON_S, "dusk")
        if left is None:
            return None
        after = format_duration(now.end.likely - now.dusk)
        said = f"Likely finish {after} after dusk ({self._say_time(now.dusk)}). "
        area = self._units.area(left / now.target)
        return Advice("dusk", QUIET, said + f"Choose {area} to leave, or see to your lights.")

    def _left(self, now, until, soon, key):
        """Return what will be lacking at a moment soon to come, m2; None where nothing is to be said."""
        if until is None or now.end is None or now.left is None:
            return None
        if not 0 < until - now.now < soon:
            return None
        if now.end.likely - until < self._limit(key, LATE_S, 0.0):
            return None
        left = left_at(until, now.now, now.left, now.end)
        return left if left > self._limit(key, LEAST_LEFT, 0.0) else None

    def _crop(self, now):
        if now.closes is None or now.pace is None or now.left is None:
            return None
        if not 0 < now.closes - now.now < CLOSES_SOON_S:
            return None
        need = now.left / now.pace
        have = (now.closes - now.now) * HOURS_A_DAY / 24
        if need < have * self._limit("crop", 1.0, 0.9):
            return None
        when = self._say_day(now.closes)
        said = (
            f"This ground closes {when} (an estimate) and needs {format_hours(need)} more: "
            "more than there is by day. Say so, or get help."
        )
        return Advice("crop", QUIET, said)

    def _wait(self, now):
        """Standing with time to spare: when to start so that both finish together."""
        left = spare(now)
        if now.state not in (READY, STOPPED) or left is None:
            return None
        if left < self._limit("wait", SPARE_S, SPARE_OFF_S):
            return None
        at = self._say_time(now.now + left)
        said = f"Start by {at} and you finish with the seeder. Until then {waiting_jobs(now)}."
        return Advice("wait", QUIET, said)

    def _backlog(self, now):
        seen, own = now.seeder, finished(now)
        if seen is None or not seen.rate or own is None or own >= seen.rate:
            return None
        behind = backlog_at_its_end(seen.lead, seen.left, own, seen.rate)
        if behind / own < self._limit("backlog", BACKLOG_S, BACKLOG_OFF_S):
            return None
        gains, area = self._units.area_rate(seen.rate - own), self._units.area(behind)
        said = (
            f"The seeder gains {gains} on you: {area} will wait when it is done, {format_hours(behind / own)} "
            "of work. Say so, or get help."
        )
        return Advice("backlog", QUIET, said)

    def _faults(self, now):
        if not now.faults or now.state != READY:
            return None
        parts, at = ", ".join(now.faults), self._say_time(now.walked)
        said = f"Not right when {now.walker} walked round ({at}): {parts}. Look before you start."
        return Advice("faults", QUIET, said)

    def _mop_up(self, now):
        missed = now.missed
        if missed is None or not missed.places or now.state not in (READY, STOPPED):
            return None
        far = self._units.distance(missed.metres)
        what = "1 place missed is" if missed.places == 1 else f"{missed.places} places missed are"
        said = f"{what} worth going back for: {far} to drive, {format_duration(missed.seconds)}. See More, Mop up."
        return Advice("mop up", QUIET, said)

    def _lap(self, now):
        best = best_spacing(now)
        if best is None or now.spacing is None:
            return None
        off = now.spacing - best
        if abs(off) < self._limit("lap", 1.0, 0.5) * max(LAP_OFF * now.lap_sigma, LAP_LEAST):
            return None
        once, thrice = expected_shares(now.width, now.lap_sigma, now.width / 2 - now.spacing)
        move, done = self._units.length(abs(off)), verb(now.operation).lower()
        if off > 0:
            said = f"Your laps leave about {once * 100:.0f} % {done} once. Lap {move} more: best for your steadiness."
        else:
            said = f"Your laps leave about {thrice * 100:.0f} % {done} three times. Lap {move} less: enough for your steadiness."
        return Advice("lap", QUIET, said)

    def _grease(self, now):
        if now.grease_in is None or now.grease_in > 0:
            return None
        over = f", {format_hours(-now.grease_in)} ago" if now.grease_in < -HOUR / 2 else ""
        return Advice("grease", QUIET, f"Grease the {now.tool} at the next stop: it was due{over}.")

    def _break(self, now):
        if now.wander is None or now.seat_s < BREAK_S:
            return None
        first, last = now.wander
        if last < first * self._limit("break", WANDER, WANDER_OFF):
            return None
        was, now_is = self._units.length(first), self._units.length(last)
        said = f"Your laps wander {now_is}, at first {was}. 10 to 15 minutes off the seat help."
        return Advice("break", QUIET, said)
