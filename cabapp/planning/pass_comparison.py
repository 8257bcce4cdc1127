"""Whether stones met at harvest differ between ground rolled once and twice. Pure."""

import math
from dataclasses import dataclass

TELLS = 0.05
"""Significance level (the usual one)."""


@dataclass(frozen=True)
class ComparisonResult:
    """Result of a comparison.

    `ratio` is the first rate over the second (inf when the second is 0, None without hits), `chance`
    the probability of such a difference under equal rates, `tells` whether that is below `TELLS`.
    """

    ratio: float | None
    chance: float
    tells: bool


def compare(hits: int, area: float, other_hits: int, other_area: float) -> ComparisonResult:
    """Compare two rates of hits per area exactly; both areas in one unit, above 0.

    ValueError for negative hits or no area.

    Notes: Given the total, hits on the first ground are binomial with p = A1 / (A1 + A2) if the rates are equal;
    two-sided, adding up all outcomes not likelier than the observed one. Source: Przyborowski and Wilenski 1940,
    "Homogeneity of results in testing samples from Poisson series", Biometrika 31:313-323.

    Six hits on 40 ac once, two on 120 ac twice; and one against none:

    >>> six = compare(6, 40.0, 2, 120.0)
    >>> six.ratio, round(six.chance, 4), six.tells
    (9.0, 0.0042, True)
    >>> compare(1, 40.0, 0, 120.0).tells
    False
    """
    if min(hits, other_hits) < 0 or not (area > 0 and other_area > 0):
        raise ValueError(f"no such hits: {hits} on {area}, {other_hits} on {other_area}")
    n = hits + other_hits
    if n == 0:
        return ComparisonResult(None, 1.0, False)
    p = area / (area + other_area)
    logs = [_log_binomial(k, n, p) for k in range(n + 1)]
    # the usual allowance for rounding where outcomes are equally likely
    chance = math.fsum(math.exp(one) for one in logs if one <= logs[hits] + 1e-7)
    ratio = hits / area / (other_hits / other_area) if other_hits else math.inf
    return ComparisonResult(ratio, min(1.0, chance), chance < TELLS)


def _log_binomial(k: int, n: int, p: float) -> float:
    ways = math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
    return ways + k * math.log(p) + (n - k) * math.log1p(-p)
