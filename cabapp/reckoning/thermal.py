"""When a crop may come up, and until when ground under it may be rolled. Always an estimate."""

import math
from dataclasses import dataclass

DAY = 86400.0
SAFETY_DAYS = 3.0
"""Before the day reckoned: shoots just under the skin are the most tender. The careful end of the
two to three days of common practice; depth and dry soil move the day far more."""
_LONGEST = 90  # days; a seed that has not had its warmth by then is not foretold

_MEAN, _SWING, _WARMEST = 6.0, 12.0, 205.0
_YEAR = 365.25 * DAY


@dataclass(frozen=True)
class Crop:
    """What closes ground under a crop.

    Attributes
    ----------
    warmth : tuple of (float, float)
        Base temperature, deg C, and thermal time from sowing to emergence, deg C days; where
        sources differ all are given and the earliest counts.
    within : float or None
        Days after seeding in which it has to be rolled, where that is the rule.
    later : str or None
        Until when it may be rolled again once it is up; None: not at all.
    """

    warmth: tuple[tuple[float, float], ...]
    within: float | None = None
    later: str | None = None


CROPS: dict[str, Crop] = {
    "chickpea": Crop(((4.0, 133.0),)),
    "lentil": Crop(((4.5, 94.0), (2.0, 116.0)), later="the 4th node"),
    "pea": Crop(((1.4, 110.0),), later="the 3rd node"),
    "soybean": Crop(((9.9, 71.0),), within=2.0, later="the first trifoliate leaf"),
    "flax": Crop(((1.9, 89.0),)),
    "wheat": Crop(((2.6, 78.0),), later="the 4th leaf"),
    "barley": Crop(((2.6, 79.0),), later="the 4th leaf"),
}
"""Closing rules: the strictest of the growers' and extension sources where they differ (chickpea,
lentil, pea: Saskatchewan, Alberta and Manitoba guides; soybean: Manitoba, North Dakota, Minnesota;
cereals: Alberta county). Thermal times: chickpea (a New Zealand variety), lentil (Iran; New
Zealand) from their abstracts; the others from memory of Angus and others 1981, "Phasic development
in field crops I", Field Crops Research 3, so a guess to be checked by digging. Flax has no stage
limit in any source: before emergence only, from memory too."""


def crop_of(name: str | None) -> Crop | None:
    """Return the rules of a crop as the farm writes it, or None when there are none.

    >>> crop_of("Red lentils") is CROPS["lentil"], crop_of("Chick peas") is CROPS["chickpea"]
    (True, True)
    >>> crop_of("sunflower") is None
    True
    """
    plain = "".join(letter for letter in (name or "").casefold() if letter.isalpha())
    return next((CROPS[word] for word in sorted(CROPS, key=len, reverse=True) if word in plain), None)


def soil_temperature(at: float, reading: tuple[float, float] | None = None) -> float:
    """Return the day's mean soil temperature at seeding depth, deg C.

    Parameters
    ----------
    at : float
        POSIX seconds.
    reading : tuple of float, optional
        Somebody's own reading: POSIX seconds and deg C. The yearly curve is shifted through it.

    Notes
    -----
    mean + swing cos(2 pi (day - warmest) / 365.25), the yearly wave of soil physics (Hillel,
    Introduction to Environmental Soil Physics, ch. 12); 6 and 12 deg C with the warmest on 24 July
    stand for 48 to 52 N inland, from memory. Not for the southern half of the world.

    Examples
    --------
    >>> may = 1778803200.0  # mid-May 2026
    >>> round(soil_temperature(may), 1), round(soil_temperature(may, (may, 8.0)), 1)
    (10.1, 8.0)
    """
    shift = 0.0 if reading is None else reading[1] - _wave(reading[0])
    return _wave(at) + shift


def _wave(at):
    return _MEAN + _SWING * math.cos(math.tau * (at / _YEAR % 1.0 - _WARMEST / 365.25))


def comes_up(seeded: float, crop: Crop, reading: tuple[float, float] | None = None) -> float | None:
    """Return when a crop may come up, POSIX seconds; None when not within 90 days.

    Parameters
    ----------
    seeded : float
        POSIX seconds.
    crop : Crop
    reading : tuple of float, optional
        As for `soil_temperature`.

    Notes
    -----
    Thermal time: the day on which the sum of max(0, T - base) reaches what the crop needs, the
    earliest of its pairs.

    Examples
    --------
    >>> steady = lambda celsius: comes_up(0.0, CROPS["chickpea"], (0.0, celsius))
    >>> steady(10.0) > steady(15.0)
    True
    """
    found = [days_to_emerge(lambda t: soil_temperature(t, reading), seeded, *p) for p in crop.warmth]
    days = [one for one in found if one is not None]
    return seeded + min(days) * DAY if days else None


def days_to_emerge(temperature, seeded: float, base: float, needed: float) -> float | None:
    """Return days from seeding until `needed` deg C days above `base` have come together.

    Parameters
    ----------
    temperature : callable
        POSIX seconds to deg C.
    seeded : float
        POSIX seconds.
    base, needed : float
        deg C, deg C days.

    Examples
    --------
    Chickpea at a steady 10 deg C: 133 / (10 - 4) = 22 days.

    >>> round(days_to_emerge(lambda t: 10.0, 0.0, 4.0, 133.0), 1)
    22.2
    """
    had = 0.0
    for day in range(_LONGEST):
        warmth = max(0.0, temperature(seeded + (day + 0.5) * DAY) - base)
        if had + warmth >= needed:
            return day + (needed - had) / warmth
        had += warmth
    return None


def closes(
    seeded: float,
    crop: Crop,
    reading: tuple[float, float] | None = None,
    safety_days: float = SAFETY_DAYS,
) -> float | None:
    """Return when ground under a crop closes to the roller, POSIX seconds.

    The estimated emergence less the safety days, or the crop's own rule after seeding where that is
    sooner; never before it was seeded. None when nothing is known.

    >>> round(closes(0.0, CROPS["soybean"], (0.0, 15.0)) / DAY, 1)
    2.0
    """
    up = comes_up(seeded, crop, reading)
    known = [] if up is None else [max(seeded, up - safety_days * DAY)]
    if crop.within is not None:
        known.append(seeded + crop.within * DAY)
    return min(known, default=None)
