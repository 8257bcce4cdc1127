"""One fix of a receiver, and the protocol of a source of fixes; a missing position is None, never 0, 0."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from store.errors import Message
from store.traces.trace_codec import HDOP_LIMIT

HOLD_S = 2.0
"""A deviation or HDOP stated apart from a place holds for this long, s: sent once a second, one may be lost."""


@dataclass(frozen=True, slots=True)
class Fix:
    """What a receiver stated of one epoch.

    Parameters
    ----------
    t : float
        POSIX seconds, UTC.
    lat, lon : float or None
        WGS 84 degrees, north and east positive. Both None: no position.
    sigma : float, optional
        The receiver's own horizontal standard deviation per axis, m. None: not stated.
    quality : int, optional
        GGA fix quality (0 none, 1 single, 2 differential, 3 PPS, 4 RTK fixed, 5 RTK float,
        6 dead reckoning, 7 manual, 8 simulator). None: not stated.
    hdop : float, optional
        Horizontal dilution of precision. None: not stated.

    Raises
    ------
    ValueError
        The time is not finite, only one of lat and lon is given, or they lie off the globe.
        Readers of files and ports check with `is_place` first.

    Examples
    --------
    >>> Fix(0.0, 52.0, -106.0, quality=4).position, Fix(1.0, None, None, quality=0).has_position
    ((52.0, -106.0), False)
    """

    t: float
    lat: float | None
    lon: float | None
    sigma: float | None = None
    quality: int | None = None
    hdop: float | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.t):
            raise ValueError(f"the time of a fix must be finite, not {self.t!r}")
        if (self.lat is None) != (self.lon is None):
            raise ValueError(f"a fix has both lat and lon or neither: {self.lat!r}, {self.lon!r}")
        if self.lat is not None and self.lon is not None and not _on_globe(self.lat, self.lon):
            raise ValueError(f"a fix must lie on the globe: {self.lat!r}, {self.lon!r}")

    def as_kept(self) -> "Fix":
        """Return the fix as the store keeps it: to 1e-7 degree, 0.01 s, 1 cm and HDOP 0.01.

        >>> Fix(12.3456, 50.123456789, 10.0, sigma=0.034, hdop=0.876).as_kept()
        Fix(t=12.35, lat=50.1234568, lon=10.0, sigma=0.03, quality=None, hdop=0.88)
        """
        lat, lon = (None if v is None else round(v * 1e7) / 1e7 for v in (self.lat, self.lon))
        sigma = None if self.sigma is None else round(self.sigma * 100) / 100
        hdop = None if self.hdop is None else round(min(self.hdop, HDOP_LIMIT) * 100) / 100
        return Fix(round(self.t * 100) / 100, lat, lon, sigma, self.quality, hdop)

    @property
    def has_position(self) -> bool:
        """Whether the receiver stated a position at all."""
        return self.lat is not None

    @property
    def position(self) -> tuple[float, float] | None:
        """Latitude and longitude, degrees."""
        return None if self.lat is None or self.lon is None else (self.lat, self.lon)


def is_place(lat: float, lon: float) -> bool:
    """Return whether two numbers, NaN allowed, can be a position a receiver measured, degrees.

    Not exactly 0, 0, which many receivers send for "no fix" (gpsd, "NMEA Revealed").

    Examples
    --------
    >>> is_place(52.0, -106.0), is_place(0.0, 0.0), is_place(float("nan"), 1.0)
    (True, False, False)
    """
    return _on_globe(lat, lon) and not (lat == 0 and lon == 0)


def _on_globe(lat: float, lon: float) -> bool:
    return -90 <= lat <= 90 and -180 <= lon <= 180


class Source(Protocol):
    """A source of fixes: a replayed file, a port, a tablet's own receiver."""

    @property
    def name(self) -> str:
        """What the source is called on a stint's record; "" while none has been found."""

    @property
    def status(self) -> Message:
        """The state of the source for a person."""

    @property
    def ended(self) -> bool:
        """Whether no fix can come any more."""

    def poll(self, now: float) -> list[Fix]:
        """Return, without waiting, the fixes with t <= now that were not given before."""

    def close(self) -> None:
        """Release the port or file; polling afterwards returns nothing."""


def fix_columns(fixes: Iterable[Fix]) -> tuple[np.ndarray, ...]:
    """Return t, lat, lon, sigma, quality and HDOP of fixes, arrays of shape (n,), as a trace has them."""
    rows = [(f.t, f.lat, f.lon, f.sigma, -1 if f.quality is None else f.quality, f.hdop) for f in fixes]
    t, lat, lon, sigma, quality, hdop = np.array(rows, float).reshape(-1, 6).T
    return t, lat, lon, sigma, quality.astype(int), hdop
