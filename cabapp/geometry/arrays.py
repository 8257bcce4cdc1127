"""Types of arrays. Pure."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
GeoJson = dict[str, Any]
"""An RFC 7946 geometry, degrees."""
