"""The whole day in lines, for a screen that is looked at standing still. Pure."""

from __future__ import annotations

from collections.abc import Callable

from cabapp.reckoning.lapping import best_inside, expected_shares
from cabapp.reckoning.pursuit import time_to_catch, wait_to_finish_together
from cabapp.session.known import DAY, Known, finished, hours, spell
from cabapp.session.recover import MISS_TO_EXTRA
from cabapp.session.words import times
from cabapp.units import Units


class DayLines:
    """Puts the day in lines; ``say_time`` and ``say_day`` turn POSIX s into the farm's words."""

    def __init__(
        self, units: Units, say_time: Callable[[float], str], say_day: Callable[[float], str]
    ):
        self._units, self._say_time, self._say_day = units, say_time, say_day

    def of(self, now: Known) -> tuple[tuple[str, str], ...]:
        """Return (name, words) for everything that is known."""
        named = (
            ("Finish", self._say_finish(now)), ("Daylight", self._say_light(now)),
            ("Rain", None if now.rain is None else f"{self._say_time(now.rain)}, as you said"),
            ("Seeder", self._say_seeder(now)), ("Crop", self._say_crop(now)),
            ("Fuel", self._say_fuel(now)), ("Grease", self._say_grease(now)),
            ("Your lap", self._say_lap(now)),
        )  # fmt: skip
        return tuple((name, said) for name, said in named if said)

    def _say_finish(self, now):
        if now.end is None:
            return None
        early, late = self._say_time(now.end.early), "cannot tell"
        if now.end.late - now.now < DAY:
            late = self._say_time(now.end.late)
        return f"likely {self._say_time(now.end.likely)} ({early} to {late})"

    def _say_light(self, now):
        if now.sunset is None or now.dusk is None:
            return None
        return f"sunset {self._say_time(now.sunset)}, dark from {self._say_time(now.dusk)}"

    def _say_seeder(self, now):
        seen, own = now.seeder, finished(now)
        if seen is None:
            return None
        said = f"{self._units.area(seen.lead)} seeded and not finished"
        if own is None:
            return f"{said}."
        seconds = time_to_catch(seen.lead, own, seen.rate)
        if seconds is None:
            more = self._units.area_rate(seen.rate - own)
            return f"{said}; it grows by {more}."
        said += f"; you catch up in {spell(seconds)}"
        wait = wait_to_finish_together(seen.left, own, seen.rate) - seconds if seen.rate > 0 else 0
        if wait > 0:
            said += f". With {spell(wait)} for gaps, rocks, grease and fuel you still finish together"
        return f"{said}."

    def _say_crop(self, now):
        if now.closes is None:
            return None
        said = f"{now.crop}: closes {self._say_day(now.closes)} (an estimate: go and dig)"
        if now.left and now.pace:
            said += f", needs {hours(now.left / now.pace)}"
        later = now.rules.later if now.rules else None
        return f"{said}; again once up, until {later}." if later else f"{said}; not once it is up."

    def _say_fuel(self, now):
        if now.tank_s is None or now.pace is None:
            return None
        area = self._units.area(now.tank_s * now.pace / now.target)
        return f"for about {area} {times(now.target)}, {hours(now.tank_s)} of work"

    def _say_grease(self, now):
        if now.grease_in is None:
            return None
        return f"in {hours(now.grease_in)} of work" if now.grease_in > 0 else "due"

    def _say_lap(self, now):
        if now.lap_sigma is None or now.target != 2 or not now.width:
            return None
        inside = min(best_inside(now.lap_sigma, MISS_TO_EXTRA), now.width / 4)
        once, thrice = expected_shares(now.width, now.lap_sigma, inside)
        said = f"steady to {self._units.length(now.lap_sigma)}: aim {self._units.length(inside)} inside half"
        return f"{said} (then about {once:.0%} once, {thrice:.0%} three times)"
