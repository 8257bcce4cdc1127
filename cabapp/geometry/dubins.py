"""The shortest way between two headings with a tightest turn. Pure."""

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.angles import TURN, wrap_positive
from cabapp.geometry.arrays import Floats


def dubins_length(start: ArrayLike, end: ArrayLike, radius: float) -> Floats:
    """Return the length of the shortest forward way, m, shape (...).

    `start`, `end`: shape (..., 3); x and y, m, and heading, rad, counter-clockwise from east; they are broadcast.
    `radius`: tightest turn, m; ValueError unless above 0.

    Notes: The least of the six words of arcs and lines (Dubins 1957, "On curves of minimal length with a constraint on
    average curvature", American Journal of Mathematics 79:497-516), in the closed forms of Shkel and Lumelsky 2001,
    "Classification of the Dubins set", Robotics and Autonomous Systems 34:179-202. The way back, all headings reversed,
    has the same length.

    Straight on; round to the pass one diameter over; and turned about on the spot, 7/3 pi r:

    >>> here = (0, 0, 0)
    >>> [round(float(dubins_length(here, there, 1.0)) / np.pi, 3)
    ...  for there in ((3.14159265, 0, 0), (0, 2, np.pi), (0, 0, np.pi))]
    [1.0, 1.0, 2.333]
    """
    if not radius > 0:
        raise ValueError(f"a turn needs a radius above 0 m, not {radius!r}")
    here, there = np.asarray(start, float), np.asarray(end, float)
    dx, dy = there[..., 0] - here[..., 0], there[..., 1] - here[..., 1]
    d, way = np.hypot(dx, dy) / radius, np.arctan2(dy, dx)
    a, b = wrap_positive(here[..., 2] - way), wrap_positive(there[..., 2] - way)
    sa, sb, ca, cb, cab = np.sin(a), np.sin(b), np.cos(a), np.cos(b), np.cos(a - b)
    words = []
    # an arc, a straight line, an arc the same way round: LSL, and RSR as its mirror image
    for sign in (1, -1):
        square = 2 + d * d - 2 * cab + sign * 2 * d * (sa - sb)
        turn = np.arctan2(sign * (cb - ca), d + sign * (sa - sb))
        arcs = wrap_positive(sign * (turn - a)) + wrap_positive(sign * (b - turn))
        words.append(arcs + np.sqrt(np.maximum(square, 0)))
    # an arc, a line, an arc the other way: LSR and RSL
    for sign in (1, -1):
        square = d * d - 2 + 2 * cab + sign * 2 * d * (sa + sb)
        line = np.sqrt(np.maximum(square, 0))
        turn = np.arctan2(-sign * (ca + cb), d + sign * (sa + sb)) + sign * np.arctan2(2, line)
        arcs = wrap_positive(sign * (turn - a)) + wrap_positive(sign * (turn - b))
        words.append(np.where(square >= 0, arcs + line, np.inf))
    # three arcs: LRL and RLR
    for sign in (1, -1):
        cosine = (6 - d * d + 2 * cab - sign * 2 * d * (sa - sb)) / 8
        middle = wrap_positive(TURN - np.arccos(np.clip(cosine, -1, 1)))
        turn = np.arctan2(sign * (cb - ca), d + sign * (sa - sb))
        first = wrap_positive(sign * (turn - a) + middle / 2)
        last = wrap_positive(sign * (b - a) - first + middle)
        words.append(np.where(np.abs(cosine) <= 1, first + middle + last, np.inf))
    shortest: Floats = np.min(words, axis=0) * radius
    return shortest
