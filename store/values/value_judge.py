"""What the value of a column can mean: one judge for what is written at every door, and for what is read.

Notes: What can be stored at all (types, Unicode, finite numbers) is a matter of form: `store.facts.reference_changes`. A bundle
brings whatever is right in form, for its signer's pages are taken whole; what is odd in meaning is passed over by readers
(`store.values.sound_rows`). Values of JSON have judges of their own: `cabapp.position.boundaries.boundary_judge`,
`cabapp.jobs.records.tap_kinds`, `cabapp.planning.emergence` and `go_rules`. The limits are our own choice, each wider than
anything on a farm.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from store.errors import Message, Refused, message
from store.limits import INSTANT_LIMIT_S, LARGEST_INT
from store.models import ENROLMENT_STATES

NAME, NOTE = 200, 2000
"""Letters of a name and of a note."""
_UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ud800-\udfff]")
"""Signs that steer a terminal or turn the direction of a line."""


class ValueRefused(Refused):
    """A value that its column cannot have; nothing was written."""


@dataclass(frozen=True)
class NumberRule:
    """Numbers from `low` to `high`, SI; `exclusive`: not `low` itself; `whole`: no fraction. A `measure` cannot be guessed: its row is held where it is odd."""

    low: float
    high: float
    exclusive: bool = False
    measure: bool = True
    whole: bool = False

    def fits(self, value: Any) -> bool:
        """Return whether a value is such a number."""
        if isinstance(value, bool) or not isinstance(value, int if self.whole else (int, float)):
            return False
        return (self.low < value if self.exclusive else self.low <= value) and value <= self.high

    def instead(self, value: float) -> float:
        """Return the nearest number that fits."""
        least = self.low + 1e-6 * (self.high - self.low) if self.exclusive else self.low
        return min(max(value, least), self.high)

    @property
    def words(self) -> Message:
        if self.exclusive:
            return message("more than {low}, and {high} at most", low=f"{self.low:g}", high=f"{self.high:g}")
        return message("{low} to {high}", low=f"{self.low:g}", high=f"{self.high:g}")


@dataclass(frozen=True)
class TextRule:
    """Text of at most `longest` letters, all of them to be seen; `needed`: not empty."""

    longest: int = NAME
    needed: bool = False
    measure = False

    def fits(self, value: Any) -> bool:
        """Return whether a value is such a text."""
        return (
            isinstance(value, str)
            and len(value) <= self.longest
            and not (self.needed and not value.strip())
            and not _UNSEEN.search(value)
        )

    def instead(self, value: str) -> str:
        """Return what can be shown of a text."""
        return " ".join(_UNSEEN.sub(" ", value[: self.longest]).split()) or ("?" if self.needed else "")

    @property
    def words(self) -> Message:
        if self.needed:
            return message("1 to {most} letters on one line", most=self.longest)
        return message("{most} letters on one line at most", most=self.longest)


@dataclass(frozen=True)
class WordRule:
    """One of some words; `otherwise` is read in place of any other."""

    choices: tuple[str, ...]
    otherwise: str
    measure = False

    def fits(self, value: Any) -> bool:
        """Return whether a value is one of the words."""
        return value in self.choices

    def instead(self, _value: str) -> str:
        """Return what is read in place of another word."""
        return self.otherwise

    @property
    def words(self) -> Message:
        return message("one of: {choices}", choices=self.choices)


@dataclass(frozen=True)
class ZoneRule:
    """A name of the time zones of IANA that this machine knows, or that has the form of one."""

    measure = False

    def fits(self, value: Any) -> bool:
        """Return whether a value is such a name."""
        return isinstance(value, str) and _is_zone(value)

    def instead(self, _value: str) -> str:
        """Return the zone in which times are written meanwhile."""
        return "UTC"

    @property
    def words(self) -> Message:
        return message("a time zone such as America/Chicago")


Rule = NumberRule | TextRule | WordRule | ZoneRule


@cache
def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


_INSTANT = NumberRule(-INSTANT_LIMIT_S, INSTANT_LIMIT_S, measure=False)  # a clock may show anything: `records.dating`
_NAME, _WORD, _NOTE, _ID = TextRule(needed=True), TextRule(60, needed=True), TextRule(NOTE), TextRule(NAME)
_WIDTH = NumberRule(0.5, 100.0)
_BEHIND_ANTENNA, _BEHIND_HITCH, _ASIDE = NumberRule(-15.0, 40.0), NumberRule(0.0, 40.0), NumberRule(-20.0, 20.0)
_TARGET = NumberRule(1, 9, measure=False, whole=True)
_LAT, _LON = NumberRule(-90.0, 90.0), NumberRule(-181.0, 181.0)
_MONEY = NumberRule(0.0, 1e6)
_ANY_WHOLE = NumberRule(-LARGEST_INT, LARGEST_INT, measure=False, whole=True)
_WHOLE = NumberRule(0, LARGEST_INT, whole=True)

RULES: dict[str, dict[str, Rule]] = {
    "farm": {
        "name": _NAME, "timezone": ZoneRule(), "units": WordRule(("us", "metric"), "us"), "fuel_price_per_l": NumberRule(0.0, 1000.0),
        "currency": TextRule(4),
    },
    "operator": {"name": _NAME, "phone": TextRule(60), "rate_per_h": _MONEY},
    "tractor": {"name": _NAME, "tank_l": NumberRule(0.0, 5000.0), "cost_per_h": _MONEY},
    "tool": {
        "name": _NAME, "operation": _WORD, "width_m": _WIDTH, "grease_every_h": NumberRule(0.0, 1e4, exclusive=True),
        "sections": TextRule(NOTE),
    },
    "hitching": {
        "antenna_to_hitch_m": _BEHIND_ANTENNA, "hitch_to_line_m": _BEHIND_HITCH, "side_m": _ASIDE, "width_m": _WIDTH,
    },
    "field": {"name": _NAME, "crop": TextRule(60), "target": _TARGET, "gate_lat": _LAT, "gate_lon": _LON},
    "parcel": {"name": _NAME, "landlord": _NAME, "share": NumberRule(0.0, 1.0), "rule": _NOTE},
    "job": {"operation": _WORD, "season": NumberRule(1970, 2100, whole=True), "target": _TARGET, "agreed_area_m2": NumberRule(1.0, 1e8)},
    "stint": {
        "width_m": _WIDTH, "hitch_to_line_m": _BEHIND_HITCH, "antenna_to_hitch_m": _BEHIND_ANTENNA, "side_m": _ASIDE,
        "receiver": _NOTE, "sections": TextRule(NOTE), "at": _INSTANT,
    },
    "tap": {"kind": _WORD, "at": _INSTANT, "reason": _NOTE, "lat": _LAT, "lon": _LON},
    "trace_chunk": {"n": _WHOLE, "first_at": _INSTANT, "last_at": _INSTANT, "count": _WHOLE},
    "mark": {"kind": _WORD, "lat": _LAT, "lon": _LON, "at": _INSTANT, "note": _NOTE},
    "fuel_entry": {"at": _INSTANT, "litres": NumberRule(0.0, 5000.0, exclusive=True), "price_per_l": NumberRule(0.0, 1000.0)},
    "hand_over": {
        "at": _INSTANT, "state": WordRule(("fine", "watch", "stopped"), "watch"), "next_lat": _LAT, "next_lon": _LON,
    },
    "hand_over_receipt": {
        "at": _INSTANT, "pointed_lat": _LAT, "pointed_lon": _LON, "metres_off": NumberRule(0.0, 3e7),
    },
    "correction": {"corrects_table": _WORD, "corrects_id": _ID, "at": _INSTANT, "reason": _NOTE},
    "retirement": {"subject": _ID, "first": _ANY_WHOLE, "last": _ANY_WHOLE, "at": _INSTANT},  # see `doubled_numbers`
    "clock_era": {
        "at": _INSTANT, "proven": TextRule(60), "shift_s": NumberRule(-2 * INSTANT_LIMIT_S, 2 * INSTANT_LIMIT_S, measure=False),
        "boot": TextRule(NAME),
    },
    "change": {"table": _WORD, "row_id": _ID},
    "enrolment": {"subject": _ID, "name": _NAME, "public_key": _ID, "state": WordRule(ENROLMENT_STATES, "revoked"),
                  "at": _INSTANT, "reason": _NOTE},
}  # fmt: skip
"""Columns with a meaning, by table; ids of other rows, flags, JSON and the bytes of a trace have none here."""

PAIRS = (("lat", "lon"), ("gate_lat", "gate_lon"), ("next_lat", "next_lon"), ("pointed_lat", "pointed_lon"))
"""Columns of a place: both are there, or neither."""


def fits(table: str, column: str, value: Any) -> bool:
    """Return whether a value can be what a column means; None is a matter of form."""
    rule = RULES.get(table, {}).get(column)
    return rule is None or value is None or rule.fits(value)


def rule_of(table: str, column: str) -> Rule:
    """Return the rule of a column."""
    return RULES[table][column]


def sound_text(table: str, column: str, text: str) -> str:
    """Return what of a text from elsewhere its column can have."""
    rule = RULES[table][column]
    assert isinstance(rule, TextRule)
    return rule.instead(text)


def limits(table: str, column: str) -> tuple[float, float]:
    """Return the least and the largest number of a column."""
    rule = RULES[table][column]
    assert isinstance(rule, NumberRule)
    return rule.low, rule.high


def odd_columns(table: str, values: dict[str, Any]) -> list[str]:
    """Return the columns of a row, or of a change of one, whose values cannot be."""
    return [name for name, value in values.items() if not fits(table, name, value)]


def check(table: str, values: dict[str, Any]) -> None:
    """Raise ValueRefused for the first value that its column cannot have."""
    for name in odd_columns(table, values):
        raise ValueRefused(
            "The {column} of a {table} cannot be {value}: it is {words}. Nothing was written.",
            column=name, table=table, value=shown(values[name]), words=RULES[table][name].words,
        )  # fmt: skip


def shown(value: object) -> str:
    """Return a value as it may be said to people, however odd: short, on one line."""
    return repr(value[:40]) if isinstance(value, str) else str(value)[:40]


def half_places(values: Iterable[str]) -> Iterable[tuple[str, str]]:
    """Yield the pairs of columns of a place that are among some columns."""
    there = set(values)
    return (pair for pair in PAIRS if there.issuperset(pair))
