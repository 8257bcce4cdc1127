"""Types of arrays. Pure."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Shorts = NDArray[np.int32]
Bools = NDArray[np.bool_]
GeoJson = dict[str, Any]
"""An RFC 7946 geometry, degrees."""


def ranges(start: Ints, stop: Ints) -> Ints:
    """Return the whole numbers of some ranges, one range after the other.

    >>> ranges(np.array([3, 9, 7]), np.array([5, 8, 9]))
    array([3, 4, 7, 8])
    """
    number = np.maximum(stop - start, 0)
    return np.repeat(start - (np.cumsum(number) - number), number) + np.arange(number.sum())
