"""NMEA 0183 sentences to fixes: those of one epoch joined, the date brought to the time.

What one NMEA sentence states is read in `nmea_sentence`; here is only what follows from several.
"""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from cabapp.position.fix import HOLD_S, Fix
from cabapp.position.protocols.nmea_sentence import SENTENCE_TYPES, read_sentence, type_and_line

DAY = 86400.0
HALF_DAY = DAY / 2
SAME_EPOCH_S = 0.005
UNDATED = date(1970, 1, 1)


@dataclass(frozen=True)
class _Undated:
    """A fix with its second of the day, waiting for a date."""

    second: float
    lat: float | None = None
    lon: float | None = None
    sigma: float | None = None
    quality: int | None = 0
    hdop: float | None = None

    def on(self, day: date) -> Fix:
        """Return the fix on a day."""
        return Fix(_midnight(day) + self.second, self.lat, self.lon, self.sigma, self.quality, self.hdop)


class _Epoch:
    """The NMEA sentences of one epoch; of two of one type the first counts."""

    def __init__(self, second: float):
        self.second = second
        self.sigma: float | None = None
        self.complete = False  # all types of the epoch before have come
        self.values: dict[str, dict[str, Any]] = {}

    def all(self, name: str) -> list[Any]:
        """Return what was stated of a value, in order of `SENTENCE_TYPES`; None for stated as missing."""
        return [self.values[kind][name] for kind in SENTENCE_TYPES if name in self.values.get(kind, ())]

    def first(self, name: str) -> Any:
        """Return the first known value; None without one."""
        return next((value for value in self.all(name) if value is not None), None)

    def join(self, timeless_hdop: float | None) -> _Undated:
        """Return the fix; one "no position" outweighs a position.

        So does a contradiction: the NMEA sentences of one epoch come from one measurement, so where they
        differ by more than their last digit one was damaged in a way its checksum cannot see.
        """
        places = self.all("place")
        if None in places:
            return _Undated(self.second)
        lat, lon, _ = places[0]
        digit = 1.01 * max(place[2] for place in places)
        if any(abs(lat - place[0]) > digit or abs(lon - place[1]) > digit for place in places):
            return _Undated(self.second)
        hdop = self.first("hdop") or timeless_hdop
        return _Undated(self.second, lat, lon, self.sigma, self.first("quality"), hdop)


class NmeaEpoch:
    """Takes lines as they come and returns fixes, each when its epoch is over.

    Parameters
    ----------
    prompt : bool
        Return a fix as soon as all types of NMEA sentences of the epoch before have come, instead of
        waiting for the next epoch: for a cab, where waiting is lateness.

    Attributes
    ----------
    accepted : int
        Good NMEA sentences.
    timed : int
        Those of them whose type states a time of day, be the field filled or empty.
    rejected : int
        Lines that begin like one of the registered types but fail checksum, field count or a field.
    timeless : int
        Epochs without a time of day (a receiver just switched on); they can be placed nowhere.
    kinds : set of str
        Types of the NMEA sentences that the last finished epoch was joined from.
    latest : dict
        The newest of all values, by the names `nmea_sentence`'s readers give them.

    Examples
    --------
    >>> epochs = NmeaEpoch()
    >>> epochs.feed(b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47")
    []
    >>> epochs.feed(b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    []
    >>> [fix] = epochs.finish()
    >>> fix.t, round(fix.lat, 6), round(fix.lon, 6), fix.quality, fix.hdop
    (764426119.0, 48.1173, 11.516667, 1, 0.9)
    """

    def __init__(self, prompt: bool = False):
        self.accepted = self.timed = self.rejected = self.timeless = 0
        self.kinds: set[str] = set()
        self.latest: dict[str, Any] = {}
        self._prompt = prompt
        self._locating: set[str] = set()  # types that state places
        self._epoch: _Epoch | None = None
        self._closed_second: float | None = None
        self._timeless_hdop: float | None = None  # of a type without a time (GSA)
        self._hdop_second: float | None = None  # of the first epoch that ended after it came
        self._held: tuple[float, float | None] | None = None  # second and deviation of the newest GST
        self._date: date | None = None
        self._stated: date | None = None
        self._assumed = False
        self._last_second: float | None = None
        self._waiting: list[_Undated] = []

    @property
    def waiting(self) -> int:
        """How many epochs wait for a date; bounds memory on a file without end."""
        return len(self._waiting)

    @property
    def dated(self) -> bool:
        """Whether a date was ever seen."""
        return self._date is not None

    @property
    def paired(self) -> bool:
        """Whether the last finished epoch has its place from two types of NMEA sentences or more."""
        return len(self.kinds & self._locating) > 1

    def feed(self, line: bytes) -> list[Fix]:
        """Take one line, whatever it is, and return the fixes that are complete now."""
        kind, line = type_and_line(line)
        if not kind:
            return []
        try:
            second, values = read_sentence(kind, line)
        except ValueError:
            self.rejected += 1
            return []
        self.accepted += 1
        self.latest.update(values)
        if "place" in values:
            self._locating.add(kind)
        if not SENTENCE_TYPES[kind].states_time:
            if "hdop" in values:
                self._timeless_hdop, self._hdop_second = values["hdop"], None
            return []
        self.timed += 1
        if second is None:
            if kind != "GGA":  # one type counts epochs
                return []
            self.timeless += 1
            return self.close_epoch()
        if self._epoch is None and self._prompt and _same(self._closed_second, second):
            # later than it used to come: its epoch is returned already, the next one waits for it
            self.kinds.add(kind)
            self._hold(second, values)
            if "date" in values:
                self._see_date(second, values["date"])
            return self._release()
        done = []
        if self._epoch is not None and not _same(self._epoch.second, second):
            if "sigma" in values and 0 < (self._epoch.second - second) % DAY <= HOLD_S:
                self._hold(second, values)  # of an epoch before
                return []
            done = self.close_epoch()
        if self._epoch is None:
            self._epoch = _Epoch(second)
        self._epoch.values.setdefault(kind, values)
        self._hold(second, values)
        if not self._epoch.complete and self.kinds <= self._epoch.values.keys() and self.kinds & self._locating:
            # from here on a deviation is too late for this fix, in a file too: a cab has given it away
            self._complete(self._epoch)
            if self._prompt:
                done += self.close_epoch()
        return done

    def _hold(self, second: float, values: dict[str, Any]) -> None:
        """Note a deviation, stated or stated as missing; of two of one moment the first counts."""
        if "sigma" in values and (self._held is None or not _same(self._held[0], second)):
            self._held = second, values["sigma"]

    def _complete(self, epoch: _Epoch) -> None:
        """Give an epoch the newest deviation that still holds."""
        epoch.complete = True
        if self._held is not None and (epoch.second - self._held[0]) % DAY <= HOLD_S + SAME_EPOCH_S:
            epoch.sigma = self._held[1]

    def close_epoch(self) -> list[Fix]:
        """End the epoch in hand, because nothing more of it is to come."""
        epoch, self._epoch = self._epoch, None
        if epoch is None:
            return []
        self._closed_second = epoch.second
        if not epoch.complete:
            self._complete(epoch)
        self.kinds = set(epoch.values)
        if self._hdop_second is None:
            self._hdop_second = epoch.second
        stated = epoch.first("date")
        if not self.kinds & self._locating:  # a lone ZDA or GST is no record of where the machine was
            if stated is None:
                return []
            self._see_date(epoch.second, stated)
            return self._release()
        self._see_date(epoch.second, stated)
        age = (epoch.second - self._hdop_second) % DAY
        fix = epoch.join(self._timeless_hdop if age <= HOLD_S + SAME_EPOCH_S else None)
        if self._date is None:
            self._waiting.append(fix)
            return []
        return [*self._release(), fix.on(self._date)]

    def assume_date(self, now: float) -> list[Fix]:
        """Take the date stated once, else that of a clock, POSIX s: a receiver may never state one again."""
        if not self._waiting or self._date is not None:
            return []
        newest = self._waiting[-1].second
        day = datetime.fromtimestamp(now, UTC).date()
        days = (day + timedelta(days=n) for n in (-1, 0, 1))
        nearest = min(days, key=lambda d: abs(_midnight(d) + newest - now))
        self._date, self._assumed = self._stated or nearest, True
        self._last_second = newest
        return self._release()

    def finish(self) -> list[Fix]:
        """Return what is left; without any date the times count from 1970-01-01."""
        done = self.close_epoch()
        day, earlier = UNDATED, 0.0
        for fix in self._waiting:
            if earlier - fix.second > HALF_DAY:
                day += timedelta(days=1)
            earlier = fix.second
            done.append(fix.on(day))
        self._waiting = []
        return done

    def _see_date(self, second: float, stated: date | None) -> None:
        passed = self._last_second is not None and self._last_second - second > HALF_DAY
        if self._date is not None and passed:
            self._date += timedelta(days=1)  # past midnight, and the new date may be still to come
        if stated is not None:
            # live, a date must be stated twice: one damaged day would send hours of fixes astray
            if not self._prompt or stated == self._stated:
                self._date, self._assumed = stated, False
            elif self._assumed and stated != self._date:
                self._date = None  # wait for what the receiver states now
            self._stated = stated
        self._last_second = second

    def _release(self) -> list[Fix]:
        """Date the fixes that came before any date, counting back from the first one seen."""
        if self._date is None or self._last_second is None:
            return []
        fixes, day, later = [], self._date, self._last_second
        for fix in reversed(self._waiting):
            if fix.second - later > HALF_DAY:
                day -= timedelta(days=1)
            later = fix.second
            fixes.append(fix.on(day))
        self._waiting = []
        return fixes[::-1]


def _same(one: float | None, other: float) -> bool:
    return one is not None and abs(one - other) <= SAME_EPOCH_S


def _midnight(day: date) -> float:
    return datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp()
