"""Instants as text: RFC 3339, and the part of a day for people."""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from store.errors import Message, message
from store.limits import INSTANT_LIMIT_S

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAYS = (
    message("Monday"), message("Tuesday"), message("Wednesday"), message("Thursday"), message("Friday"),
    message("Saturday"), message("Sunday"),
)  # fmt: skip
_MONTHS = (
    message("January"), message("February"), message("March"), message("April"), message("May"), message("June"),
    message("July"), message("August"), message("September"), message("October"), message("November"),
    message("December"),
)  # fmt: skip
_PARTS = (message("night"), message("morning"), message("afternoon"), message("evening"))
_SHAPE = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ]((?:[01]\d|2[0-3]):[0-5]\d)(?::([0-5]\d|60)(?:\.(\d+))?)?"
    r"([Zz]|[+-](?:[01]\d|2[0-3])(?::?[0-5]\d)?)?",
    re.ASCII,
)
# As `write_time` writes it, in the years 1717 to 2222: within the limit whatever the day.
_OURS = re.compile(
    r"(?:171[7-9]|17[2-9]\d|1[89]\d\d|2[01]\d\d|22[01]\d|222[0-2])"
    r"-\d\d-\d\dT\d\d:\d\d:[0-5]\d\.\d{6}Z",
    re.ASCII,
)


def write_time(at: float, timespec: str = "microseconds") -> str:
    """Return POSIX seconds as RFC 3339 UTC text, cut to a unit named as in `datetime.isoformat`.

    RFC 3339 section 5.8, first example:

    >>> write_time(482196050.52), write_time(482196050.52, "seconds")
    ('1985-04-12T23:20:50.520000Z', '1985-04-12T23:20:50Z')
    """
    when = _EPOCH + timedelta(microseconds=round(at * 1_000_000))
    return when.isoformat(timespec=timespec)[:-6] + "Z"


def read_time(text: str, zone_needed: bool = True) -> float:
    """Return the POSIX seconds of RFC 3339 text; a leap second is the second after it.

    `zone_needed`: if False, a text without zone is UTC, and one without seconds, or with the offset -0800, is read.

    Raises ValueError if the text is no such time or lies outside 1716 to 2223.

    RFC 3339 section 5.8, second example:

    >>> read_time("1996-12-19T16:39:57-08:00"), read_time("1996-12-20 00:39", zone_needed=False)
    (851042397.0, 851042340.0)
    """
    if _OURS.fullmatch(text):
        return datetime.fromisoformat(text).timestamp()
    match = _SHAPE.fullmatch(text if zone_needed else text.strip().replace(",", "."))
    date, minute, second, fraction, zone = match.groups() if match else (None,) * 5
    if not match or (zone_needed and not (second and zone and len(zone) in (1, 6))):
        raise ValueError(f"not an RFC 3339 time: {text[:60]!r}")
    leap = second == "60"
    when = datetime.fromisoformat(f"{date}T{minute}:{'59' if leap else second or '00'}{(zone or 'Z').upper()}")
    micros = ((when - _EPOCH) // timedelta(seconds=1) + leap) * 1_000_000
    micros += (int((fraction or "0")[:7].ljust(7, "0")) + 5) // 10
    if abs(micros / 1_000_000) >= INSTANT_LIMIT_S:
        raise ValueError(f"too far away: {text[:60]!r}")
    return micros / 1_000_000


def has_zone(text: str) -> bool:
    """Return whether a time that `read_time` reads names its zone."""
    match = _SHAPE.fullmatch(text.strip().replace(",", "."))
    return match is not None and match[5] is not None


def zone_of(name: str | None) -> tzinfo:
    """Return a time zone by name; UTC if there is none of that name."""
    try:
        return ZoneInfo(name or "UTC")
    except (LookupError, ValueError, OSError):
        return UTC


def part_of_day(at: float, zone: tzinfo) -> Message:
    """Return the day and part of day of POSIX seconds.

    >>> str(part_of_day(1_777_927_607.0, ZoneInfo("America/Denver")))
    'Monday 4 May afternoon'
    """
    when = datetime.fromtimestamp(at, zone)
    part = _PARTS[(when.hour >= 5) + (when.hour >= 12) + (when.hour >= 18)]
    return message(
        "{weekday} {day} {month} {part}",
        weekday=_DAYS[when.weekday()], day=when.day, month=_MONTHS[when.month - 1], part=part,
    )  # fmt: skip
