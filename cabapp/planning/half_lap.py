"""Half-lap passes: what steering errors leave covered once or three times. Pure."""

import math
from statistics import NormalDist

_STANDARD = NormalDist()

MISS_TO_EXTRA = 5.0
"""How much worse a foot covered too few times is than one covered too often (common practice)."""


def expected_shares(width: float, sigma: float, inside: float = 0.0) -> tuple[float, float]:
    """Return the shares of a field, 0 to 1, that steering errors leave covered once and three times.

    `width`: working width, m.
    `sigma`: standard deviation of one spacing, m; errors independent from pass to pass.
    `inside`: how much closer than half the width the operator aims, m.
    Raises ValueError: no width, a negative sigma, or an aim of half the width or more.

    Notes: The edges of a pass and the next but one miss each other by d1 + d2 - w: above 0 that wide a strip is covered
    once, below 0 three times. That is normal with mean m = -2b and deviation S = sigma sqrt 2, so E[once] = S phi(m/S)
    + m Phi(m/S) and E[thrice] = E[once] - m, each over w/2 - b. Expected value of a one-sided normal (textbook); slow
    wander makes it worse in places.

    45 ft with a standard deviation of 2 ft, aimed exactly:

    >>> [round(share, 3) for share in expected_shares(45, 2)]
    [0.05, 0.05]
    """
    if not (width > 0 and sigma >= 0 and inside < width / 2):
        raise ValueError(f"no such lapping: {width!r} m, sigma {sigma!r} m, inside {inside!r} m")
    mean, spread = -2 * inside, sigma * math.sqrt(2)
    if spread == 0:
        once = max(mean, 0.0)
    else:
        once = spread * _STANDARD.pdf(mean / spread) + mean * _STANDARD.cdf(mean / spread)
    advance = width / 2 - inside
    return once / advance, (once - mean) / advance


def best_inside(sigma: float, worth: float) -> float:
    """Return how far inside half the width to aim, m; 0 when both errors are as bad.

    `sigma` is the standard deviation of one spacing, m; `worth` how many times worse a strip covered
    once is than the same strip covered three times (ValueError unless above 0).

    Notes: b = (sigma sqrt 2 / 2) PhiInv(r / (1 + r)), where the cost of `expected_shares` is least per pass (newsvendor
    balance).

    >>> [round(best_inside(2, worth), 1) for worth in (1, 5, 10)]
    [0.0, 1.4, 1.9]
    """
    if not worth > 0:
        raise ValueError(f"worth must be above 0, not {worth!r}")
    return sigma * math.sqrt(2) / 2 * _STANDARD.inv_cdf(worth / (1 + worth))


def edge_strip_area(perimeter: float, width: float) -> float:
    """Return the ground along the boundary that half-lapping cannot cover exactly twice, m2.

    Half a width all round, corners counted twice: perimeter w / 2.

    >>> half_mile = 804.672
    >>> round(edge_strip_area(4 * half_mile, 45 * 0.3048) / 4046.8564224, 1)
    5.5
    """
    return perimeter * width / 2
