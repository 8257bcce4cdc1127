"""What of ground and weather stops the work, with the farm's own limits. Pure."""

from dataclasses import dataclass, replace
from typing import Any

MPH = 0.44704  # m/s, exact
WIND = 15 * MPH
"""Soil begins to blow at about 15 mph (University of Nebraska, soil erosion lesson); on bare, smooth,
dry ground that blows easily at 6 mph a foot above it (Nebraska G1537): a farm that has such sets it."""
HEAT = 25.0
"""deg C of the air: rolled at 25 to 30, seedlings were set back (an Alberta specialist, 2018)."""

ANSWERS = ("shoots", "mud", "wet", "blowing")
"""What the operator may find on inspection, the worst first. All stop the work by growers' and
extension guides: shoots under the skin break; mud lifts plants; wet ground packs and crusts, and wet
leaves carry disease; rolled soil blows."""


@dataclass(frozen=True)
class GoRules:
    """What stops the work: `answers` of `ANSWERS`; wind, m/s; air, deg C, after emergence.

    None sets no limit.
    """

    answers: tuple[str, ...] = ANSWERS
    wind: float | None = WIND
    heat: float | None = HEAT


def own_rules(said: dict[str, Any] | None) -> GoRules:
    """Return the rules with what a farm set for itself.

    `said`: "wind_m_s" and "air_c", numbers or None for no limit; "ignore", a list of `ANSWERS` that do not stop the
        work there. What is left out stays as it is.
    Raises ValueError: a rule that is not possible; the sentence names it.

    >>> own_rules({"wind_m_s": 2.7, "air_c": None, "ignore": ["wet"]})
    GoRules(answers=('shoots', 'mud', 'blowing'), wind=2.7, heat=None)
    """
    rules = GoRules()
    for name, value in (said or {}).items():
        if name == "ignore":
            if not isinstance(value, list) or not set(map(str, value)) <= set(ANSWERS):
                raise ValueError(f"what is ignored is a list of: {', '.join(ANSWERS)}")
            rules = replace(rules, answers=tuple(one for one in ANSWERS if one not in value))
        elif name == "wind_m_s":
            rules = replace(rules, wind=_limit(name, value, 0.5, 40.0))
        elif name == "air_c":
            rules = replace(rules, heat=_limit(name, value, 5.0, 50.0))
        else:
            raise ValueError(f"{name} is no rule of going; there are wind_m_s, air_c and ignore")
    return rules


def _limit(name: str, value: object, least: float, most: float) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise ValueError(f"{name} is a number from {least:g} to {most:g}, or nothing for no limit")
    return float(value)


def stops(
    rules: GoRules, answers: dict[str, bool], wind: float | None = None, air: float | None = None, up: bool = False
) -> tuple[str, ...]:
    """Return what stops the work now, the worst first: of `ANSWERS`, then "wind" and "heat".

    `answers` are those of the last look, by `ANSWERS`; `wind` is m/s, `air` deg C, None when not
    known; heat matters only after emergence (`up`).

    >>> stops(GoRules(), {"wet": True, "shoots": True}, wind=8.0, air=31.0)
    ('shoots', 'wet', 'wind')
    >>> stops(GoRules(), {}, wind=3.0, air=31.0, up=True)
    ('heat',)
    """
    found = [one for one in rules.answers if answers.get(one)]
    if wind is not None and rules.wind is not None and wind >= rules.wind:
        found.append("wind")
    if up and air is not None and rules.heat is not None and air >= rules.heat:
        found.append("heat")
    return tuple(found)
