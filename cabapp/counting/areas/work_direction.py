"""Direction in which most of the work was driven. Pure."""

from collections.abc import Sequence

import numpy as np

from cabapp.geometry.angles import axial_mean
from cabapp.track.swept_ground import SweptPieces


def main_direction(stints: Sequence[SweptPieces]) -> float:
    """Return the axial mean direction of the tool's left end, rad in [0, pi).

    The middle would mislead in the triangles of a pivot.
    """
    corners = (np.ascontiguousarray(pieces.quad).view(complex)[:, :, 0] for pieces in stints)
    return axial_mean(q[:, 3] - q[:, 0] for q in corners)
