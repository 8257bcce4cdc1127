"""Spread of pass spacing to assume, from this stint or earlier ones. Pure."""

import math

ASSUMED, ASSUMED_PAIRS = 0.6, 6
"""m: what anybody's steering is taken for at first (2 ft; common practice), and how many pairs of
passes that counts for."""


def likely_sigma(gps_sigma: float, *known: tuple[float | None, int]) -> float:
    """Return the spread of pass spacing to assume, m, as the receiver measures it.

    `gps_sigma`: standard deviation of a position, m. Measured spreads have it in them already, twice: a lap lies
        between two passes.
    `known`: tuple of (float or None, int): spreads measured, m, and from how many pairs of passes each.

    Notes: A spread from a few pairs is hardly known (from four: to about 40 %), so an ordinary one is pooled in; and
    what is returned is the upper 80 % bound, sigma (1 + 0.84 / sqrt(2 n)) by the normal approximation: a threshold from
    too small a spread cries without end.

    >>> round(likely_sigma(0.0), 2), round(likely_sigma(0.2), 2), round(likely_sigma(0, (0.3, 12)), 2)
    (0.75, 0.82, 0.48)
    """
    rows = [(math.hypot(ASSUMED, math.sqrt(2) * gps_sigma), ASSUMED_PAIRS)]
    rows += [(sigma, pairs) for sigma, pairs in known if sigma is not None]
    pairs = sum(n for _, n in rows)
    pooled = math.sqrt(sum(n * s * s for s, n in rows) / pairs)
    return pooled * (1 + 0.84 / math.sqrt(2 * pairs))
