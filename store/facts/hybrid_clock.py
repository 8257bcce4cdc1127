"""A hybrid logical clock as sortable text; pure: the wall time is passed in.

A stamp reads ``2026-05-04T13:20:07.125Z-00000-1f0c22ab``: UTC to the millisecond, a counter
for what happens within one, and the first eight letters of the device, so that plain text
order is the order of events, and two devices never tie silently.

Source: Kulkarni, Demirbas, Madappa, Avva, Leone, "Logical Physical Clocks" (OPODIS 2014),
with two bounds of our own (common practice; the figures are choices):

- A wall clock that runs behind is not followed: stamps go on counting from the last one.
- A wall clock that leaps more than `LEAP_MS` ahead of the last stamp, or lies outside
  `FLOOR_MS`..`CEILING_MS`, is not followed either, and a stamp from another device more than
  `DRIFT_MS` ahead of our own time is read but does not move our clock. One tablet that
  believes it is 2094 thus does not drag the others there.
"""

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

DAY_MS = 86_400_000
FLOOR_MS = 1_735_689_600_000  # 2025-01-01T00:00:00Z: no logbook is older than the program
CEILING_MS = 4_102_444_800_000  # 2100-01-01T00:00:00Z
LEAP_MS = 3 * 366 * DAY_MS
DRIFT_MS = DAY_MS
CLOCK_OFF_S = 5.0  # a receiver's sentences come up to a second or two late
LAST_COUNT = 99_999

_TO_MS = 24  # letters of a stamp up to its milliseconds
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_SHAPE = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:[0-5]\d\.\d{3}Z)-(\d{5})-([0-9a-f]{8})", re.ASCII)


def read_stamp(stamp: str) -> tuple[int, int, str]:
    """Return (milliseconds since 1970 UTC, counter, device letters) of a stamp.

    Raises
    ------
    ValueError
        If the text is no stamp.

    Examples
    --------
    >>> read_stamp("1970-01-01T00:00:01.500Z-00007-1f0c22ab")
    (1500, 7, '1f0c22ab')
    """
    match = _SHAPE.fullmatch(stamp)
    if not match:
        raise ValueError(f"not a stamp: {stamp[:80]!r}")
    when = datetime.fromisoformat(match[1])
    return (when - _EPOCH) // timedelta(milliseconds=1), int(match[2]), match[3]


def judge_stamps(stamps: Sequence, device: str) -> None:
    """Hold each of these to be a stamp of a device that a clock can have given.

    Raises
    ------
    ValueError
        If one is not.
    """
    if set(map(type, stamps)) != {str} or not all(map(_SHAPE.fullmatch, stamps)):
        raise ValueError("not a stamp")
    for minute in {stamp[:16] for stamp in stamps}:  # no 30th of February
        datetime.fromisoformat(minute)
    if read_stamp(max(stamps))[0] > CEILING_MS + DAY_MS:
        raise ValueError("a stamp beyond all clocks")
    if {stamp[-8:] for stamp in stamps} != {device[:8]}:
        raise ValueError("a stamp of another device")


def write_stamp(ms: int, count: int, device: str) -> str:
    """Return the stamp of a millisecond, a counter and a device id (its first 8 letters)."""
    when = _EPOCH + timedelta(milliseconds=ms)
    return f"{when:%Y-%m-%dT%H:%M:%S}.{ms % 1000:03d}Z-{count:05d}-{device[:8]}"


def next_stamp(last: str, wall: float, device: str) -> str:
    """Return a stamp later than `last`, at the wall time if that can be believed.

    Parameters
    ----------
    last : str
        The latest stamp given or seen; "" if there is none.
    wall : float
        What the machine's clock says, POSIX seconds.
    device : str
        The id of this device.

    Examples
    --------
    >>> a = next_stamp("", 1777000000.0, "1f0c22ab-...")
    >>> a
    '2026-04-24T03:06:40.000Z-00000-1f0c22ab'
    >>> next_stamp(a, 0.0, "1f0c22ab-...") # the clock fell back to 1970
    '2026-04-24T03:06:40.000Z-00001-1f0c22ab'
    """
    now = min(max(round(wall * 1000), FLOOR_MS), CEILING_MS)
    if not last:
        return write_stamp(now, 0, device)
    ms, count, _ = read_stamp(last)
    # A logbook begun with a dead clock sits at the floor: from there any leap is believed.
    if ms < now and (now - ms <= LEAP_MS or ms < FLOOR_MS + DAY_MS) and now < CEILING_MS:
        return write_stamp(now, 0, device)
    if count == LAST_COUNT:
        return write_stamp(ms + 1, 0, device)
    return write_stamp(ms, count + 1, device)


def seen(last: str, theirs: Iterable[str], wall: float) -> str:
    """Return the latest of our stamp and theirs, but for those too far ahead of us to follow."""
    ours_ms = read_stamp(last)[0] if last else FLOOR_MS
    wall_ms = min(round(wall * 1000), ours_ms + LEAP_MS if last else CEILING_MS)
    limit = write_stamp(max(ours_ms, wall_ms) + DRIFT_MS, 0, "")[:_TO_MS]
    theirs = [last, *theirs]
    latest = max(theirs)
    if latest[:_TO_MS] <= limit:  # as good as always
        return latest
    return max(stamp for stamp in theirs if stamp[:_TO_MS] <= limit or stamp == last)


def fault(off: float) -> str | None:
    """Return a sentence on a clock that `off` seconds must be added to; None if it is right.

    Examples
    --------
    >>> fault(-7260.0)
    "This machine's clock is 2 h 1 min fast by satellite time; records go by the satellites."
    """
    if not off:
        return None
    minutes = round(abs(off) / 60)
    days, hours, minutes = minutes // 1440, minutes // 60 % 24, minutes % 60
    parts = [f"{n} {unit}" for n, unit in ((days, "d"), (hours, "h"), (minutes, "min")) if n]
    by = " ".join(parts[:2]) or f"{abs(off):.0f} s"
    way = "slow" if off > 0 else "fast"
    return f"This machine's clock is {by} {way} by satellite time; records go by the satellites."
