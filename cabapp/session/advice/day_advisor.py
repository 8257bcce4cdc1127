"""Advice of the day: seeder, daylight, rain, fuel, crop, grease, a break ...

Pure: what is known comes in as ``DayFacts``; sentences that ask for something go out. Nothing here is
urgent by the second.

Rule 1: a sentence only where there is something to do, and it says what.
Rule 2: what has been said stays until its cause has clearly gone: two thresholds each.
Rule 3: an estimate is called one.
"""

from cabapp.common.message import Message, message, plural
from cabapp.common.quantities import Area, AreaRate, ClockTime, Day, Distance, Duration, Length, Speed, WorkHours
from cabapp.common.wording import covered, how_often
from cabapp.jobs.records.stint_state import READY, STOPPED
from cabapp.planning.half_lap import expected_shares
from cabapp.planning.pursuit import backlog_at_its_end, holding_speed, time_to_catch
from cabapp.planning.work_order import HOURS_A_DAY, left_at
from cabapp.session.advice.day_facts import DAY, HOUR, DayFacts, best_spacing, finished, spare, waiting_jobs
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
"""A lap is off when it lies more spreads, and more m, from the best."""
WANDER, WANDER_OFF = 1.5, 1.25
BREAK_S = 2 * HOUR
"""10 to 15 minutes off the seat about every two hours (farm safety specialists)."""


class DayAdvisor:
    """Gives the advice of the day."""

    def __init__(self):
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
        crop = now.crop or message("the crop")
        said = message("{Crop} may be just under the surface by now (an estimate). Stop, go and dig.", crop=crop)
        return Advice("shoots", STOP_RULE, said)

    def _seeder(self, now):
        seen, own = now.seeder, finished(now)
        if seen is None or seen.rate is None or own is None or seen.left <= 0:
            return None
        seconds = time_to_catch(seen.lead, own, seen.rate)
        if seconds is None or seconds > self._limit("seeder", CATCH_S, CATCH_OFF_S):
            return None
        time = Duration(seconds)
        if seen.rate <= 0:
            said = message(
                "The seeder stands: seeded ground for {time}. Then {jobs}.", time=time, jobs=waiting_jobs(now)
            )
        elif now.speed and own > seen.rate:
            said = message(
                "You catch the seeder in {time}. {speed} keeps the distance. Or stop: {jobs}.",
                time=time, speed=Speed(holding_speed(now.speed, own, seen.rate)), jobs=waiting_jobs(now),
            )  # fmt: skip
        else:
            said = message("You catch the seeder in {time}.", time=time)
        return Advice("seeder", SEEDER, said)

    def _fuel(self, now):
        if now.tank_s is None or now.pace is None or now.left is None:
            return None
        short = now.tank_s < now.left / now.pace
        if not short or now.tank_s > self._limit("fuel", FUEL_S, FUEL_OFF_S):
            return None
        said = message(
            "Fuel for about {area} {times}, and {left} are left. Fill before you go on far.",
            area=Area(now.tank_s * now.pace / now.target), times=how_often(now.target), left=Area(now.left / now.target),
        )  # fmt: skip
        return Advice("fuel", QUIET, said)

    def _rain(self, now):
        left = self._left(now, now.rain, RAIN_SOON_S, "rain")
        if left is None:
            return None
        said = message(
            "Rain at {time}: about {area} will be left. Do the heavy ground first.",
            time=ClockTime(now.rain), area=Area(left / now.target),
        )  # fmt: skip
        return Advice("rain", QUIET, said)

    def _dusk(self, now):
        left = self._left(now, now.dusk, DUSK_SOON_S, "dusk")
        if left is None:
            return None
        said = message(
            "Likely finish {after} after dusk ({dusk}). Choose {area} to leave, or see to your lights.",
            after=Duration(now.end.likely - now.dusk), dusk=ClockTime(now.dusk), area=Area(left / now.target),
        )  # fmt: skip
        return Advice("dusk", QUIET, said)

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
        said = message(
            "This ground closes {day} (an estimate) and needs {hours} more: more than there is by day. Say so, or get help.",
            day=Day(now.closes), hours=WorkHours(need),
        )  # fmt: skip
        return Advice("crop", QUIET, said)

    def _wait(self, now):
        """Standing with time to spare: when to start so that both finish together."""
        left = spare(now)
        if now.state not in (READY, STOPPED) or left is None:
            return None
        if left < self._limit("wait", SPARE_S, SPARE_OFF_S):
            return None
        said = message(
            "Start by {time} and you finish with the seeder. Until then {jobs}.",
            time=ClockTime(now.now + left), jobs=waiting_jobs(now),
        )  # fmt: skip
        return Advice("wait", QUIET, said)

    def _backlog(self, now):
        seen, own = now.seeder, finished(now)
        if seen is None or not seen.rate or own is None or own >= seen.rate:
            return None
        behind = backlog_at_its_end(seen.lead, seen.left, own, seen.rate)
        if behind / own < self._limit("backlog", BACKLOG_S, BACKLOG_OFF_S):
            return None
        said = message(
            "The seeder gains {rate} on you: {area} will wait when it is done, {hours} of work. Say so, or get help.",
            rate=AreaRate(seen.rate - own), area=Area(behind), hours=WorkHours(behind / own),
        )  # fmt: skip
        return Advice("backlog", QUIET, said)

    def _faults(self, now):
        if not now.faults or now.state != READY:
            return None
        said = message(
            "Not right when {name} walked round ({time}): {parts}. Look before you start.",
            name=now.walker, time=ClockTime(now.walked), parts=tuple(map(Message, now.faults)),
        )  # fmt: skip
        return Advice("faults", QUIET, said)

    def _mop_up(self, now):
        missed = now.missed
        if missed is None or not missed.places or now.state not in (READY, STOPPED):
            return None
        said = plural(
            "{count} place missed is worth going back for: {distance} to drive, {time}. See More, Mop up.",
            "{count} places missed are worth going back for: {distance} to drive, {time}. See More, Mop up.",
            missed.places, distance=Distance(missed.metres), time=Duration(missed.seconds),
        )  # fmt: skip
        return Advice("mop up", QUIET, said)

    def _lap(self, now):
        best = best_spacing(now)
        if best is None or now.spacing is None:
            return None
        off = now.spacing - best
        if abs(off) < self._limit("lap", 1.0, 0.5) * max(LAP_OFF * now.lap_sigma, LAP_LEAST):
            return None
        once, thrice = expected_shares(now.width, now.lap_sigma, now.width / 2 - now.spacing)
        values = {"done": covered(now.operation), "length": Length(abs(off))}
        if off > 0:
            said = message(
                "Your laps leave about {percent} % {done} once. Lap {length} more: best for your steadiness.",
                percent=round(once * 100), **values,
            )  # fmt: skip
        else:
            said = message(
                "Your laps leave about {percent} % {done} three times. Lap {length} less: enough for your steadiness.",
                percent=round(thrice * 100), **values,
            )  # fmt: skip
        return Advice("lap", QUIET, said)

    def _grease(self, now):
        if now.grease_in is None or now.grease_in > 0:
            return None
        if now.grease_in < -HOUR / 2:
            said = message(
                "Grease the {tool} at the next stop: it was due, {hours} ago.",
                tool=now.tool, hours=WorkHours(-now.grease_in),
            )  # fmt: skip
        else:
            said = message("Grease the {tool} at the next stop: it was due.", tool=now.tool)
        return Advice("grease", QUIET, said)

    def _break(self, now):
        if now.wander is None or now.seat_s < BREAK_S:
            return None
        first, last = now.wander
        if last < first * self._limit("break", WANDER, WANDER_OFF):
            return None
        said = message(
            "Your laps wander {last}, at first {first}. 10 to 15 minutes off the seat help.",
            last=Length(last), first=Length(first),
        )  # fmt: skip
        return Advice("break", QUIET, said)
