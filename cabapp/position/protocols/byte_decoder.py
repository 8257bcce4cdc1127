"""A receiver's bytes to fixes; knows no port and no clock.

Odd pieces, half lines, another receiver's binary and noise make no fix and raise nothing. A checksum
of one byte passes one damaged NMEA sentence in 256, and never sees two bytes exchanged. So a fix must fit:

1. Two NMEA sentences of one epoch must agree (`nmea_epoch`).
2. A fix follows the one before as time and a machine allow, else it waits until the next confirms
   it. After silence the first fix must be confirmed too, unless two NMEA sentences state it.
3. Where most epochs have two NMEA sentences, one of a single one is left out; so it is while more
   than one line in ten is damaged.
"""

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

from cabapp.geometry.plane import offset
from cabapp.position.fix import Fix
from cabapp.position.protocols.gpsd_report import GpsdReader
from cabapp.position.protocols.nmea_epoch import NmeaEpoch

QUIET_S = 0.25
"""A pause of this long ends the epoch in hand."""
LONGEST_LINE = 4096
"""Bytes without a line's end beyond this are no text."""
MOST_WAITING, UNDATED_S = 200, 3.0
"""Epochs kept until a day is known, and for how long (s); then the tablet's day is taken."""
SLACK_S = 5.0
"""Difference between the receiver's time passed and that of arrival, s: Bluetooth gives seconds at once."""
FASTEST, ROOM = 60.0, 3.0
"""No machine is faster (m/s); room for a position that settles (m)."""
SILENCE_S, CONFIRM_S = 10.0, 3.0
"""After this long nothing before counts; a doubtful fix is confirmed within the second, s."""
WEEKS = 1024 * 7 * 86400
"""GPS counts weeks in ten bits; old receivers are off by this many seconds
(gpsd, "NMEA Revealed": roll-overs of 1999, 2019 and 2038)."""
EARLIEST = 1767225600.0
"""2026-01-01, before which this was not written: a live receiver with less is rolled over."""


@dataclass(frozen=True, slots=True)
class TimedFix:
    """A fix and when its last byte came, POSIX s."""

    fix: Fix
    at: float

    @property
    def latency(self) -> float:
        """Seconds from the receiver's epoch to its arrival, by the tablet's clock."""
        return self.at - self.fix.t


class ByteDecoder:
    """Takes the bytes of one receiver, or of gpsd, and returns fixes.

    Parameters
    ----------
    earliest : float or None
        Times before this are brought forward by whole roll-overs, POSIX s; None leaves them.

    Attributes
    ----------
    bytes, implausible : int
        Bytes taken; fixes left out because they did not fit.

    Examples
    --------
    >>> decoder = ByteDecoder(earliest=None)
    >>> gga = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\\r\\n"
    >>> rmc = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\\r\\n"
    >>> decoder.feed(gga, 0.0), decoder.feed(rmc, 0.1), decoder.idle(0.5)
    ([], [], [])

    The date is taken when it is stated again, a second later:

    >>> gga = gga.replace(b"3519,", b"3520,").replace(b"*47", b"*4D")
    >>> rmc = rmc.replace(b"3519,", b"3520,").replace(b"*6A", b"*60")
    >>> [(timed.fix.t, timed.at) for timed in decoder.feed(gga + rmc, 1.1)]
    [(764426119.0, 1.1), (764426120.0, 1.1)]
    """

    def __init__(self, earliest: float | None = EARLIEST):
        self.bytes = self.implausible = 0
        self._earliest = earliest
        self._part = b""
        self._epochs = NmeaEpoch(prompt=True)
        self._gpsd = GpsdReader()
        self._came = -math.inf
        self._undated_since: float | None = None
        self._last: TimedFix | None = None
        self._placed: TimedFix | None = None
        self._doubtful: TimedFix | None = None
        self._pairs: deque[bool] = deque(maxlen=20)
        self._damage: deque[bool] = deque(maxlen=50)

    @property
    def records(self) -> int:
        """Good NMEA sentences of types that state a time, as receivers send, and good reports of gpsd."""
        return self._epochs.timed + self._gpsd.accepted

    @property
    def rejected(self) -> int:
        """Lines that began like one of ours and were damaged."""
        return self._epochs.rejected + self._gpsd.rejected

    @property
    def timeless(self) -> int:
        """Records without a time: a receiver just switched on, that has not seen the sky."""
        return self._epochs.timeless + self._gpsd.timeless

    @property
    def latest(self) -> dict[str, Any]:
        """The newest of all values besides places: satellites, speed, course, DOP."""
        return self._epochs.latest | self._gpsd.latest

    def feed(self, data: bytes, at: float) -> list[TimedFix]:
        """Take bytes that came at ``at``, POSIX s, and return the fixes complete now."""
        found = self.idle(at)
        self.bytes += len(data)
        *lines, self._part = (self._part + data).replace(b"\r", b"\n").split(b"\n")
        if len(self._part) > LONGEST_LINE:
            self._part = b""
        self._came = at
        for line in lines:
            if line.startswith(b"{"):
                found += self._filter(self._gpsd.feed(line), at, sure=True)
            elif line:
                good, bad = self._epochs.accepted, self._epochs.rejected
                fixes = self._epochs.feed(line)
                if (good, bad) != (self._epochs.accepted, self._epochs.rejected):
                    self._damage.append(self._epochs.rejected > bad)
                found += self._filter(fixes, at, sure=self._epochs.paired)
        return found

    def idle(self, at: float) -> list[TimedFix]:
        """Return what is complete because nothing came for a while, or no day ever will."""
        found: list[TimedFix] = []
        if at - self._came >= QUIET_S:
            fixes = self._epochs.close_epoch()
            found = self._filter(fixes, self._came, sure=self._epochs.paired)
        if not self._epochs.waiting:
            self._undated_since = None
        elif self._undated_since is None:
            self._undated_since = at
        elif at - self._undated_since > UNDATED_S or self._epochs.waiting > MOST_WAITING:
            found += self._filter(self._epochs.assume_date(self._came), self._came, sure=False)
        return found

    def _filter(self, fixes: list[Fix], at: float, sure: bool) -> list[TimedFix]:
        if fixes:  # several at once were waiting for a date
            self._pairs.append(sure)
        return [timed for fix in fixes if (timed := self._check(fix, at, sure)) is not None]

    def _check(self, fix: Fix, at: float, sure: bool) -> TimedFix | None:
        """Return the fix if it passes the rules above."""
        if self._earliest is not None and fix.t < self._earliest:
            weeks = math.ceil((self._earliest - fix.t) / WEEKS) * WEEKS
            fix = Fix(fix.t + weeks, fix.lat, fix.lon, fix.sigma, fix.quality, fix.hdop)
        timed = TimedFix(fix, at)
        usually_two = sum(self._pairs) * 2 > len(self._pairs)
        damaging = sum(self._damage) * 10 > len(self._damage)
        alone = fix.has_position and not sure and (usually_two or damaging)
        if self._last is not None and not 0 <= at - self._last.at <= SILENCE_S:
            self._last = self._placed = None
        if self._last is None:
            accepted = sure or not fix.has_position
        else:
            reaches = self._placed is None or _reaches(self._placed, timed)
            accepted = _follows(self._last, timed) and reaches and not alone
        if not accepted:
            waited, self._doubtful = self._doubtful, timed
            if (
                waited is None
                or alone
                or at - waited.at > CONFIRM_S
                or not (_follows(waited, timed) and _reaches(waited, timed))
            ):
                self.implausible += 1
                return None
        self._doubtful, self._last = None, timed
        if fix.has_position:
            self._placed = timed
        return timed


def _follows(before: TimedFix, timed: TimedFix) -> bool:
    """Return whether the receiver's time went on about as far as ours."""
    passed = timed.fix.t - before.fix.t
    return passed > 0 and abs(passed - (timed.at - before.at)) <= SLACK_S


def _reaches(before: TimedFix, timed: TimedFix) -> bool:
    """Return whether a machine can have gone from the one place to the other."""
    a, b = before.fix, timed.fix
    if a.position is None or b.position is None:
        return True
    return math.hypot(*offset(*a.position, *b.position)) <= ROOM + FASTEST * max(b.t - a.t, 0.0)
