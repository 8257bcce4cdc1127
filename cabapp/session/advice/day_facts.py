"""Facts of the day as plain values. Pure."""

from dataclasses import dataclass

from cabapp.common.message import Message, message, plural
from cabapp.planning.emergence import Crop
from cabapp.planning.finish_time import Finish
from cabapp.planning.half_lap import MISS_TO_EXTRA, best_inside
from cabapp.planning.pursuit import time_to_spare
from cabapp.session.state.open_stint import OpenStint

HOUR, DAY = 3600.0, 86400.0
WEATHER_LASTS_S = 3 * HOUR
"""Wind and heat told longer ago are not those of now."""


@dataclass(frozen=True, slots=True)
class SeederLead:
    """The seeder ahead: ``lead`` m2 seeded and not finished, ``rate`` m2/s (0: it stands; None: not
    known), ``left`` m2 not seeded yet, as of ``at``."""

    lead: float
    rate: float | None
    left: float
    at: float


@dataclass(frozen=True, slots=True)
class GapTourSummary:
    """The mop-up that is worth it: how many places, all of the way, m, and the time, s."""

    places: int
    metres: float
    seconds: float


@dataclass(frozen=True, slots=True)
class DayFacts:
    """What is known of the day. SI, POSIX s; None where not known.

    ``left`` is the pass area lacking, ``pace`` the work rate in m2 of passes a second, ``expected`` what is
    reckoned with until that is known; ``tank_s`` how long what is in the tank lasts at work;
    ``closes`` and ``up`` the crop clock; ``looked`` when no shoots were last found; ``grease_in``
    seconds of work until grease is due; ``wander`` the spread of pass spacing in the first hour and the last,
    m; ``spacing`` how far the last passes lie apart, m; ``seat_s`` since the last stop of ten minutes;
    ``faults`` what the last walk round found, by ``walker`` at ``walked``; ``rocks`` how many are to
    be picked.
    """

    now: float
    state: str
    width: float = 0.0
    target: int = 2
    operation: str = "rolling"
    tool: str = "tool"
    left: float | None = None
    pace: float | None = None
    expected: float | None = None
    end: Finish | None = None
    speed: float | None = None
    sunset: float | None = None
    dusk: float | None = None
    rain: float | None = None
    tank_s: float | None = None
    crop: str | None = None
    rules: Crop | None = None
    closes: float | None = None
    up: float | None = None
    looked: float | None = None
    grease_in: float | None = None
    seeder: SeederLead | None = None
    wander: tuple[float, float] | None = None
    lap_sigma: float | None = None
    spacing: float | None = None
    seat_s: float = 0.0
    missed: GapTourSummary | None = None
    rocks: int = 0
    faults: tuple[str, ...] = ()
    walker: str = ""
    walked: float = 0.0
    wind: float | None = None
    air: float | None = None


def weather(stint: OpenStint, t: float) -> tuple[float | None, float | None]:
    """Return wind, m/s, and air, deg C, as the operator told them lately; None where not known."""
    tap = stint.last.get("weather")
    if tap is None or not 0 <= t - tap.at <= WEATHER_LASTS_S:
        return None, None
    told = tap.detail or {}
    return told.get("wind"), told.get("air")


def finished(now: DayFacts) -> float | None:
    """Return ground finished a second, m2/s: every place needs ``target`` passes."""
    pace = now.pace or now.expected
    return pace / now.target if pace else None


def best_spacing(now: DayFacts) -> float | None:
    """Return the best pass spacing for the operator's spread, m; only for ground done twice."""
    if now.lap_sigma is None or now.target != 2 or not now.width:
        return None
    return now.width / 2 - min(best_inside(now.lap_sigma, MISS_TO_EXTRA), now.width / 4)


def spare(now: DayFacts) -> float | None:
    """Return the seconds to spare before work must start to finish with the seeder, if that works."""
    seen, own = now.seeder, finished(now)
    if seen is None or not seen.rate or own is None or seen.left <= 0:
        return None
    return time_to_spare(seen.lead, seen.left, own, seen.rate)


def waiting_jobs(now: DayFacts) -> tuple[Message, ...]:
    """Return what there is to do while waiting: what is known to be due, else what there may be."""
    jobs = []
    if now.missed is not None and now.missed.places:
        jobs.append(plural("{count} gap", "{count} gaps", now.missed.places))
    if now.rocks:
        jobs.append(plural("{count} rock to pick", "{count} rocks to pick", now.rocks))
    if now.grease_in is not None and now.grease_in < 2 * HOUR:
        jobs.append(message("grease"))
    if now.tank_s is not None and now.tank_s < 2 * HOUR:
        jobs.append(message("fuel"))
    return tuple(jobs) or (message("gaps"), message("rocks"), message("grease"), message("fuel"))
