"""Standard deviation that a few outliers do not change. Pure."""

import numpy as np
from numpy.typing import ArrayLike

NORMAL = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation, 1 / PhiInv(3/4)."""
FEW = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}
"""Correction of the median absolute deviation of n values (Croux and Rousseeuw 1992, "Time-efficient
algorithms for two highly robust estimators of scale", table of b_n; from memory, and a test compares
it with simulation)."""


def robust_spread(values: ArrayLike, few: bool = True) -> float:
    """Return the standard deviation of values by their median absolute deviation.

    `values`: shape (n,); n at least 1.
    `few`: correct for few values; without it the result is too small on average below some 20.

    Notes: Hampel 1974, "The influence curve and its role in robust estimation", J. Am. Stat. Assoc. 69:383-393.

    >>> round(robust_spread([1.0, 2.0, 3.0, 4.0, 100.0]), 3)
    1.788
    """
    values = np.asarray(values)
    n = len(values)
    short = (FEW.get(n, n / (n - 0.8)) if n > 1 else 1.0) if few else 1.0
    return float(short * NORMAL * np.median(np.abs(values - np.median(values))))
