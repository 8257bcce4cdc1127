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


def joined_columns(parts: list[tuple[Any, ...]]) -> tuple[Any, ...]:
    """Return columns of several parts as one, shape (n,) each; `parts` is emptied, and each column goes before the next.

    >>> [column.tolist() for column in joined_columns([(np.array([1]), np.array([2.0])), (np.array([3]), np.array([4.0]))])]
    [[1, 3], [2.0, 4.0]]
    """
    if len(parts) == 1:
        return parts.pop()
    columns = list(zip(*parts))
    parts.clear()
    return tuple(np.concatenate(columns.pop(0)) for _ in range(len(columns)))


def ranges(start: Ints, stop: Ints) -> Ints:
    """Return the whole numbers of some ranges, one range after the other.

    >>> ranges(np.array([3, 9, 7]), np.array([5, 8, 9]))
    array([3, 4, 7, 8])
    """
    number = np.maximum(stop - start, 0)
    return np.repeat(start - (np.cumsum(number) - number), number) + np.arange(number.sum())
