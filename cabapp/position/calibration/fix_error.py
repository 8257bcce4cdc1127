"""How far a fix can be wrong. Pure; knows no receiver and no tool.

What is assumed of a receiver that states nothing stands in one table, with its sources:
`cabapp.track.receiver_error.KINDS`.
"""

from cabapp.position.fix import Fix
from cabapp.track.receiver_error import edge_error

UNSTATED = edge_error(None, None)
"""Of a fix that states neither deviation nor quality, m."""


def sigma_of(fix: Fix) -> float:
    """Return what one pass can be off against its neighbour, 1 sigma, m: stated, or assumed.

    A stated deviation is taken whole, though part of it is the same on both passes: how much,
    the receiver does not say, and a warning must rather be too careful.

    >>> sigma_of(Fix(0.0, 50.0, 10.0, sigma=0.4))
    0.4
    >>> round(sigma_of(Fix(0.0, 50.0, 10.0, quality=2)), 2)  # 2 ft between two passes, 95 of 100
    0.24
    """
    return edge_error(fix.quality, fix.hdop) if fix.sigma is None else fix.sigma
