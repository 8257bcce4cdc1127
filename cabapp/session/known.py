"""What is known of the day, as plain values, and how lengths of time are said. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from cabapp.reckoning.finish import Finish
from cabapp.reckoning.thermal import Crop

HOUR, DAY = 3600.0, 86400.0


@dataclass(frozen=True, slots=True)
class Ask:
    """One sentence of the day: ``key`` names its cause, ``rank`` is the line's."""

    key: str
    rank: int
    words: str


@dataclass(frozen=True, slots=True)
class Pursuit:
    """The seeder ahead: ``lead`` m2 seeded and not finished, ``rate`` m2/s (0: it stands),
    ``left`` m2 not seeded yet, as of ``at``."""

    lead: float
    rate: float
    left: float
    at: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the day. SI, POSIX s; None where not known.

    ``left`` is the pass area lacking, ``pace`` hers in m2 of passes a second; ``tank_s`` how long
    what is in the tank lasts at work; ``closes`` and ``up`` the crop clock; ``looked`` when she last
    found no shoots; ``grease_in`` seconds of work until grease is due; ``wander`` her spread of lap
    in her first hour and the last, m; ``seat_s`` since she last stood ten minutes.
    """

    now: float
    state: str
    width: float = 0.0
    target: int = 2
    tool: str = "tool"
    left: float | None = None
    pace: float | None = None
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
    seeder: Pursuit | None = None
    wander: tuple[float, float] | None = None
    lap_sigma: float | None = None
    seat_s: float = 0.0


def finished(now: Known) -> float | None:
    """Return ground finished a second at her pace, m2/s: every place needs ``target`` passes."""
    return None if not now.pace else now.pace / now.target


def spell(seconds: float) -> str:
    """Say a length of time roughly, as one would.

    >>> spell(200), spell(40 * 60 + 20), spell(4300)
    ('3 min', '40 min', '1 h 10')
    """
    minutes = max(1, round(seconds / 60))
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {5 * (minutes % 60 // 5):02d}"


def hours(seconds: float) -> str:
    """Say hours of work.

    >>> hours(39600), hours(5400), hours(900)
    ('11 h', '1.5 h', '15 min')
    """
    if seconds < HOUR:
        return f"{max(1, round(seconds / 60))} min"
    return f"{seconds / HOUR:.0f} h" if seconds >= 9.5 * HOUR else f"{seconds / HOUR:.1f} h"
