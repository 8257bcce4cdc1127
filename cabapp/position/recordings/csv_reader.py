"""CSV with a header that names time and place, in whatever order and by the names people use."""

import csv
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import chain, islice
from math import isfinite

from cabapp.common.units import FOOT
from cabapp.position.recordings.recording import RecordingBuilder
from cabapp.position.recordings.tool_columns import TOOL_COLUMNS, numbered_columns, tool_column
from store.facts.timestamp import has_zone, read_time

NAMES = {
    "time": "time timestamp datetime utc utctime timeutc gpstime isotime epoch unixtime posix when timems epochms "
    "timestampms timeofday hour dateandtime "
    "localtime zeitstempel zeit uhrzeit",
    "date": "date day utcdate dateutc gpsdate",
    "lat": "lat latitude y gpslat gpslatitude latdeg latitudedeg positionlat wgslat northing "
    "breitengrad breite latitudee7 late7",
    "lon": "lon long lng longitude x gpslon gpslong gpslongitude londeg longitudedeg positionlong positionlon wgslon "
    "easting langengrad laengengrad lange laenge longitudee7 lone7 lnge7",
    "sigma": "sigma sd std stddev horizontalsd",
    "accuracy": "accuracy hacc horizontalaccuracy accuracyh gpsaccuracy",
    "hdop": "hdop horizontaldilution horizontaldilutionofprecision",
    "quality": "quality fixquality gpsquality ggaquality fixmode rtkstatus",
    "machine": "machine machineid machinename vehicle vehicleid vehiclename tractor tractorid device deviceid "
    "devicename unit unitid equipment name id",
} | {one.element: f"{one.element} {one.headers}" for one in TOOL_COLUMNS if not one.numbered}
"""What columns are called, in small letters without spaces, signs and units; the first name found counts."""

LENGTHS = ("sigma", "accuracy", *(one.element for one in TOOL_COLUMNS if one.length))
"""Columns in m, or in the unit that the header names in brackets or after a space or underscore."""
UNITS = {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": FOOT, "in": FOOT / 12}
UNITS |= dict.fromkeys(("metre", "meter", "metres", "meters"), 1.0)
UNITS |= {"feet": FOOT, "foot": FOOT, "inch": FOOT / 12, "inches": FOOT / 12}
"""Metres in a unit; the foot and the inch are exact by definition (NIST SP 811)."""

FIRST = 315_964_800
"""POSIX seconds of 1980-01-06, when GPS time began: a number below is no date, but counts from anywhere."""
LATEST, LATEST_MS = 1e11, 1e14
"""POSIX seconds beyond the first (the year 5138) are milliseconds; beyond the second, nonsense."""
RADIUS_68 = 1.51
"""A stated accuracy is the radius that holds 68 % of fixes (Android, Location.getAccuracy), which in two even axes is
sqrt(-2 ln 0.32) of their deviation."""
SAMPLE_ROWS = 2000
_MONTHS = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})(.*)")
_UNIT = re.compile(r"(.*?)\s*(?:[(\[]\s*([^)\]]*).*|[\s_](" + "|".join(UNITS) + "))", re.DOTALL)
_TWELVE = re.compile(r"(\d{1,2})(:.*?)\s*([AaPp])\.?[Mm]\.?(.*)")


@dataclass(frozen=True)
class Header:
    """The columns of a table: place of each known one, what divides them, and the names that were found.

    `scales`: metres in the unit of a column of `LENGTHS` that names one. `odd`: such columns in an unknown unit,
    which are none of `columns`.
    """

    columns: dict[str, int]
    separator: str
    names: list[str]
    scales: dict[str, float] = field(default_factory=dict)
    odd: list[str] = field(default_factory=list)

    @property
    def lacks(self) -> list[str]:
        """What is needed and not there."""
        return [name for name in ("time", "lat", "lon") if name not in self.columns]


def header_of(line: str) -> Header | None:
    """Return what a header line names; None where the line names neither a time nor a place.

    Examples
    --------
    >>> header_of("id;Timestamp;Latitude [deg];Lng;HDOP").columns
    {'time': 1, 'lat': 2, 'lon': 3, 'hdop': 4, 'machine': 0}
    >>> header_of("time,place").lacks
    ['lat', 'lon']
    >>> header_of("who,what") is None
    True
    """
    found = []
    for separator in ";\t|,":
        names = [name.strip().strip('"').strip() for name in line.split(separator)]
        keys = [re.sub(r"[^a-z0-9]", "", re.sub(r"[(\[].*", "", _plain(name))) for name in names]
        columns = {}
        for column, known in NAMES.items():
            first = next((word for word in known.split() if word in keys), None)
            if first is not None:
                columns[column] = keys.index(first)
        columns |= numbered_columns(keys)
        scales, odd = _lengths(names, columns)
        scales |= {one: 1e-7 for one in ("lat", "lon") if one in columns and keys[columns[one]].endswith("e7")}
        if "time" not in columns and "date" in columns:
            columns["time"] = columns.pop("date")
        found.append(Header(columns, separator, names, scales, odd))
    best = max(found, key=lambda one: (-len(one.lacks), len(one.names)))
    return best if len(best.lacks) < 3 and len(best.names) > 1 else None


def text_of(line: bytes) -> str:
    """Return a line as text: in UTF-8, else in the older letters of Western Europe (Windows-1252)."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("cp1252", "replace")


def _plain(name: str) -> str:
    """Return a name in small letters without accents."""
    return unicodedata.normalize("NFKD", name.lower()).encode("ascii", "ignore").decode()


def _lengths(names: list[str], columns: dict[str, int]) -> tuple[dict[str, float], list[str]]:
    """Return the scales of the lengths among the columns, and the names of those in a unit that is not known.

    The latter are taken out of `columns`, and those with a unit behind their name are put in.
    """
    scales, odd = {}, []
    for place, name in enumerate(names):
        if not (parts := _UNIT.fullmatch(name.lower())):
            continue
        key, unit = re.sub(r"[^a-z0-9]", "", parts[1]), (parts[2] or parts[3] or "").strip(" .")
        column = next((one for one in LENGTHS if key in NAMES[one].split()), None)
        if column is None or not unit or columns.setdefault(column, place) != place:
            continue
        if unit in UNITS:
            scales[column] = UNITS[unit]
        else:
            del columns[column]
            odd.append(name)
    return scales, odd


class _Times:
    """Reads the times of a table, after a look at how its days are written."""

    def __init__(self, sample: list[str]) -> None:
        days = [m for text in sample if (m := _MONTHS.match(text)) and len(m[1]) < 3]
        self.day_first = any(int(m[1]) > 12 or m[2] == "." for m in days)
        self.unclear = bool(days) and not self.day_first and all(int(m[3]) <= 12 and m[1] != m[3] for m in days)

    def read(self, text: str) -> tuple[float, bool]:
        """Return POSIX seconds, and whether the text states a zone; ValueError where it is no time."""
        try:
            t = float(text)
        except ValueError:
            text = self._plain(text)
            return read_time(text, zone_needed=False), has_zone(text)
        if not 0 <= t < LATEST_MS:
            raise ValueError(f"not POSIX seconds: {text!r}")
        return t if t < LATEST else t / 1000, True

    def _plain(self, text: str) -> str:
        """Return the time with its day as 2026-05-05 and its hour of 24."""
        if len(text) > 4 and text[4] == "-" and text[-1] not in "mM.":
            return text
        twelve = _TWELVE.search(text)
        if twelve:
            hour = int(twelve[1]) % 12 + 12 * (twelve[3] in "Pp")
            text = f"{text[: twelve.start()]}{hour:02d}{twelve[2]}{twelve[4].strip()}"
        parts = _MONTHS.fullmatch(text)
        if not parts:
            return text
        one, _, other, last, rest = parts.groups()
        day = (last, other, one) if self.day_first else (last, one, other)
        day = (one, other, last) if len(one) > 2 else day
        rest = re.sub(r"^[ T,]*(\d):", r" 0\1:", rest)
        return "{:0>4}-{:0>2}-{:0>2}".format(*day) + rest.replace(", ", " ")


def read_table(raw_lines: Iterable[bytes], builder: RecordingBuilder) -> None:
    """Fill a builder from the lines of a table whose first line is the header.

    Parameters
    ----------
    raw_lines : iterable of bytes
        Without line ends.
    builder : RecordingBuilder

    Raises
    ------
    TraceRefused
        The header lacks a time or a place, or no row can be read.
    """
    lines = map(text_of, raw_lines)
    header = header_of(next(lines))
    if header is None or header.lacks:
        builder.refuse(
            "{name} has a header without {lacking}. It names: {names}. A trace needs a time (or a date and a time) "
            "and a place, as in: time,lat,lon.",
            lacking=tuple(header.lacks if header else ("time", "lat", "lon")),
            names=tuple(header.names if header else ()),
        )
    rows = (_cells(line, header) for line in lines if line.strip())
    sample = list(islice(rows, SAMPLE_ROWS))
    times = _Times([row["time"] for row in sample if row])
    if times.unclear:
        builder.refuse(
            "{name} has dates like {date}, of which nobody can say which is the month. Write them as 2026-05-31.",
            date=repr(next(row["time"] for row in sample if row)),
        )
    for name in header.odd:
        builder.note(
            "The column {column} is in a unit that is not known, and was not read. Known are m, cm, mm, ft and in.",
            column=name,
        )
    for name, scale in header.scales.items():
        if scale != 1 and name in LENGTHS:
            builder.note(
                "The column {column} was read in that unit: 1 of it is {metres} m.",
                column=header.names[header.columns[name]], metres=f"{scale:g}",
            )  # fmt: skip
    _read_rows(chain(sample, rows), times, header.scales, builder)


def _cells(line: str, header: Header) -> dict[str, str] | None:
    try:
        row = next(csv.reader([line], delimiter=header.separator))
    except csv.Error:
        return None
    text = {name: row[i].strip() if i < len(row) else "" for name, i in header.columns.items()}
    if header.separator != ",":  # a comma is that of a number, or of a time as ISO 8601 has it
        text = {name: cell if name == "machine" else cell.replace(",", ".") for name, cell in text.items()}
    if text.get("date") and re.match(r"\d{1,2}:", text["time"]):
        text["time"] = f"{text['date']} {text['time']}"
    return text


def _read_rows(
    rows: Iterator[dict[str, str] | None], times: _Times, scales: dict[str, float], builder: RecordingBuilder
) -> None:
    unread = untimed = zoneless = off_globe = 0
    dated = False
    for text in rows:
        if text is None:
            unread += 1
            continue
        if not text["time"]:
            untimed += 1
            continue
        try:
            t, zoned = times.read(text["time"])
            lat, lon = _number(text["lat"]), _number(text["lon"])
            if scales and lat is not None and lon is not None:
                lat, lon = lat * scales.get("lat", 1.0), lon * scales.get("lon", 1.0)
            if lat is not None and lon is not None and not (-90 <= lat <= 90 and -180 <= lon <= 180):
                off_globe += isfinite(lat) and isfinite(lon)
                raise ValueError(f"not on the globe: {lat!r}, {lon!r}")
            sigma, radius, hdop = (_number(text.get(name, "")) for name in ("sigma", "accuracy", "hdop"))
            quality = _quality(text.get("quality", ""))
            work = {name: one.read(cell) for name, cell in text.items() if cell and (one := tool_column(name))}
            if scales:
                sigma, radius = (
                    None if one is None else one * scales.get(name, 1.0)
                    for name, one in (("sigma", sigma), ("accuracy", radius))
                )
                work |= {name: work[name] * scale for name, scale in scales.items() if name in work}
        except (ValueError, OverflowError):
            unread += 1
            continue
        zoneless += not zoned
        dated = dated or t >= FIRST or not text["time"][:8].replace(".", "").isdigit()
        if sigma is None and radius is not None:
            sigma = radius / RADIUS_68
        builder.add(t, lat, lon, sigma, hdop, quality, text.get("machine", ""), work)
    if off_globe and not len(builder):
        builder.refuse(
            "{name} gives places in metres or in another grid, not in degrees. "
            "Export latitude and longitude (WGS 84) in degrees, like 52.1234567."
        )
    _report(builder, unread, untimed, zoneless)
    builder.dated = dated
    if not dated:
        builder.note("It carries no date: its times are seconds from somewhere, and are counted from 1970-01-01.")


def _report(builder: RecordingBuilder, unread: int, untimed: int, zoneless: int) -> None:
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
        builder.note_count(
            "{count} row without a time was left out.", "{count} rows without a time were left out.", untimed
        )
    if unread:
        builder.note_count(
            "{count} row that could not be read was left out.",
            "{count} rows that could not be read were left out.",
            unread,
        )
    builder.note_zoneless(zoneless)


def _number(text: str) -> float | None:
    return float(text) if text else None


def _quality(text: str) -> int | None:
    quality = int(float(text)) if text else None
    return quality if quality is None or 0 <= quality <= 8 else None
