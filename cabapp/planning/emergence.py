"""When a crop may emerge, and until when ground under it may be rolled. An estimate. Pure."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

DAY = 86400.0
SAFETY_DAYS = 3.0
"""Before the estimated day: shoots just under the surface are the most tender. The careful end of the
two to three days of common practice; depth and dry soil move the day far more."""
_LONGEST = 90  # days; no estimate beyond

_MEAN, _SWING, _WARMEST = 6.0, 12.0, 205.0
_YEAR = 365.25 * DAY


@dataclass(frozen=True)
class Crop:
    """When ground under a crop closes.

    `warmth`: base temperature, deg C, and thermal time from sowing to emergence, deg C days; where sources differ all
        are given and the earliest counts.
    `within`: days after seeding within which it has to be rolled, where that is the rule.
    `later`: until when it may be rolled again after emergence; None: not at all.
    `safety_days`: days before the estimated day on which it closes.
    `guess`: the thermal time is from memory, and is called a guess.
    """

    warmth: tuple[tuple[float, float], ...]
    within: float | None = None
    later: str | None = None
    safety_days: float = SAFETY_DAYS
    guess: bool = False


FAHRENHEIT = 5 / 9  # deg C days in a deg F day

CROPS: dict[str, Crop] = {
    "chickpea": Crop(((4.0, 133.0), (0.0, 280 * FAHRENHEIT))),
    "lentil": Crop(((4.5, 94.0), (2.0, 116.0)), later="the 4th node"),
    "pea": Crop(((1.4, 110.0),), later="the 3rd node", guess=True),
    "bean": Crop(((10.0, 90 * FAHRENHEIT),), guess=True),
    "faba": Crop(((1.4, 110.0),), guess=True),
    "soybean": Crop(((10.0, 90 * FAHRENHEIT),), within=2.0, later="the first trifoliate leaf"),
    "flax": Crop(((1.9, 89.0),), guess=True),
    "wheat": Crop(((0.0, 180 * FAHRENHEIT),), later="the 4th leaf"),
    "barley": Crop(((0.0, 176 * FAHRENHEIT),), later="the 4th leaf"),
}
"""Closing rules: the strictest of the growers' and extension sources where they differ (chickpea,
lentil, pea: Saskatchewan, Alberta and Manitoba guides; dry bean, faba: before emergence only;
soybean: Manitoba, North Dakota, Minnesota; cereals: an Alberta county). Flax has no stage limit in
any source: before emergence only, from memory.

Thermal times. Chickpea: 133 above 4 deg C (a New Zealand variety, from its abstract) and 280 deg F
days above 32 (Miller, Lanier and Brandt 2001, Montana State University MT200103AG, as Oregon
State University's degree-day calculator quotes it). Lentil: abstracts from Iran and New Zealand.
Soybean: 90 to 130 deg F days above 50 (Iowa State University Extension, 19 April 2021, quoting Conley
and Gaska, and Casteel, 2010), the lower. Barley 176 and wheat 180 deg F days above 32 (North Dakota
State University Extension, Williams County, 16 May 2012). Pea and flax are from memory of Angus and
others 1981, "Phasic development in field crops I", Field Crops Research 3; faba bean is taken for
pea and dry bean for soybean: guesses, and called so."""

_OWN = {"warmth", "within_days", "later", "safety_days"}


def with_own(rules: dict[str, Any] | None) -> dict[str, Crop]:
    """Return the crops with a farm's own rules on top.

    `rules`: by crop: "warmth", pairs of base (deg C) and thermal time (deg C days); "within_days"; "later", text or
        None; "safety_days". The rest stays as it is; an unknown crop needs warmth.
    Raises ValueError: a rule that is not possible; the sentence names it.

    >>> own = with_own({"lentil": {"later": "the 5th node", "safety_days": 2}})
    >>> own["lentil"].later, own["lentil"].safety_days, own["pea"] is CROPS["pea"]
    ('the 5th node', 2.0, True)
    """
    crops = dict(CROPS)
    for name, said in (rules or {}).items():
        if not isinstance(said, dict) or not set(said) <= _OWN:
            raise ValueError(f"the rule of {name} takes {', '.join(sorted(_OWN))}, and nothing else")
        word = "".join(letter for letter in str(name).casefold() if letter.isalpha())
        known = crops.get(word)
        if not word or (known is None and "warmth" not in said):
            raise ValueError(f"{name} is not known here, so its rule needs warmth")
        changed: dict[str, Any] = {}
        if "warmth" in said:
            changed = {"warmth": _pairs(name, said["warmth"]), "guess": False}
        if "within_days" in said:
            changed["within"] = _days(name, said["within_days"], None)
        if "safety_days" in said:
            changed["safety_days"] = _days(name, said["safety_days"], SAFETY_DAYS)
        if "later" in said:
            changed["later"] = None if said["later"] is None else str(said["later"])
        crops[word] = replace(known or Crop(()), **changed)
    return crops


def _pairs(name: str, said: Any) -> tuple[tuple[float, float], ...]:
    try:
        pairs = tuple((float(base), float(needed)) for base, needed in said)
    except (TypeError, ValueError):
        pairs = ()
    if not pairs or not all(-10 <= base <= 30 and 0 < needed <= 1000 for base, needed in pairs):
        raise ValueError(f"the warmth of {name} is pairs such as [[4.0, 133.0]], deg C and deg C days")
    return pairs


def _days(name: str, said: object, unsaid: float | None) -> float | None:
    if said is None:
        return unsaid
    if isinstance(said, bool) or not isinstance(said, int | float) or not 0 <= said <= 60:
        raise ValueError(f"the days of {name} are a number from 0 to 60")
    return float(said)


def crop_of(name: str | None, crops: dict[str, Crop] = CROPS) -> Crop | None:
    """Return the rules of a crop as the farm writes it, or None when there are none.

    >>> crop_of("Red lentils") is CROPS["lentil"], crop_of("Chick peas") is CROPS["chickpea"]
    (True, True)
    >>> crop_of("Soya beans") is CROPS["soybean"], crop_of("dry beans") is CROPS["bean"]
    (True, True)
    >>> crop_of("sunflower") is None
    True
    """
    plain = "".join(letter for letter in (name or "").casefold() if letter.isalpha())
    plain = plain.replace("soyabean", "soybean")
    return next((crops[word] for word in sorted(crops, key=len, reverse=True) if word in plain), None)


def soil_temperature(at: float, reading: tuple[float, float] | None = None) -> float:
    """Return the day's mean soil temperature at seeding depth, deg C, at a time, POSIX s.

    `reading` is the operator's own, POSIX s and deg C: the yearly curve is shifted through it.

    Notes: mean + swing cos(2 pi (day - warmest) / 365.25), the yearly wave of soil physics (Hillel, Introduction to
    Environmental Soil Physics, ch. 12); 6 and 12 deg C with the warmest on 24 July stand for 48 to 52 N inland, from
    memory. Not for the southern hemisphere.

    >>> may = 1778803200.0  # mid-May 2026
    >>> round(soil_temperature(may), 1), round(soil_temperature(may, (may, 8.0)), 1)
    (10.1, 8.0)
    """
    shift = 0.0 if reading is None else reading[1] - _wave(reading[0])
    return _wave(at) + shift


def _wave(at: float) -> float:
    return _MEAN + _SWING * math.cos(math.tau * (at / _YEAR % 1.0 - _WARMEST / 365.25))


def comes_up(seeded: float, crop: Crop, reading: tuple[float, float] | None = None) -> float | None:
    """Return when a crop seeded at a time may emerge, POSIX s; None when not within 90 days.

    `reading` is as for `soil_temperature`. The earliest of the crop's thermal times counts.

    >>> steady = lambda celsius: comes_up(0.0, CROPS["chickpea"], (0.0, celsius))
    >>> steady(10.0) > steady(15.0)
    True
    """
    found = [days_to_emerge(lambda t: soil_temperature(t, reading), seeded, *p) for p in crop.warmth]
    days = [one for one in found if one is not None]
    return seeded + min(days) * DAY if days else None


def days_to_emerge(temperature: Callable[[float], float], seeded: float, base: float, needed: float) -> float | None:
    """Return days from seeding (POSIX s) until the sum of max(0, T - base) is `needed` deg C days.

    `temperature` gives deg C at POSIX s; `base` is deg C; None when not within 90 days.

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


def closes(seeded: float, crop: Crop, reading: tuple[float, float] | None = None) -> float | None:
    """Return when ground under a crop closes to the roller, POSIX seconds.

    The estimated emergence less its safety days, or the crop's own rule after seeding where that is
    sooner; never before it was seeded. None when nothing is known.

    >>> round(closes(0.0, CROPS["soybean"], (0.0, 15.0)) / DAY, 1)
    2.0
    """
    up = comes_up(seeded, crop, reading)
    known = [] if up is None else [max(seeded, up - crop.safety_days * DAY)]
    if crop.within is not None:
        known.append(seeded + crop.within * DAY)
    return min(known, default=None)
