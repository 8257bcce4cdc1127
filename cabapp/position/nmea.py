"""NMEA 0183 text to fixes: the sentences of one moment joined, the date brought to the time.

Checksum and field count are enforced, the second because the checksum cannot see a missing pair
of empty fields (two equal commas cancel). Status void, quality 0, empty fields and 0, 0 are no
position. Source for fields, codes and faults: gpsd, "NMEA Revealed" (www/NMEA.adoc).
"""

import math
import re
from datetime import UTC, date, datetime, timedelta

import pynmea2

from cabapp.position.fix import Fix, is_place

# data fields after the sentence's name; RMC grew a mode letter (2.3) and a status (4.1)
FIELDS = {"GGA": (14,), "RMC": (11, 12, 13), "GST": (8,), "ZDA": (6,)}
_MODE = {"N": 0, "A": 1, "D": 2, "P": 3, "R": 4, "F": 5, "E": 6, "M": 7, "S": 8}
_CLOCK = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d*)?")
_DEGREES = re.compile(r"(\d{2,3})([0-5]\d(?:\.\d*)?)")
HALF_DAY = 43200.0
SAME_MOMENT = 0.005
UNDATED = date(1970, 1, 1)


class Joiner:
    """Takes lines as they come and gives fixes, each when its moment is over.

    Attributes
    ----------
    rejected : int
        Lines that begin like one of our sentences but fail checksum, field count or a field.
    timeless : int
        Moments without a time of day (a receiver just switched on); they can be placed nowhere.
    dated : bool
        Whether a date was ever seen.

    Examples
    --------
    >>> joiner = Joiner()
    >>> joiner.feed(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47")
    []
    >>> joiner.feed(b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    []
    >>> [fix] = joiner.finish()
    >>> fix.t, round(fix.lat, 6), round(fix.lon, 6), fix.quality, fix.hdop
    (764426119.0, 48.1173, 11.516667, 1, 0.9)
    """

    def __init__(self):
        self.rejected = self.timeless = 0
        self._moment: dict | None = None
        self._date: date | None = None
        self._last_second: float | None = None
        self._waiting: list[tuple] = []

    @property
    def waiting(self) -> int:
        """How many moments wait for a date; whoever feeds a file without end looks here."""
        return len(self._waiting)

    @property
    def dated(self) -> bool:
        """Whether a date was ever seen."""
        return self._date is not None

    def feed(self, line: bytes) -> list[Fix]:
        """Take one line, whatever it is, and return the fixes that are complete now."""
        # a line cut off by the next one, a logger's own stamp and a tag block all end at a "$"
        start = line.rfind(b"$")
        kind = line[start + 3 : start + 6].decode("ascii", "replace") if start >= 0 else ""
        if kind not in FIELDS:
            return []
        try:
            second, said = _read(kind, line[start:].decode("ascii").strip())
        except (ValueError, pynmea2.ParseError):
            self.rejected += 1
            return []
        if second is None:
            if kind != "GGA":
                return []
            self.timeless += 1
            return self._close()
        done = []
        if self._moment is not None and abs(self._moment["second"] - second) > SAME_MOMENT:
            done = self._close()
        if self._moment is None:
            self._moment = {"second": second}
        for key, value in said.items():
            self._moment.setdefault(key, value)
        return done

    def finish(self) -> list[Fix]:
        """Return what is left; without any date the times count from 1970-01-01."""
        done = self._close()
        if self._waiting:
            done += self._release(UNDATED)
        return done

    def _close(self) -> list[Fix]:
        moment, self._moment = self._moment, None
        # a lone ZDA or GST is no record of where the machine was
        if moment is None or not moment.keys() & {"gga", "rmc"}:
            if moment is not None and "zda_date" in moment:
                self._see_date(moment)
                return self._release(None)
            return []
        if "rmc_date" not in moment and "zda_date" not in moment and self._date is None:
            self._waiting.append(_reading(moment))
            return []
        self._see_date(moment)
        return self._release(None) + [_fix(_reading(moment), self._date)]

    def _see_date(self, moment):
        stated = moment.get("zda_date") or moment.get("rmc_date")
        if stated is not None:
            self._date = stated
        elif self._last_second is not None and self._last_second - moment["second"] > HALF_DAY:
            self._date += timedelta(days=1)  # past midnight, and the new date is still to come
        self._last_second = moment["second"]

    def _release(self, first: date | None) -> list[Fix]:
        """Date the moments that came before any date, counting back from the first one seen."""
        waiting, self._waiting = self._waiting, []
        if first is None:
            day, later = self._date, self._last_second
            fixes = []
            for reading in reversed(waiting):
                if reading[0] - later > HALF_DAY:
                    day -= timedelta(days=1)
                later = reading[0]
                fixes.append(_fix(reading, day))
            return fixes[::-1]
        fixes, day, earlier = [], first, waiting[0][0]
        for reading in waiting:
            if earlier - reading[0] > HALF_DAY:
                day += timedelta(days=1)
            earlier = reading[0]
            fixes.append(_fix(reading, day))
        return fixes


def _read(kind, text):
    """Return the second of the day (or None) and what one good sentence says."""
    sentence = pynmea2.parse(text, check=True)
    fields = sentence.data
    if len(fields) not in FIELDS[kind]:
        raise ValueError(f"{kind} with {len(fields)} fields")
    second = _second(fields[0])
    if kind == "GGA":
        quality = int(fields[5]) if fields[5] else 0
        if not 0 <= quality <= 8:
            raise ValueError(f"no such quality: {quality}")
        place = _place(*fields[1:5]) if quality else None
        return second, {"gga": (place, quality), "hdop": _positive(fields[7])}
    if kind == "RMC":
        valid = fields[1] == "A"
        mode = _MODE.get(fields[11]) if len(fields) > 11 else None
        place = _place(*fields[2:6]) if valid and mode != 0 else None
        said = {"rmc": (place, mode)}
        # a receiver without a fix may not know the day either
        if valid and fields[8]:
            said["rmc_date"] = _short_date(fields[8])
        return second, said
    if kind == "GST":
        north, east = _positive(fields[5]), _positive(fields[6])
        if north is None or east is None:
            return second, {}
        return second, {"sigma": math.sqrt((north**2 + east**2) / 2)}
    day, month, year = fields[1:4]
    return second, {"zda_date": date(int(year), int(month), int(day))} if year else {}


def _reading(moment) -> tuple:
    """Join what the sentences of one moment said; a single "no position" outweighs a position.

    Second of the day, then lat, lon, sigma, quality and hdop as a `Fix` has them.
    """
    gga, rmc = moment.get("gga"), moment.get("rmc")
    places = [said[0] for said in (gga, rmc) if said is not None]
    if any(place is None for place in places):
        return moment["second"], None, None, None, 0, None
    quality = gga[1] if gga else rmc[1]
    return moment["second"], *places[0], moment.get("sigma"), quality, moment.get("hdop")


def _fix(reading, day) -> Fix:
    midnight = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
    return Fix(midnight + reading[0], *reading[1:])


def _second(text):
    if not text:
        return None
    match = _CLOCK.fullmatch(text)
    if match is None:
        raise ValueError(f"not a time of day: {text!r}")
    hour, minute, second, fraction = match.groups()
    return int(hour) * 3600 + int(minute) * 60 + int(second) + float("0" + (fraction or ""))


def _place(lat, north, lon, east):
    """Return (lat, lon) in degrees, or None when the fields are empty or say 0, 0."""
    if not (lat and north and lon and east):
        return None
    if north not in "NS" or east not in "EW":
        raise ValueError(f"no such hemisphere: {north!r}, {east!r}")
    place = _degrees(lat) * (-1 if north == "S" else 1), _degrees(lon) * (-1 if east == "W" else 1)
    if place == (0.0, 0.0):
        return None
    if not is_place(*place):
        raise ValueError(f"not on the globe: {lat!r}, {lon!r}")
    return place


def _degrees(text):
    match = _DEGREES.fullmatch(text)
    if match is None:
        raise ValueError(f"not degrees and minutes: {text!r}")
    return int(match[1]) + float(match[2]) / 60


def _positive(text):
    value = float(text) if text else 0.0
    return value if 0 < value < math.inf else None


def _short_date(text):
    if not re.fullmatch(r"\d{6}", text):
        raise ValueError(f"not a date: {text!r}")
    year = int(text[4:])
    # 80 is the pivot in common use: GPS itself began its weeks in January 1980
    return date(year + (1900 if year >= 80 else 2000), int(text[2:4]), int(text[:2]))
