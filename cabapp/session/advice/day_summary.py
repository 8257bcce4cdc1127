"""The whole day in lines, for a screen that is looked at standing still. Pure."""

from cabapp.common.message import N_, Message, message, plural
from cabapp.common.quantities import (
    Area,
    AreaRate,
    ClockTime,
    Day,
    Distance,
    Duration,
    Length,
    Speed,
    Temperature,
    WorkHours,
)
from cabapp.common.wording import how_often
from cabapp.planning.half_lap import expected_shares
from cabapp.planning.pursuit import backlog_at_its_end, time_to_catch
from cabapp.session.advice.day_facts import DAY, DayFacts, best_spacing, finished, spare, waiting_jobs

STAGES = N_(("the 4th node", "the 3rd node", "the first trifoliate leaf", "the 4th leaf"))
"""Until when crops of ``cabapp.planning.emergence`` may be rolled again."""


def day_lines(now: DayFacts) -> tuple[tuple[str, Message], ...]:
    """Return (name, message) for everything that is known of the day."""
    named = (
        (N_("Finish"), _finish(now)), (N_("Daylight"), _light(now)), (N_("Rain"), _rain(now)),
        (N_("Seeder"), _seeder(now)), (N_("Crop"), _crop(now)), (N_("Wind and heat"), _weather(now)),
        (N_("Fuel"), _fuel(now)), (N_("Grease"), _grease(now)), (N_("Mop up"), _missed(now)),
        (N_("Walk round"), _faults(now)), (N_("Your lap"), _lap(now)), (N_("Your hours"), _wander(now)),
    )  # fmt: skip
    return tuple((name, said) for name, said in named if said)


def _finish(now):
    if now.end is None:
        return None
    late = ClockTime(now.end.late) if now.end.late - now.now < DAY else message("cannot tell")
    values = {"likely": ClockTime(now.end.likely), "early": ClockTime(now.end.early), "late": late}
    if now.sunset is None or now.end.likely <= now.sunset:
        return message("likely {likely} ({early} to {late})", **values)
    if now.dusk is not None and now.end.likely > now.dusk:
        after = Duration(now.end.likely - now.dusk)
        return message("likely {likely} ({early} to {late}), {after} after dusk", after=after, **values)
    after = Duration(now.end.likely - now.sunset)
    return message("likely {likely} ({early} to {late}), {after} after sunset", after=after, **values)


def _light(now):
    if now.sunset is None or now.dusk is None:
        return None
    return message("sunset {sunset}, dark from {dusk}", sunset=ClockTime(now.sunset), dusk=ClockTime(now.dusk))


def _rain(now):
    return None if now.rain is None else message("{time}, as you said", time=ClockTime(now.rain))


def _seeder(now):
    seen, own = now.seeder, finished(now)
    if seen is None:
        return None
    area = Area(seen.lead)
    if own is None or seen.rate is None:
        return message("{area} seeded and not finished.", area=area)
    seconds, wait = time_to_catch(seen.lead, own, seen.rate), spare(now)
    if seconds is None:
        return message(
            "{area} seeded and not finished; it grows by {rate} to {later} when it is done.",
            area=area, rate=AreaRate(seen.rate - own),
            later=Area(backlog_at_its_end(seen.lead, seen.left, own, seen.rate)),
        )  # fmt: skip
    if not wait:
        return message("{area} seeded and not finished; you catch up in {time}.", area=area, time=Duration(seconds))
    return message(
        "{area} seeded and not finished; you catch up in {time}. With {spare} for {jobs} you still finish together.",
        area=area, time=Duration(seconds), spare=Duration(wait), jobs=waiting_jobs(now),
    )  # fmt: skip


def _crop(now):
    if now.closes is None:
        return None
    guess = message("a guess from memory") if now.rules and now.rules.guess else message("an estimate")
    values = {"crop": now.crop, "day": Day(now.closes), "guess": guess}
    if now.rules and now.rules.later:
        values["later"] = Message(now.rules.later)
        if now.left and now.pace:
            return message(
                "{crop}: closes {day} ({guess}: go and dig), needs {hours}; again once up, until {later}.",
                hours=WorkHours(now.left / now.pace), **values,
            )  # fmt: skip
        return message("{crop}: closes {day} ({guess}: go and dig); again once up, until {later}.", **values)
    if now.left and now.pace:
        return message(
            "{crop}: closes {day} ({guess}: go and dig), needs {hours}; not once it is up.",
            hours=WorkHours(now.left / now.pace), **values,
        )  # fmt: skip
    return message("{crop}: closes {day} ({guess}: go and dig); not once it is up.", **values)


def _weather(now):
    if now.wind is None:
        return None if now.air is None else message("air {air}, as you said", air=Temperature(now.air))
    if now.air is None:
        return message("wind {wind}, as you said", wind=Speed(now.wind))
    return message("wind {wind}, air {air}, as you said", wind=Speed(now.wind), air=Temperature(now.air))


def _missed(now):
    missed = now.missed
    if missed is None:
        return None
    if not missed.places:
        return message("nothing missed is worth going back for")
    return plural(
        "{count} worth it, {distance} to drive, {time}", "{count} worth it, {distance} to drive, {time}",
        missed.places, distance=Distance(missed.metres), time=Duration(missed.seconds),
    )  # fmt: skip


def _faults(now):
    if not now.faults:
        return None
    return message(
        "not right: {parts} ({name}, {time})",
        parts=tuple(map(Message, now.faults)), name=now.walker, time=ClockTime(now.walked),
    )  # fmt: skip


def _wander(now):
    """Return the operator's own spread of lap, which is shown here and nowhere else."""
    if now.wander is None:
        return None
    first, last = map(Length, now.wander)
    return message(
        "your laps wander {last} in the last hour, {first} in the first; only you see this", last=last, first=first
    )


def _fuel(now):
    if now.tank_s is None or now.pace is None:
        return None
    return message(
        "for about {area} {times}, {hours} of work",
        area=Area(now.tank_s * now.pace / now.target), times=how_often(now.target), hours=WorkHours(now.tank_s),
    )  # fmt: skip


def _grease(now):
    if now.grease_in is None:
        return None
    return message("in {hours} of work", hours=WorkHours(now.grease_in)) if now.grease_in > 0 else message("due")


def _lap(now):
    best = best_spacing(now)
    if best is None:
        return None
    inside = now.width / 2 - best
    once, thrice = expected_shares(now.width, now.lap_sigma, inside)
    return message(
        "steady to {sigma}: aim {inside} inside half (then about {once} % once, {thrice} % three times)",
        sigma=Length(now.lap_sigma), inside=Length(inside), once=round(once * 100), thrice=round(thrice * 100),
    )  # fmt: skip
