"""Which light it is outside, by the place of the sun. Knows no screen."""

import math

from cabapp.planning.sun import CIVIL_DUSK, SUNSET, evening

_QUARTER_DAY = 21600.0


def light_of_sun(lat: float, lon: float, t: float) -> str:
    """Return "day", "dusk" (the sun is down but the sky is bright, morning or evening) or "night".

    `lat`, `lon`: WGS 84 degrees.
    `t`: POSIX seconds.

    Notes: Sunrise and dawn lie as long before solar noon as sunset and dusk after it, within a minute or two. On the
    equator the middle of the sun is level with the eye six hours after noon.

    48.5 N 100 W on 15 May 2026 (sunset 02:11, civil dusk 02:45 UTC, see `evening`):

    >>> noon = 1778871600.0  # 19:00 UTC
    >>> [light_of_sun(48.5, -100.0, noon + h * 3600) for h in (-9.5, -8.2, 0, 7, 7.5, 8.5)]
    ['night', 'dusk', 'day', 'day', 'dusk', 'night']
    """
    noon = evening(0.0, lon, t, math.radians(90.0)) - _QUARTER_DAY
    away = abs(t - noon)
    for light, zenith in (("day", SUNSET), ("dusk", CIVIL_DUSK)):
        end = evening(lat, lon, noon, zenith)
        if end is None:  # the sun does not reach that height all day: it is above it, or below
            if _summer(lat, noon):
                return light
        elif away <= end - noon:
            return light
    return "night"


def _summer(lat, t):
    """Say whether the hemisphere of `lat` has its half year of long days."""
    north = 79 <= (t / 86400.0) % 365.2425 <= 265  # equinoxes, days since 1 January within one
    return north == (lat > 0)
