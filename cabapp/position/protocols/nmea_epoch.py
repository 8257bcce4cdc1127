"""NMEA 0183 sentences to fixes: the sentences of one moment joined, the date brought to the time.

What one sentence says is read in `sentences`; here is only what follows from several.
"""

from datetime import UTC, date, datetime, timedelta

import pynmea2

from cabapp.position.fix import Fix
from cabapp.position.protocols.nmea_sentence import kind_of, read_sentence

HALF_DAY = 43200.0
SAME_MOMENT = 0.005
GSA_MOMENTS = 20
"""GSA has no time of its own; what it says holds for so many moments: a second at 20 Hz."""
UNDATED = date(1970, 1, 1)


class NmeaEpoch:
    """Takes lines as they come and gives fixes, each when its moment is over.

    Parameters
    ----------
    prompt : bool
        Give a fix as soon as all kinds of sentences of the moment before have come, instead of
        waiting for the next moment: for a cab, where waiting is lateness.

    Attributes
    ----------
    accepted : int
        Good sentences.
    rejected : int
        Lines that begin like one of our sentences but fail checksum, field count or a field.
    timeless : int
        Moments without a time of day (a receiver just switched on); they can be placed nowhere.
    dated : bool
        Whether a date was ever seen.
    kinds : set of str
        Which sentences the last finished moment was joined from.
    heard : dict
        The newest of all a receiver says besides its place, as `sentences.read_sentence` names it.

    Examples
    --------
    >>> joiner = NmeaEpoch()
    >>> joiner.feed(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47")
    []
    >>> joiner.feed(b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    []
    >>> [fix] = joiner.finish()
    >>> fix.t, round(fix.lat, 6), round(fix.lon, 6), fix.quality, fix.hdop
    (764426119.0, 48.1173, 11.516667, 1, 0.9)
    """

    def __init__(self, prompt: bool = False):
        self.accepted = self.rejected = self.timeless = 0
        self.kinds: set[str] = set()
        self.heard: dict = {}
        self._prompt = prompt
        self._moment: dict | None = None
        self._now_kinds: set[str] = set()
        self._closed_second: float | None = None
        self._gsa: tuple[float | None, int] = None, 0
        self._new_date: date | None = None
        self._assumed = False
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
        kind, line = kind_of(line)
        if not kind:
            return []
        try:
            second, said = read_sentence(kind, line)
        except (ValueError, pynmea2.ParseError):
            self.rejected += 1
            return []
        self.accepted += 1
        self.heard.update(said)
        if kind in ("VTG", "GSA"):
            if kind == "GSA":
                self._gsa = said["gsa_hdop"], 0
            return []
        if second is None:
            if kind != "GGA":
                return []
            self.timeless += 1
            return self._close()
        if self._moment is None and self._prompt and self._same(self._closed_second, second):
            # later than it used to come: its moment is given already, the next one waits for it
            self.kinds.add(kind)
            if "rmc_date" in said or "zda_date" in said:
                self._see_date({"second": second} | said)
            return self._release(None) if self._waiting and self.dated else []
        done = []
        if self._moment is not None and not self._same(self._moment["second"], second):
            done = self._close()
        if self._moment is None:
            self._moment = {"second": second}
        for key, value in said.items():
            self._moment.setdefault(key, value)
        self._now_kinds.add(kind)
        if self._prompt and self.kinds <= self._now_kinds and self.kinds & {"GGA", "RMC"}:
            done += self._close()
        return done

    def close(self) -> list[Fix]:
        """End the moment in hand, because nothing more of it is to come."""
        return self._close()

    def assume(self, now: float) -> list[Fix]:
        """Take the day said once, else from a clock, POSIX s: a receiver may never say one again."""
        if not self._waiting or self._date is not None:
            return []
        day = datetime.fromtimestamp(now, UTC).date()
        days = (day + timedelta(days=n) for n in (-1, 0, 1))
        newest = self._waiting[-1][0]
        nearest = min(days, key=lambda d: abs(_midnight(d) + newest - now))
        self._date, self._assumed = self._new_date or nearest, True
        self._last_second = newest
        return self._release(None)

    def finish(self) -> list[Fix]:
        """Return what is left; without any date the times count from 1970-01-01."""
        done = self._close()
        if self._waiting:
            done += self._release(UNDATED)
        return done

    def _close(self) -> list[Fix]:
        moment, self._moment = self._moment, None
        if moment is not None:
            self._closed_second = moment["second"]
            self.kinds, self._now_kinds = self._now_kinds, set()
            hdop, age = self._gsa
            self._gsa = hdop, age + 1
            if moment.get("hdop") is None and age < GSA_MOMENTS:
                moment["hdop"] = hdop
        # a lone ZDA or GST is no record of where the machine was
        if moment is None or not moment.keys() & {"gga", "rmc"}:
            if moment is not None and "zda_date" in moment:
                self._see_date(moment)
                return self._release(None)
            return []
        self._see_date(moment)
        if self._date is None:
            self._waiting.append(_reading(moment))
            return []
        return [*self._release(None), _fix(_reading(moment), self._date)]

    @staticmethod
    def _same(a, b):
        return a is not None and abs(a - b) <= SAME_MOMENT

    def _see_date(self, moment):
        stated = moment.get("zda_date") or moment.get("rmc_date")
        passed = self._last_second is not None and self._last_second - moment["second"] > HALF_DAY
        if self._date is not None and passed:
            self._date += timedelta(days=1)  # past midnight, and the new date may be still to come
        if stated is not None:
            # live, a date must be said twice: one damaged day would send hours of fixes astray
            if not self._prompt or stated == self._new_date:
                self._date, self._assumed = stated, False
            elif self._assumed and stated != self._date:
                self._date = None  # wait for what the receiver says now
            self._new_date = stated
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


def _reading(moment) -> tuple:
    """Join what the sentences of one moment said; a single "no position" outweighs a position.

    So does a contradiction: two sentences of one moment come from one measurement, so where they
    differ by more than their last digit one of them was damaged in a way its checksum cannot see.

    Second of the day, then lat, lon, sigma, quality and hdop as a `Fix` has them.
    """
    gga, rmc = moment.get("gga"), moment.get("rmc")
    places = [said[0] for said in (gga, rmc) if said is not None]
    if any(place is None for place in places):
        return moment["second"], None, None, None, 0, None
    lat, lon, _ = places[0]
    digit = 1.01 * max(place[2] for place in places)
    if any(abs(lat - place[0]) > digit or abs(lon - place[1]) > digit for place in places):
        return moment["second"], None, None, None, 0, None
    quality = gga[1] if gga else rmc[1]
    return moment["second"], lat, lon, moment.get("sigma"), quality, moment.get("hdop")


def _fix(reading, day) -> Fix:
    return Fix(_midnight(day) + reading[0], *reading[1:])


def _midnight(day) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
