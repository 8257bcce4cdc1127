"""When the sun sets and when civil twilight ends, without a network. Pure."""

import math

SUNSET = math.radians(90 + 50 / 60)
"""Zenith distance of the sun's middle at sunset, rad: 34' of refraction and 16' of disc."""
CIVIL_DUSK = math.radians(96.0)
"""The same at the end of civil twilight, rad: outdoor work without lights ends about then."""

_J2000 = 946_728_000.0
"""POSIX seconds of 2000-01-01 12:00 UTC."""
_DAY = 86400.0


def evening(lat: float, lon: float, near: float, zenith: float = SUNSET) -> float | None:
    """Return when the sun sinks below a height on the solar day around `near`, POSIX s, or None.

    `lat`, `lon`: WGS 84 degrees, north and east positive.
    `near`: POSIX s; the solar noon nearest to it decides the day.
    `zenith`: distance of the sun's middle from overhead, rad: `SUNSET` or `CIVIL_DUSK`.

    Notes: Declination and equation of time by the low-precision series of Meeus, Astronomical Algorithms (2nd ed.
    1998), ch. 25 and 28, which the NOAA solar calculator prints too; cos H = (cos z - sin lat sin dec) / (cos lat cos
    dec), repeated with the sun at that time. A level horizon; refraction varies by up to half a minute.

    48.5 N 100 W, 15 May 2026, in hours UTC:

    >>> noon = 1778871600.0  # 19:00 UTC
    >>> [round((evening(48.5, -100.0, noon, z) - noon) / 3600 + 19, 1) for z in (SUNSET, CIVIL_DUSK)]
    [26.2, 26.9]
    >>> evening(70.0, -150.0, 1782072000.0) is None  # midnight sun
    True
    """
    noon = near
    for _ in range(3):
        _, equation = _sun(noon)
        behind = (noon / _DAY + lon / 360 + equation / _DAY) % 1.0 - 0.5
        noon -= behind * _DAY
    when, phi = noon, math.radians(lat)
    for _ in range(4):
        declination, equation = _sun(when)
        cosine = (math.cos(zenith) - math.sin(phi) * math.sin(declination)) / (math.cos(phi) * math.cos(declination))
        if abs(cosine) > 1:
            return None
        moved = equation - _sun(noon)[1]
        when = noon + math.acos(cosine) / math.tau * _DAY - moved
    return when


def _sun(t: float) -> tuple[float, float]:
    """Return declination, rad, and equation of time, s (sun time less clock time)."""
    c = (t - _J2000) / _DAY / 36525
    mean = math.radians(280.46646 + 36000.76983 * c + 0.0003032 * c * c)
    anomaly = math.radians(357.52911 + 35999.05029 * c - 0.0001537 * c * c)
    centre = (
        (1.914602 - 0.004817 * c) * math.sin(anomaly)
        + (0.019993 - 0.000101 * c) * math.sin(2 * anomaly)
        + 0.000289 * math.sin(3 * anomaly)
    )
    node = math.radians(125.04 - 1934.136 * c)
    apparent = mean + math.radians(centre - 0.00569 - 0.00478 * math.sin(node))
    tilt = math.radians(23.4392911 - 0.0130042 * c + 0.00256 * math.cos(node))
    ascension = math.atan2(math.cos(tilt) * math.sin(apparent), math.cos(apparent))
    ahead = math.remainder(mean - math.radians(0.0057183) - ascension, math.tau)
    return math.asin(math.sin(tilt) * math.sin(apparent)), ahead / math.tau * _DAY
