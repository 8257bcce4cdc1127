"""A hybrid logical clock as sortable text. Pure: the wall time is passed in.

Notes: A stamp reads ``2026-05-04T13:20:07.125Z-00000-1f0c22ab``: UTC to the millisecond, a counter within it, and the
first eight letters of the device. Text order is the order of events.

Source: Kulkarni, Demirbas, Madappa, Avva, Leone, "Logical Physical Clocks" (OPODIS 2014),
with three bounds of our own (common practice; the figures are choices):

- A wall clock that runs behind is not followed: stamps go on counting from the last one.
- Stamps beyond `CEILING_MS` are given only to an edit of a row that has such a stamp already, just after it. One that does
  not follow another of its row within `STEP_MS` is no clock's and no honest edit's: it counts as the oldest, so that nobody
  can stamp a row so late that no edit after it is possible (`in_effect`). To use up the hundred years takes 3e9 edits.
- A wall clock more than `LEAP_MS` ahead of the last stamp, or outside `FLOOR_MS`..`CEILING_MS`,
  is not followed either. A stamp from another device more than `DRIFT_MS` ahead of our own time
  is read but does not move our clock, so that one wrong clock stays alone.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from store.errors import Message, message

DAY_MS = 86_400_000
FLOOR_MS = 1_735_689_600_000  # 2025-01-01T00:00:00Z: no logbook is older than the program
CEILING_MS = 4_102_444_800_000  # 2100-01-01T00:00:00Z
LEAP_MS = 3 * 366 * DAY_MS
DRIFT_MS = DAY_MS
LATEST_MS = 7_258_118_400_000  # 2200-01-01T00:00:00Z: stamps are read up to here, a hundred years beyond any clock
STEP_MS = 1000
CLOCK_OFF_S = 5.0  # sentences of a receiver arrive up to two seconds late
LAST_COUNT = 99_999

_TO_MS = 24  # letters of a stamp up to its milliseconds
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EDGE = "2100"  # before the text of every stamp from `CEILING_MS` on
Edit = TypeVar("Edit")
_SHAPE = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:[0-5]\d\.\d{3}Z)-(\d{5})-([0-9a-f]{8})", re.ASCII)


def read_stamp(stamp: str) -> tuple[int, int, str]:
    """Return (milliseconds since 1970 UTC, counter, device letters) of a stamp.

    Raises ValueError if the text is no stamp.

    >>> read_stamp("1970-01-01T00:00:01.500Z-00007-1f0c22ab")
    (1500, 7, '1f0c22ab')
    """
    match = _SHAPE.fullmatch(stamp)
    if not match:
        raise ValueError(f"not a stamp: {stamp[:80]!r}")
    when = datetime.fromisoformat(match[1])
    return (when - _EPOCH) // timedelta(milliseconds=1), int(match[2]), match[3]


def check_stamps(stamps: Sequence[object], device: str) -> None:
    """Raise ValueError unless each is a stamp of this device that a clock can have given."""
    texts = [stamp for stamp in stamps if isinstance(stamp, str) and _SHAPE.fullmatch(stamp)]
    if not texts or len(texts) != len(stamps):
        raise ValueError("not a stamp")
    for minute in {text[:16] for text in texts}:  # no 30th of February
        datetime.fromisoformat(minute)
    if read_stamp(max(texts))[0] > LATEST_MS:
        raise ValueError("a stamp beyond all clocks")
    if {text[-8:] for text in texts} != {device[:8]}:
        raise ValueError("a stamp of another device")


def write_stamp(ms: int, count: int, device: str) -> str:
    """Return the stamp of a millisecond, a counter and a device id (its first 8 letters)."""
    when = _EPOCH + timedelta(milliseconds=ms)
    return f"{when:%Y-%m-%dT%H:%M:%S}.{ms % 1000:03d}Z-{count:05d}-{device[:8]}"


def next_stamp(last: str, wall: float, device: str) -> str:
    """Return a stamp later than `last`, at the wall time if that is within the bounds.

    `last`: the latest stamp given or seen; "" if there is none.
    `wall`: the machine's clock, POSIX seconds.
    `device`: the id of this device.

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
    # A logbook begun with a dead clock is at the floor: from there any leap is followed.
    if ms < now and (now - ms <= LEAP_MS or ms < FLOOR_MS + DAY_MS) and now < CEILING_MS:
        return write_stamp(now, 0, device)
    if count == LAST_COUNT:
        return write_stamp(ms + 1, 0, device)
    return write_stamp(ms, count + 1, device)


def receive_stamps(last: str, theirs: Iterable[str], wall: float) -> str:
    """Return the latest of our stamp and theirs, leaving out those too far ahead to follow.

    Notes: How far is told by the wall clock, so that many bundles do not take our stamps further than one; only where it
    is behind our own stamps by more than `DRIFT_MS`, a dead clock, are these what it is told by.
    """
    ours_ms = read_stamp(last)[0] if last else FLOOR_MS
    wall_ms = min(round(wall * 1000), ours_ms + LEAP_MS if last else CEILING_MS)
    near = wall_ms if wall_ms >= ours_ms - DRIFT_MS else ours_ms
    limit = write_stamp(min(near + DRIFT_MS, CEILING_MS), 0, "")[:_TO_MS]
    theirs = [last, *theirs]
    latest = max(theirs)
    if latest[:_TO_MS] <= limit:
        return latest
    return max(stamp for stamp in theirs if stamp[:_TO_MS] <= limit or stamp == last)


def in_effect(ordered: Sequence[Edit], stamp_of: Callable[[Edit], str]) -> list[Edit]:
    """Return the edits of a row in the order in which they count.

    `ordered`: by stamp.

    >>> edge, after = "2100-01-01T00:00:00.000Z-00000-1f0c22ab", "2100-01-01T00:00:00.000Z-00001-77777777"
    >>> wild = "2199-12-31T00:00:00.000Z-00000-1f0c22ab"
    >>> in_effect([edge, after, wild], str) == [wild, edge, after]
    True
    """
    kept, strays, last = [], [], CEILING_MS
    for edit in ordered:
        stamp = stamp_of(edit)
        if stamp < _EDGE:
            kept.append(edit)
            continue
        ms = read_stamp(stamp)[0]
        if ms - last <= STEP_MS:
            kept.append(edit)
            last = ms
        else:
            strays.append(edit)
    return [*strays, *kept] if strays else kept


def clock_fault(off_s: float) -> Message | None:
    """Return a sentence on a clock to which `off_s` seconds must be added; None if it is right.

    >>> str(clock_fault(-7260.0))
    "This machine's clock is 2 h 1 min fast by satellite time; records go by the satellites."
    """
    if not off_s:
        return None
    minutes = round(abs(off_s) / 60)
    if minutes >= 1440:
        span = message("{days} d {hours} h", days=minutes // 1440, hours=minutes // 60 % 24)
    elif minutes >= 60:
        span = message("{hours} h {minutes} min", hours=minutes // 60, minutes=minutes % 60)
    elif minutes:
        span = message("{minutes} min", minutes=minutes)
    else:
        span = message("{seconds} s", seconds=round(abs(off_s)))
    if off_s > 0:
        return message(
            "This machine's clock is {span} slow by satellite time; records go by the satellites.", span=span
        )
    return message("This machine's clock is {span} fast by satellite time; records go by the satellites.", span=span)
