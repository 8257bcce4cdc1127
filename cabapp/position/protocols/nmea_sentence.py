"""One NMEA 0183 sentence to what it says; knows nothing of the sentences around it.

Checksum and field count are enforced, the second because the checksum cannot see a missing pair
of empty fields (two equal commas cancel). Status void, quality 0, empty fields and 0, 0 are no
position. Source for fields, codes and faults: gpsd, "NMEA Revealed" (www/NMEA.adoc).
"""

import math
import re
from datetime import date

import pynmea2

from cabapp.position.fix import is_place

# data fields after the sentence's name: RMC grew a mode letter (2.3) and a status (4.1), VTG a
# mode letter (2.3), GSA the number of the satellite system (4.11)
FIELDS = {
    "GGA": (14,),
    "RMC": (11, 12, 13),
    "GST": (8,),
    "ZDA": (6,),
    "VTG": (8, 9),
    "GSA": (17, 18),
}
PLACES = ("gga", "rmc")
LONGEST = 128
"""The standard ends a sentence at 82 bytes, but receivers good to a centimetre print more digits
than fit; what is longer than this is no sentence."""
KNOT = 1852 / 3600
"""One knot, m/s (exact, International Nautical Mile)."""
_MODE = {"N": 0, "A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6, "M": 7, "S": 8}
_CLOCK = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d*)?")
_DEGREES = re.compile(r"(\d{2,3})([0-5]\d(?:\.(\d*))?)")
_NUMBER = re.compile(r"-?\d+(\.\d*)?|-?\.\d+")


def kind_of(line: bytes) -> tuple[str, bytes]:
    """Return which of our sentences a line holds, and the line from there on; "" for none.

    A line cut off by the next one, a logger's own stamp and a tag block all end at a "$".

    Examples
    --------
    >>> kind_of(b"1777975200.1 $GNRMC,1*00")
    ('RMC', b'$GNRMC,1*00')
    >>> kind_of(b"$GPGSV,1*00")
    ('', b'$GPGSV,1*00')
    """
    start = line.rfind(b"$")
    if start < 0:
        return "", line
    kind = line[start + 3 : start + 6].decode("ascii", "replace")
    return (kind if kind in FIELDS else ""), line[start:]


def read_sentence(kind: str, line: bytes) -> tuple[float | None, dict]:
    """Read one sentence.

    Parameters
    ----------
    kind : str
        As `kind_of` says.
    line : bytes
        From the "$" on.

    Returns
    -------
    second : float or None
        Second of the day, UTC; None when the sentence says none (VTG and GSA never do).
    said : dict
        What it says of: ``gga`` and ``rmc`` (place or None, GGA quality or None), where a place is
        (latitude, longitude, coarseness), all in degrees; ``hdop``, ``pdop``; ``satellites``;
        ``speed`` m/s; ``course`` degrees from true north; ``sigma`` m, per axis, the root of the
        mean of both variances; ``rmc_date``, ``zda_date``; ``dimensions`` 1 none, 2, 3.

    Raises
    ------
    ValueError, pynmea2.ParseError
        Checksum, length, field count or a field is wrong: the sentence counts for nothing.

    Examples
    --------
    >>> second, said = read_sentence("VTG", b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48")
    >>> second, said["course"], round(said["speed"], 4)
    (None, 54.7, 2.8294)
    """
    if len(line.rstrip()) > LONGEST:
        raise ValueError(f"{len(line)} bytes are no sentence")
    text = line.decode("ascii").strip()
    fields = pynmea2.parse(text, check=True).data
    if len(fields) not in FIELDS[kind]:
        raise ValueError(f"{kind} with {len(fields)} fields")
    return _READERS[kind](fields)


def _gga(fields):
    quality = int(fields[5]) if fields[5] else 0
    if not 0 <= quality <= 8:
        raise ValueError(f"no such quality: {quality}")
    place = _place(*fields[1:5]) if quality else None
    satellites = int(fields[6]) if fields[6] else None
    said = {"gga": (place, quality), "hdop": _positive(fields[7]), "satellites": satellites}
    return _second(fields[0]), said


def _rmc(fields):
    valid = fields[1] == "A"
    mode = _MODE.get(fields[11]) if len(fields) > 11 else None
    place = _place(*fields[2:6]) if valid and mode != 0 else None
    said = {"rmc": (place, mode)}
    if place is not None:
        said |= _motion(fields[7], fields[6])
    # a receiver without a fix may not know the day either
    if valid and fields[8]:
        said["rmc_date"] = _short_date(fields[8])
    return _second(fields[0]), said


def _gst(fields):
    north, east = _positive(fields[5]), _positive(fields[6])
    second = _second(fields[0])
    if north is None or east is None:
        return second, {}
    return second, {"sigma": math.sqrt((north**2 + east**2) / 2)}


def _zda(fields):
    day, month, year = fields[1:4]
    said = {"zda_date": date(int(year), int(month), int(day))} if year else {}
    return _second(fields[0]), said


def _vtg(fields):
    if len(fields) > 8 and fields[8] == "N":
        return None, {}
    return None, _motion(fields[0], fields[4])


def _gsa(fields):
    if fields[1] not in ("1", "2", "3"):
        raise ValueError(f"no such dimension of a fix: {fields[1]!r}")
    return None, {
        "dimensions": int(fields[1]),
        "pdop": _positive(fields[14]),
        "gsa_hdop": _positive(fields[15]),
    }


_READERS = {"GGA": _gga, "RMC": _rmc, "GST": _gst, "ZDA": _zda, "VTG": _vtg, "GSA": _gsa}


def _motion(course, knots):
    said = {}
    if course:
        said["course"] = _number(course)
    if knots:
        said["speed"] = _number(knots) * KNOT
    return said


def _second(text):
    if not text:
        return None
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise ValueError(f"not a time of day: {text!r}")
    hour, minute, second, fraction = match.groups()
    return int(hour) * 3600 + int(minute) * 60 + int(second) + float("0" + (fraction or ""))


def _place(lat, north, lon, east):
    """Return (lat, lon, coarseness) in degrees, or None when fields are empty or say 0, 0."""
    if not (lat and north and lon and east):
        return None
    if north not in "NS" or east not in "EW":
        raise ValueError(f"no such hemisphere: {north!r}, {east!r}")
    (lat_deg, lat_step), (lon_deg, lon_step) = _degrees(lat), _degrees(lon)
    place = lat_deg * (-1 if north == "S" else 1), lon_deg * (-1 if east == "W" else 1)
    if place == (0.0, 0.0):
        return None
    if not is_place(*place):
        raise ValueError(f"not on the globe: {lat!r}, {lon!r}")
    return *place, max(lat_step, lon_step)


def _degrees(text):
    match = _DEGREES.fullmatch(text)
    if match is None:
        raise ValueError(f"not degrees and minutes: {text!r}")
    return int(match[1]) + float(match[2]) / 60, 10.0 ** -len(match[3] or "") / 60


def _number(text):
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"not a number: {text!r}")
    return float(text)


def _positive(text):
    value = _number(text) if text else 0.0
    return value if value > 0 else None


def _short_date(text):
    if not re.fullmatch(r"\d{6}", text):
        raise ValueError(f"not a date: {text!r}")
    year = int(text[4:])
    # 80 is the pivot in common use: GPS itself began its weeks in January 1980
    return date(year + (1900 if year >= 80 else 2000), int(text[2:4]), int(text[:2]))
