"""Spread of the spacing between neighbouring passes of the open stint, from poses. Pure."""

import math
from collections import deque

import numpy as np

from cabapp.counting.spacing import SHORTEST, STEP, Pass, Spacing, distances, fit_pass, spacing_sigma
from cabapp.geometry.angles import turn_between
from cabapp.track.pose import Pose

TAIL = 4
"""Places that give the present heading: 16 m, longer than a receiver's noise is wide."""
BEND = math.radians(25.0)
"""Between that heading and the pass so far: the pass has ended."""
ENOUGH = 3  # pairs of passes
KEPT = 12


class LiveSpacing:
    """Spacing of the passes driven so far.

    Attributes
    ----------
    sigma : float or None
        Standard deviation of the spacing at a place, m; None below 3 pairs of passes.

    Notes
    -----
    Every pass is compared with the one before it; the last 12 pairs count. Mean and standard
    deviation are used instead of `pass_spacing`'s robust ones, which need more pairs.
    """

    def __init__(self) -> None:
        self.sigma: float | None = None
        self._line: list[tuple[float, float]] = []
        self._before: Pass | None = None
        self._pairs: deque[Spacing] = deque(maxlen=KEPT)

    @property
    def pairs(self) -> int:
        """Pairs of passes that ``sigma`` is from."""
        return len(self._pairs)

    def feed(self, pose: Pose, aim: float) -> None:
        """Take a pose of a working tool; ``aim`` is the spacing meant, m."""
        line = self._line
        here = ((pose.left[0] + pose.right[0]) / 2, (pose.left[1] + pose.right[1]) / 2)
        if line and math.dist(here, line[-1]) < STEP:
            return
        line.append(here)
        if len(line) <= 2 * TAIL:
            return
        if abs(turn_between(_heading(line[0], line[-TAIL]), _heading(line[-TAIL - 1], here))) > BEND:
            self._line = line[-TAIL:]
            # its first and last places belong to the turns
            self._end(np.array(line[TAIL:-TAIL]), aim)

    def _end(self, line: np.ndarray, aim: float) -> None:
        if len(line) < 2 or math.dist(line[0], line[-1]) < SHORTEST:
            return
        one = fit_pass(line)
        apart = distances(one, self._before, aim) if self._before else None
        self._before = one
        if apart is None or abs(apart.mean() - aim) > aim / 2:
            return
        self._pairs.append(Spacing(one.end, float(apart.mean()), float(apart.std())))
        if len(self._pairs) >= ENOUGH:
            self.sigma = spacing_sigma(self._pairs, lambda metres: float(np.std(metres, ddof=1)))


def _heading(start: tuple[float, float], end: tuple[float, float]) -> float:
    return math.atan2(end[1] - start[1], end[0] - start[0])
