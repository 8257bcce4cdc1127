"""CSV with a header that names time, lat and lon; other columns may stand anywhere."""

import csv
from collections.abc import Iterable

from cabapp.position.recordings.trace_file import TraceBuilder
from store.facts.timestamp import has_zone, read_time

NEEDED = ("time", "lat", "lon")
OPTIONAL = ("sigma", "hdop", "quality")
LATEST = 1e11
"""POSIX seconds beyond this (the year 5138) are milliseconds or nonsense, and not taken."""


def columns_of(line: str) -> tuple[dict[str, int], str] | None:
    """Find the columns in a header line.

    Returns
    -------
    columns : dict of str to int
        Position of each known column.
    separator : str
        Or None in all when the line is not our header.

    Examples
    --------
    >>> columns_of("id,Time,lat,lon,hdop")
    ({'time': 1, 'lat': 2, 'lon': 3, 'hdop': 4}, ',')
    >>> columns_of("when,where") is None
    True
    """
    for separator in ",;\t":
        names = [name.strip().strip('"').strip().lower() for name in line.split(separator)]
        if all(name in names for name in NEEDED):
            return {n: names.index(n) for n in NEEDED + OPTIONAL if n in names}, separator
    return None


def read_table(raw_lines: Iterable[bytes], builder: TraceBuilder) -> None:
    """Fill a builder from the lines of a table whose first line is the header.

    Parameters
    ----------
    raw_lines : iterable of bytes
        Without line ends.
    builder : TraceBuilder

    Raises
    ------
    TraceRefused
        No row can be read.
    """
    lines = (line.decode("utf-8", "replace") for line in raw_lines)
    header = columns_of(next(lines))
    if header is None:
        builder.refuse("{name} has no header that names time, lat and lon. Export the trace again.")
    columns, separator = header
    unread = untimed = zoneless = 0
    for line in lines:
        if not line.strip():
            continue
        try:
            row = next(csv.reader([line], delimiter=separator))
        except csv.Error:
            unread += 1
            continue
        text = {name: row[i].strip() if i < len(row) else "" for name, i in columns.items()}
        if not text["time"]:
            untimed += 1
            continue
        try:
            t, zoned = _time(text["time"])
            lat, lon = _number(text["lat"]), _number(text["lon"])
            _check_globe(lat, lon)
            sigma, hdop = _number(text.get("sigma", "")), _number(text.get("hdop", ""))
            quality = _quality(text.get("quality", ""))
        except ValueError:
            unread += 1
            continue
        zoneless += not zoned
        builder.add(t, lat, lon, sigma=sigma, hdop=hdop, quality=quality)
    _report(builder, unread, untimed, zoneless)


def _report(builder: TraceBuilder, unread: int, untimed: int, zoneless: int) -> None:
    if not len(builder):
        if untimed and not unread:
            builder.refuse(
                "{name} holds {rows} rows but none has a time. "
                "Fill the time column, as 2026-05-05T19:09:57Z or POSIX seconds.",
                rows=untimed,
            )
        if unread or untimed:
            builder.refuse(
                "{name} holds no row that can be read. Times are written like "
                "2026-05-05T19:09:57Z or as POSIX seconds, lat and lon in degrees like 52.1234567."
            )
        builder.refuse("{name} has a header but no rows. Export the trace again.")
    builder.dropped += unread + untimed
    if untimed:
        builder.note("{count} rows without a time were left out.", count=untimed)
    if unread:
        builder.note("{count} rows that could not be read were left out.", count=unread)
    if zoneless:
        builder.note("{count} times carry no zone and were taken as UTC.", count=zoneless)


def _time(text: str) -> tuple[float, bool]:
    try:
        t = float(text)
    except ValueError:
        return read_time(text, zone_needed=False), has_zone(text)
    if not 0 <= t < LATEST:
        raise ValueError(f"not POSIX seconds: {text!r}")
    return t, True


def _number(text: str) -> float | None:
    return float(text) if text else None


def _check_globe(lat: float | None, lon: float | None) -> None:
    if lat is None or lon is None:
        return
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        raise ValueError(f"not on the globe: {lat!r}, {lon!r}")


def _quality(text: str) -> int | None:
    quality = int(text) if text else None
    return quality if quality is None or 0 <= quality <= 8 else None
