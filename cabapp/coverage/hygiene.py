"""Which fixes can be believed; it judges places and times only, never ground.

Nothing is thrown away: the raw trace stays in the store, and every refusal is counted by reason.
"""

from dataclasses import dataclass, field

import numpy as np

NO_POSITION = "no position"
OFF_THE_EARTH = "not a place on earth"
ZERO_ZERO = "0, 0: a receiver without a fix"
TIME_STANDS = "time repeats or runs backward"
SPIKE = "a jump there and back"


@dataclass
class Clean:
    """Which of n fixes can be used: keep, shape (n,), bool; reasons, how many fell for what."""

    keep: np.ndarray
    reasons: dict[str, int]


def clean(t, lat, lon, quality=None) -> Clean:
    """Return which fixes are positions at all.

    Parameters
    ----------
    t : array_like, shape (n,)
        POSIX seconds, UTC.
    lat, lon : array_like, shape (n,)
        Degrees; NaN = the receiver gave none.
    quality : array_like, shape (n,), optional
        Fix quality as in NMEA 0183 GGA: 0 = no fix, below 0 = not stated.

    Notes
    -----
    Many receivers send zeros for missing data, so 0, 0 is no place
    (gpsd, "NMEA Revealed").

    >>> clean([0, 1], [50.0, 0.0], [-105.0, 0.0]).keep.tolist()
    [True, False]
    """
    t, lat, lon = (np.asarray(a, float) for a in (t, lat, lon))
    keep = np.ones(len(t), bool)
    reasons: dict[str, int] = {}

    def drop(bad, reason):
        bad = bad & keep
        if bad.any():
            reasons[reason] = int(bad.sum())
            keep[bad] = False

    missing = ~(np.isfinite(t) & np.isfinite(lat) & np.isfinite(lon))
    if quality is not None:
        missing |= np.asarray(quality) == 0
    drop(missing, NO_POSITION)
    with np.errstate(invalid="ignore"):
        drop((np.abs(lat) > 90) | (np.abs(lon) > 180), OFF_THE_EARTH)
        drop((lat == 0) & (lon == 0), ZERO_ZERO)
    return Clean(keep, reasons)


@dataclass
class Filter:
    """Lets through fixes in order of time that a field machine can have made, one or many at once.

    A fix that would need more than `max_speed` is held back until the next one tells whether it
    was a jump there and back (dropped) or the machine really is elsewhere (a break). Feeding fixes
    one at a time or all at once gives the same.

    Attributes
    ----------
    max_gap : float
        Longest time between fixes that is still one stretch, s.
    max_speed : float
        Fastest a machine goes, m/s.
    """

    max_gap: float
    max_speed: float
    rejected: dict[str, int] = field(default_factory=dict)
    _last: np.ndarray | None = None
    _held: np.ndarray | None = None

    def feed(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the accepted of rows (t, x, y, sigma), shape (n, 4), and where a stretch breaks.

        The second array, shape (accepted,), is True where the fix does not join the one before.
        """
        if len(rows) == 0:
            return rows.reshape(0, 4), np.zeros(0, bool)
        t = rows[:, 0]
        before = np.concatenate([[-np.inf if self._last is None else self._last[0]], t[:-1]])
        if self._held is None and (t > before).all() and not self._too_fast(rows).any():
            breaks = t - before > self.max_gap
            self._last = rows[-1]
            return rows, breaks
        return self._one_by_one(rows)

    def flush(self) -> None:
        """Count a fix still held back at the end as a jump."""
        if self._held is not None:
            self._count(SPIKE)
            self._held = None

    def _too_fast(self, rows):
        first = rows[:1] if self._last is None else self._last[None]
        all_ = np.concatenate([first, rows])
        dt = np.diff(all_[:, 0])
        dx, dy = np.diff(all_[:, 1]), np.diff(all_[:, 2])
        # a long pause may end anywhere: only a stretch without a gap can show a jump
        return (dx * dx + dy * dy > (self.max_speed * dt) ** 2) & (dt <= self.max_gap)

    def _joins(self, a, b):
        dt = b[0] - a[0]
        reach = self.max_speed * dt
        return (b[1] - a[1]) ** 2 + (b[2] - a[2]) ** 2 <= reach * reach

    def _one_by_one(self, rows):
        out, breaks = [], []
        for row in rows:
            last, held = self._last, self._held
            newest = held if held is not None else last
            if newest is not None and row[0] <= newest[0]:
                self._count(TIME_STANDS)
                continue
            if held is not None:
                self._held = None
                if row[0] - last[0] <= self.max_gap and self._joins(last, row):
                    self._count(SPIKE)
                else:
                    out.append(held)
                    breaks.append(True)
                    last = held
            if last is not None:
                near_in_time = row[0] - last[0] <= self.max_gap
                if near_in_time and not self._joins(last, row):
                    self._last, self._held = last, row
                    continue
                breaks.append(not near_in_time)
            else:
                breaks.append(True)
            out.append(row)
            self._last = row
        return np.array(out, float).reshape(-1, 4), np.array(breaks, bool)

    def _count(self, reason):
        self.rejected[reason] = self.rejected.get(reason, 0) + 1
