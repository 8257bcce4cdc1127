"""Which fixes are positions at all, each judged by its own place, time and quality.

Nothing is deleted: the raw trace stays in the store, and each reason is counted.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Bools, Floats

NO_POSITION = "no position"
OFF_THE_EARTH = "not a place on earth"
ZERO_ZERO = "0, 0: a receiver without a fix"
WRONG_DATE = "a date that cannot be right"

DAY = 86400.0
GPS_BEGINS, PLAUSIBLE = 315964800.0, 1104537600.0
"""POSIX s: 1980-01-06, before which a time is no date at all (only the time of day was known), and
2005, before which it is a receiver's week count that has rolled over (1024 weeks: gpsd, "NMEA
Revealed")."""
LONGEST_STINT = 7 * DAY
FEW = 0.01


class FilterResult(NamedTuple):
    """Which of n fixes can be used, bool, shape (n,), and how many were rejected for each reason."""

    keep: Bools
    reasons: dict[str, int]


def usable_fixes(
    t: ArrayLike, lat: ArrayLike, lon: ArrayLike, quality: ArrayLike | None = None, since: float | None = None
) -> FilterResult:
    """Return which fixes are positions at all.

    Parameters
    ----------
    t : array_like, shape (n,)
        POSIX seconds, UTC.
    lat, lon : array_like, shape (n,)
        Degrees; NaN = the receiver gave none.
    quality : array_like, shape (n,), optional
        Fix quality as in NMEA 0183 GGA: 0 = no fix, below 0 = not stated.
    since : float, optional
        When the stint began, POSIX s, which dates are compared with; else with the other fixes.

    Notes
    -----
    Many receivers send zeros for missing data, so 0, 0 is no place
    (gpsd, "NMEA Revealed").

    >>> usable_fixes([0, 1], [50.0, 0.0], [-105.0, 0.0]).keep.tolist()
    [True, False]
    """
    t, lat, lon = (np.asarray(a, float) for a in (t, lat, lon))
    if since is not None and _flawless(t, lat, lon, quality, since):
        return FilterResult(np.ones(len(t), bool), {})
    keep = np.ones(len(t), bool)
    reasons: dict[str, int] = {}

    def drop(bad: Bools, reason: str) -> None:
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
    if since is not None:
        drop((t < since - DAY) | (t > since + LONGEST_STINT), WRONG_DATE)
    else:
        drop(_misdated(t, keep), WRONG_DATE)
    return FilterResult(keep, reasons)


def is_flawless(t: float, lat: float, lon: float, quality: float, since: float) -> bool:
    """Return whether one fix, quality NaN = not stated, passes every check of `usable_fixes`, in plain numbers."""
    place = abs(lat) <= 90 and abs(lon) <= 180 and (lat != 0 or lon != 0)
    return place and quality != 0 and since - DAY <= t <= since + LONGEST_STINT


def _flawless(t: Floats, lat: Floats, lon: Floats, quality: ArrayLike | None, since: float) -> bool:
    """Return whether all fixes pass every check of `usable_fixes`, as nearly always."""
    good = (np.abs(lat) <= 90) & (np.abs(lon) <= 180) & ((lat != 0) | (lon != 0))
    good &= (t >= since - DAY) & (t <= since + LONGEST_STINT)
    if quality is not None:
        good &= np.asarray(quality) != 0
    return bool(good.all())


def _misdated(t: Floats, keep: Bools) -> Bools:
    """Return which fixes of a whole trace have a date that contradicts the others.

    Before 2005 where most are later; or a few alone, more than a day after all the others.
    """
    bad = keep & (t >= GPS_BEGINS) & (t < PLAUSIBLE)
    if 2 * bad.sum() > keep.sum():
        bad[:] = False
    rest = np.flatnonzero(keep & ~bad)
    rest = rest[np.argsort(t[rest], kind="stable")]
    jumps = np.flatnonzero(np.diff(t[rest]) > DAY)
    if len(jumps) and len(rest) - 1 - jumps[-1] <= FEW * len(rest):
        bad[rest[jumps[-1] + 1 :]] = True
    return bad
