"""One NMEA 0183 sentence to its values; knows nothing of the NMEA sentences around it.

Checksum and field count are enforced, the second because the checksum cannot see a missing pair
of empty fields (two equal commas cancel). Status void, quality 0, empty fields and 0, 0 are no
position. Source for fields, codes and faults: gpsd, "NMEA Revealed" (www/NMEA.adoc).
"""

import functools
import math
import operator
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

from cabapp.position.fix import is_place

LONGEST = 128
"""Bytes; the standard ends an NMEA sentence at 82, but receivers good to a centimetre print more digits."""
KNOT = 1852 / 3600
"""One knot, m/s (exact, International Nautical Mile)."""
WORST_QUALITY = 8
"""The last GGA quality: simulator."""
_MODE = {"N": 0, "A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6, "M": 7, "S": 8}
# "$P" begins a maker's own NMEA sentence, never a talker
_SENTENCE = re.compile(r"\$((?!P)\w\w\w{3},([^*]*))\*([0-9A-Fa-f]{2})")
_CLOCK = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d*)?")
_DEGREES = re.compile(r"(\d{2,3})([0-5]\d(?:\.(\d*))?)")
_NUMBER = re.compile(r"-?\d+(\.\d*)?|-?\.\d+")

Reader = Callable[[list[str]], dict[str, Any]]


@dataclass(frozen=True)
class SentenceType:
    """How one type of NMEA sentence is read.

    Attributes
    ----------
    read : callable
        Data fields to values, as `read_sentence` describes them; ValueError for what cannot be.
    field_counts : tuple of int
        Numbers of data fields the type has had.
    time_field : int or None
        Index of the data field with the time of day; None: the type states none.
    """

    read: Reader
    field_counts: tuple[int, ...]
    time_field: int | None

    @property
    def states_time(self) -> bool:
        """Whether it states a time of day; a type that states none may be another instrument's."""
        return self.time_field is not None


SENTENCE_TYPES: dict[str, SentenceType] = {}
"""By type. Where two NMEA sentences of one epoch state the same value, the type registered first counts."""


def sentence_type(*field_counts: int, time_field: int | None = 0) -> Callable[[Reader], Reader]:
    """Register a reader named `read_` and its type, with its numbers of data fields."""

    def register(read: Reader) -> Reader:
        kind = read.__name__.removeprefix("read_").upper()
        SENTENCE_TYPES[kind] = SentenceType(read, field_counts, time_field)
        return read

    return register


def type_and_line(line: bytes) -> tuple[str, bytes]:
    """Return the registered type of a line's NMEA sentence, "" for none, and the line from its "$" on.

    A line cut off by the next one, a logger's own stamp and a tag block all end at a "$".

    Examples
    --------
    >>> type_and_line(b"1777975200.1 $GNRMC,1*00")
    ('RMC', b'$GNRMC,1*00')
    >>> type_and_line(b"$GPGSV,1*00")
    ('', b'$GPGSV,1*00')
    """
    start = line.rfind(b"$")
    if start < 0:
        return "", line
    kind = line[start + 3 : start + 6].decode("ascii", "replace")
    return (kind if kind in SENTENCE_TYPES else ""), line[start:]


def read_sentence(kind: str, line: bytes) -> tuple[float | None, dict[str, Any]]:
    """Read one NMEA sentence.

    Parameters
    ----------
    kind : str
        As `type_and_line` returns it.
    line : bytes
        From the "$" on.

    Returns
    -------
    second : float or None
        Second of the day, UTC; None when the NMEA sentence states none.
    values : dict
        Any names the type's reader gives; `NmeaEpoch` keeps the newest of each in `latest`. Those
        that make a fix: ``place``, latitude, longitude and coarseness, degrees, or None for "no
        position"; ``quality`` as GGA has it, or None, always beside a place; ``date``; ``hdop``;
        ``sigma`` m, per axis, the root of the mean of both variances, or None.

    Raises
    ------
    ValueError
        Checksum, length, field count or a field is wrong: the NMEA sentence counts for nothing.

    Examples
    --------
    >>> second, values = read_sentence("VTG", b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48")
    >>> second, values["course"], round(values["speed"], 4)
    (None, 54.7, 2.8294)
    """
    text = line.decode("ascii").rstrip()
    match = _SENTENCE.fullmatch(text)
    if len(text) > LONGEST or match is None:
        raise ValueError(f"no NMEA sentence: {text!r}")
    if functools.reduce(operator.xor, match[1].encode()) != int(match[3], 16):
        raise ValueError(f"wrong checksum: {text!r}")
    fields, form = match[2].split(","), SENTENCE_TYPES[kind]
    if len(fields) not in form.field_counts:
        raise ValueError(f"{kind} with {len(fields)} fields")
    return None if form.time_field is None else _second(fields[form.time_field]), form.read(fields)


@sentence_type(14)
def read_gga(fields: list[str]) -> dict[str, Any]:
    """Place, quality, HDOP and satellites."""
    quality = int(fields[5]) if fields[5] else 0
    if not 0 <= quality <= WORST_QUALITY:
        raise ValueError(f"no such quality: {quality}")
    return {
        "place": _place(*fields[1:5]) if quality else None,
        "quality": quality,
        "hdop": _positive(fields[7]),
        "satellites": int(fields[6]) if fields[6] else None,
    }


@sentence_type(6)
def read_zda(fields: list[str]) -> dict[str, Any]:
    """Date."""
    day, month, year = fields[1:4]
    return {"date": date(int(year), int(month), int(day))} if year else {}


@sentence_type(11, 12, 13)  # a mode letter since 2.3, a status since 4.1
def read_rmc(fields: list[str]) -> dict[str, Any]:
    """Place, motion as of VTG, and date; the mode letter states the quality."""
    valid = fields[1] == "A"
    mode = _MODE.get(fields[11]) if len(fields) > 11 else None
    place = _place(*fields[2:6]) if valid and mode != 0 else None
    values: dict[str, Any] = {"place": place, "quality": mode}
    if place is not None:
        values |= _motion(fields[7], fields[6])
    # a receiver without a fix may not know the day either
    if valid and fields[8]:
        values["date"] = _short_date(fields[8])
    return values


@sentence_type(8)
def read_gst(fields: list[str]) -> dict[str, Any]:
    """Standard deviation of the place; None where the fields are empty."""
    north, east = _positive(fields[5]), _positive(fields[6])
    return {"sigma": math.sqrt((north**2 + east**2) / 2) if north and east else None}


@sentence_type(8, 9, time_field=None)  # a mode letter since 2.3
def read_vtg(fields: list[str]) -> dict[str, Any]:
    """Motion: speed, m/s, and course from true north, degrees."""
    return {} if fields[8:] == ["N"] else _motion(fields[0], fields[4])


@sentence_type(17, 18, time_field=None)  # the number of the satellite system since 4.11
def read_gsa(fields: list[str]) -> dict[str, Any]:
    """Dimensions of the fix (1 none, 2, 3) and dilutions of precision."""
    if fields[1] not in ("1", "2", "3"):
        raise ValueError(f"no such dimension of a fix: {fields[1]!r}")
    return {"dimensions": int(fields[1]), "pdop": _positive(fields[14]), "hdop": _positive(fields[15])}


def _motion(course: str, knots: str) -> dict[str, float]:
    values = {}
    if course:
        values["course"] = _number(course)
    if knots:
        values["speed"] = _number(knots) * KNOT
    return values


def _second(text: str) -> float | None:
    if not text:
        return None
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise ValueError(f"not a time of day: {text!r}")
    hour, minute, second, fraction = match.groups()
    return int(hour) * 3600 + int(minute) * 60 + int(second) + float("0" + (fraction or ""))


def _place(lat: str, north: str, lon: str, east: str) -> tuple[float, float, float] | None:
    """Return latitude, longitude and coarseness, degrees; None when fields are empty or say 0, 0."""
    if not (lat and north and lon and east):
        return None
    if north not in ("N", "S") or east not in ("E", "W"):
        raise ValueError(f"no such hemisphere: {north!r}, {east!r}")
    (lat_deg, lat_step), (lon_deg, lon_step) = _degrees(lat), _degrees(lon)
    place = lat_deg * (-1 if north == "S" else 1), lon_deg * (-1 if east == "W" else 1)
    if place == (0.0, 0.0):
        return None
    if not is_place(*place):
        raise ValueError(f"not on the globe: {lat!r}, {lon!r}")
    return *place, max(lat_step, lon_step)


def _degrees(text: str) -> tuple[float, float]:
    match = _DEGREES.fullmatch(text)
    if match is None:
        raise ValueError(f"not degrees and minutes: {text!r}")
    return int(match[1]) + float(match[2]) / 60, 10.0 ** -len(match[3] or "") / 60


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"not a number: {text!r}")
    return float(text)


def _positive(text: str) -> float | None:
    value = _number(text) if text else 0.0
    return value if value > 0 else None


def _short_date(text: str) -> date:
    if not re.fullmatch(r"\d{6}", text):
        raise ValueError(f"not a date: {text!r}")
    year = int(text[4:])
    # 80 is the pivot in common use: GPS itself began its weeks in January 1980
    return date(year + (1900 if year >= 80 else 2000), int(text[2:4]), int(text[:2]))
