"""The whole day in lines, for a screen that is looked at standing still. Pure."""

from __future__ import annotations

from collections.abc import Callable

from cabapp.common.units import Units
from cabapp.common.wording import times
from cabapp.planning.half_lap import expected_shares
from cabapp.planning.pursuit import backlog_at_its_end, time_to_catch
from cabapp.session.advice.day_facts import (
    DAY,
    DayFacts,
    best_spacing,
    finished,
    format_duration,
    format_hours,
    spare,
    waiting_jobs,
)


class DaySummary:
    """Puts the day in lines; ``say_time`` and ``say_day`` turn POSIX s into the farm's words."""

    def __init__(self, units: Units, say_time: Callable[[float], str], say_day: Callable[[float], str]):
        self._units, self._say_time, self._say_day = units, say_time, say_day

    def of(self, now: DayFacts) -> tuple[tuple[str, str], ...]:
        """Return (name, words) for everything that is known."""
        named = (
            ("Finish", self._say_finish(now)), ("Daylight", self._say_light(now)),
            ("Rain", None if now.rain is None else f"{self._say_time(now.rain)}, as you said"),
            ("Seeder", self._say_seeder(now)), ("Crop", self._say_crop(now)),
            ("Wind and heat", self._say_weather(now)), ("Fuel", self._say_fuel(now)),
            ("Grease", self._say_grease(now)), ("Mop up", self._say_missed(now)),
            ("Walk round", self._say_faults(now)), ("Your lap", self._say_lap(now)),
            ("Your hours", self._say_wander(now)),
        )  # fmt: skip
        return tuple((name, said) for name, said in named if said)

    def _say_finish(self, now):
        if now.end is None:
            return None
        early, late = self._say_time(now.end.early), "cannot tell"
        if now.end.late - now.now < DAY:
            late = self._say_time(now.end.late)
        said = f"likely {self._say_time(now.end.likely)} ({early} to {late})"
        if now.sunset is None or now.end.likely <= now.sunset:
            return said
        after = f"{format_duration(now.end.likely - now.sunset)} after sunset"
        if now.dusk is not None and now.end.likely > now.dusk:
            after = f"{format_duration(now.end.likely - now.dusk)} after dusk"
        return f"{said}, {after}"

    def _say_light(self, now):
        if now.sunset is None or now.dusk is None:
            return None
        return f"sunset {self._say_time(now.sunset)}, dark from {self._say_time(now.dusk)}"

    def _say_seeder(self, now):
        seen, own = now.seeder, finished(now)
        if seen is None:
            return None
        said = f"{self._units.area(seen.lead)} seeded and not finished"
        if own is None or seen.rate is None:
            return f"{said}."
        seconds = time_to_catch(seen.lead, own, seen.rate)
        if seconds is None:
            more = self._units.area_rate(seen.rate - own)
            behind = backlog_at_its_end(seen.lead, seen.left, own, seen.rate)
            return f"{said}; it grows by {more} to {self._units.area(behind)} when it is done."
        said += f"; you catch up in {format_duration(seconds)}"
        wait = spare(now)
        if wait:
            said += f". With {format_duration(wait)} for {waiting_jobs(now)} you still finish together"
        return f"{said}."

    def _say_crop(self, now):
        if now.closes is None:
            return None
        guess = "a guess from memory" if now.rules and now.rules.guess else "an estimate"
        said = f"{now.crop}: closes {self._say_day(now.closes)} ({guess}: go and dig)"
        if now.left and now.pace:
            said += f", needs {format_hours(now.left / now.pace)}"
        later = now.rules.later if now.rules else None
        return f"{said}; again once up, until {later}." if later else f"{said}; not once it is up."

    def _say_weather(self, now):
        said = []
        if now.wind is not None:
            said.append(f"wind {self._units.speed(now.wind)}")
        if now.air is not None:
            said.append(f"air {self._units.temperature(now.air)}")
        return f"{', '.join(said)}, as you said" if said else None

    def _say_missed(self, now):
        missed = now.missed
        if missed is None:
            return None
        if not missed.places:
            return "nothing missed is worth going back for"
        far = self._units.distance(missed.metres)
        return f"{missed.places} worth it, {far} to drive, {format_duration(missed.seconds)}"

    def _say_faults(self, now):
        if not now.faults:
            return None
        return f"not right: {', '.join(now.faults)} ({now.walker}, {self._say_time(now.walked)})"

    def _say_wander(self, now):
        """Her own business: it is said here and nowhere else."""
        if now.wander is None:
            return None
        first, last = (self._units.length(one) for one in now.wander)
        return f"your laps wander {last} in the last hour, {first} in the first; only you see this"

    def _say_fuel(self, now):
        if now.tank_s is None or now.pace is None:
            return None
        area = self._units.area(now.tank_s * now.pace / now.target)
        return f"for about {area} {times(now.target)}, {format_hours(now.tank_s)} of work"

    def _say_grease(self, now):
        if now.grease_in is None:
            return None
        return f"in {format_hours(now.grease_in)} of work" if now.grease_in > 0 else "due"

    def _say_lap(self, now):
        best = best_spacing(now)
        if best is None:
            return None
        inside = now.width / 2 - best
        once, thrice = expected_shares(now.width, now.lap_sigma, inside)
        said = f"steady to {self._units.length(now.lap_sigma)}: aim {self._units.length(inside)} inside half"
        return f"{said} (then about {once * 100:.0f} % once, {thrice * 100:.0f} % three times)"
