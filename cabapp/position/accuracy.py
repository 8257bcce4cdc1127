"""How far a fix can be wrong. Pure; knows no receiver and no tool."""

from cabapp.position.fix import Fix

ASSUMED_SIGMA = {1: 1.0, 2: 0.5, 3: 0.5, 4: 0.03, 5: 0.2, 6: 5.0}
"""Pass-to-pass standard deviation by GGA quality when the receiver states none, m, at HDOP 1
(common practice; pass-to-pass error over minutes is much smaller than absolute error)."""
UNSTATED = 1.0
"""Of a fix that states neither deviation nor quality, m."""


def sigma_of(fix: Fix) -> float:
    """Return the standard deviation of a fix, m: as stated, or assumed from its quality.

    >>> sigma_of(Fix(0.0, 50.0, 10.0, sigma=0.4)), sigma_of(Fix(0.0, 50.0, 10.0, quality=4))
    (0.4, 0.03)
    """
    if fix.sigma is not None:
        return fix.sigma
    return ASSUMED_SIGMA.get(fix.quality, UNSTATED) * max(1.0, fix.hdop or 1.0)
