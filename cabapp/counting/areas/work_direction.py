"""Direction in which most of the work was driven. Pure."""

from collections.abc import Sequence

import numpy as np

from cabapp.counting.visits.row_sampling import SLANT
from cabapp.geometry.angles import axial_mean
from cabapp.track.swept_ground import SweptPieces


def main_direction(stints: Sequence[SweptPieces]) -> float:
    """Return the axial mean direction of the tool's left end, rad in [0, pi).

    The middle would mislead in the triangles of a pivot.
    """
    steps = (pieces.quad[:, 3] - pieces.quad[:, 0] for pieces in stints)
    return axial_mean((step[:, 0], step[:, 1]) for step in steps)


def frame_angle(stints: Sequence[SweptPieces]) -> float:
    """Return what the frame is turned by, rad, so that rows lie across the work."""
    return float(np.pi / 2 - main_direction(stints) + SLANT)
