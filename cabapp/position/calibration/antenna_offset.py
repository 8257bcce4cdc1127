"""Two antennas on one tractor: fixes of the one transferred to the place of the other.

The hitchings are measured from one antenna. When another receiver takes over, its fixes are transferred
there before anything else sees them, so that trace, count and every later count know one antenna.
Pure: fixes in, fixes out. The raw log keeps the receiver's own fixes.
"""

import math
from dataclasses import dataclass, replace

from cabapp.geometry.angles import turn_between
from cabapp.geometry.plane import METRES_PER_DEGREE, offset, wrap_longitude
from cabapp.position.calibration.fix_error import sigma_of
from cabapp.position.fix import Fix

STEP = 1.0
"""The direction is taken from places this far apart, m."""
BACKS = math.radians(120.0)
"""No tractor turns that much within a step: it goes backwards."""
FORGET_S = 5.0
"""After longer without a place the way since then is not known, s."""


@dataclass(frozen=True)
class Antenna:
    """Where an antenna sits, seen from the one the hitchings are measured from.

    Attributes
    ----------
    ahead, right : float
        m; behind and left are negative.
    """

    ahead: float = 0.0
    right: float = 0.0

    @property
    def away(self) -> float:
        """How far the two are apart, m."""
        return math.hypot(self.ahead, self.right)


class AntennaTransfer:
    """Transfers the fixes of one receiver.

    Parameters
    ----------
    antenna : Antenna
        Where this receiver's own antenna sits.

    Notes
    -----
    The tractor's heading is the direction between the last places a step apart, turned on by half
    the last turn, since a chord has the heading of its middle. Driving backwards leaves the heading.
    Until a step was driven the heading is not known: the place is left, and its stated error is
    made larger by the distance of the antennas.

    Examples
    --------
    Driving east with the antenna 2 m ahead of the other one:

    >>> transfer = AntennaTransfer(Antenna(ahead=2.0))
    >>> for n in range(5):
    ...     fix = transfer.transfer(Fix(float(n), 0.0, n * 2 / METRES_PER_DEGREE, sigma=0.02))
    >>> round(fix.lon * METRES_PER_DEGREE, 3), fix.sigma
    (6.0, 0.02)
    """

    def __init__(self, antenna: Antenna):
        self.antenna = antenna
        self._at: tuple[float, float] | None = None  # latitude and longitude of the last step
        self._seen = -math.inf
        self._heading: float | None = None  # of the last chord, rad from north to the east
        self._turned = 0.0

    def transfer(self, fix: Fix) -> Fix:
        """Return the fix as the other antenna would have had it."""
        if fix.position is None:
            return fix
        lat, lon = fix.position
        self._follow(fix.t, lat, lon)
        if not self.antenna.away:
            return fix
        if self._heading is None:
            return replace(fix, sigma=math.hypot(sigma_of(fix), self.antenna.away))
        heading = self._heading + self._turned / 2
        north, east = math.cos(heading), math.sin(heading)
        back, left = -self.antenna.ahead, -self.antenna.right
        east_m, north_m = back * east + left * north, back * north - left * east
        lon += east_m / (METRES_PER_DEGREE * math.cos(math.radians(lat)))
        return replace(fix, lat=lat + north_m / METRES_PER_DEGREE, lon=wrap_longitude(lon))

    def _follow(self, t: float, lat: float, lon: float) -> None:
        """Take the tractor's heading from its way."""
        if not 0 <= t - self._seen <= FORGET_S:
            self._at, self._heading, self._turned = None, None, 0.0
        self._seen = t
        if self._at is None:
            self._at = lat, lon
            return
        east, north = offset(*self._at, lat, lon)
        if math.hypot(north, east) < STEP:
            return
        way, before = math.atan2(east, north), self._heading
        if before is not None and abs(turn_between(before, way)) > BACKS:
            way += math.pi
        if before is not None:
            self._turned = turn_between(before, way)
        self._at, self._heading = (lat, lon), way
