"""Direction in which most of the work was driven. Pure."""

import numpy as np

from cabapp.track.swept_ground import SweptPieces


def main_direction(stints: list[SweptPieces]) -> float:
    """Return the direction most path was driven in, either way, rad in [0, pi).

    The doubled angles of all pieces are averaged, weighted by length (the mean of axial data:
    Mardia and Jupp, Directional Statistics, 2000, section 1.1). A complex number squared has
    twice the angle.
    """
    double = 0j
    for pieces in stints:
        q = np.ascontiguousarray(pieces.quad).view(complex)[:, :, 0]
        # the left end's way: that of the middle leads astray in the triangles of a pivot
        step = q[:, 3] - q[:, 0]
        size = np.abs(step)
        double += step @ (step / np.where(size == 0, 1.0, size))
    return float(np.angle(double) / 2 % np.pi)
