"""Instants as text: in files RFC 3339 in UTC to the microsecond, to people a part of a day."""

import re
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from store.limits import INSTANT_LIMIT_S

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAYS = ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]
_MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]
_SHAPE = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):(\d\d))",
    re.ASCII,
)
# The years 1717 to 2222: within the limit whatever the day.
_OURS = re.compile(
    r"(?:171[7-9]|17[2-9]\d|1[89]\d\d|2[01]\d\d|22[01]\d|222[0-2])"
    r"-\d\d-\d\dT\d\d:\d\d:[0-5]\d\.\d{6}Z",
    re.ASCII,
)


def write_time(at: float) -> str:
    """Return POSIX seconds as RFC 3339 UTC text.

    Examples
    --------
    RFC 3339 section 5.8, first example:

    >>> write_time(482196050.52)
    '1985-04-12T23:20:50.520000Z'
    """
    micros = round(at * 1_000_000)
    return f"{_EPOCH + timedelta(microseconds=micros):%Y-%m-%dT%H:%M:%S.%f}Z".rjust(27, "0")


def read_time(text: str) -> float:
    """Return the POSIX seconds of RFC 3339 text; a leap second is the second after it.

    Raises
    ------
    ValueError
        If the text has no zone, is no RFC 3339 time, or lies outside 1716 to 2223.

    Examples
    --------
    RFC 3339 section 5.8, second example:

    >>> read_time("1996-12-19T16:39:57-08:00")
    851042397.0
    """
    if _OURS.fullmatch(text):  # as `write_time` writes it, the quick way
        return datetime.fromisoformat(text).timestamp()
    match = _SHAPE.fullmatch(text)
    if not match:
        raise ValueError(f"not an RFC 3339 time: {text[:60]!r}")
    year, month, day, hour, minute, second = (int(v) for v in match.groups()[:6])
    leap = second == 60
    when = datetime(year, month, day, hour, minute, 59 if leap else second, tzinfo=UTC)
    east = 0
    if match[9]:
        hours, minutes = int(match[10]), int(match[11])
        if hours > 23 or minutes > 59:
            raise ValueError(f"no such offset: {text[:60]!r}")
        east = (hours * 60 + minutes) * (-60 if match[9] == "-" else 60)
    seconds = (when - _EPOCH) // timedelta(seconds=1) + leap - east
    fraction = match[7] or "0"
    micros = seconds * 1_000_000 + (int(fraction[:7].ljust(7, "0")) + 5) // 10
    if abs(micros / 1_000_000) >= INSTANT_LIMIT_S:
        raise ValueError(f"too far away: {text[:60]!r}")
    return micros / 1_000_000


def zone_of(name: str | None) -> tzinfo:
    """Return a zone by name; UTC if there is none of that name."""
    try:
        return ZoneInfo(name or "UTC")
    except (LookupError, ValueError, OSError):
        return UTC


def part_of_day(at: float, zone: tzinfo) -> str:
    """Return POSIX seconds as people name them; days and months are English in every locale.

    Examples
    --------
    >>> part_of_day(1_777_927_607.0, ZoneInfo("America/Denver"))
    'Monday 4 May afternoon'
    """
    when = datetime.fromtimestamp(at, zone)
    parts = ("night", "morning", "afternoon", "evening")
    part = parts[(when.hour >= 5) + (when.hour >= 12) + (when.hour >= 18)]
    return f"{_DAYS[when.weekday()]} {when.day} {_MONTHS[when.month - 1]} {part}"
