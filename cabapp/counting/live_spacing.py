"""How steadily she laps: the spread of the spacing between neighbouring passes.

Pure: poses in, one number out. It knows no counts; a pass here is a straight drive between
two turns.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

STEP = 4.0  # m between the places kept
TAIL = 4  # places that tell the way she goes now: 16 m, longer than a receiver's noise is wide
BEND = math.radians(25.0)  # between that way and the pass so far: the pass has ended
SHORTEST = 60.0  # m: a shorter drive says little
ENOUGH = 3  # pairs of passes
KEPT = 12
ALIGNED = math.radians(15.0)


class LiveSpacing:
    """Follows poses while working; ``sigma`` is the spread in m, None until it is known.

    Notes
    -----
    Every pass is laid beside the one before: at places 4 m apart, its distance sideways.
    ``sigma`` is the standard deviation of those distances over the last pairs, about the
    mean of each pair and of the pairs about their own mean together. A pair whose mean
    spacing is farther than half from what she aims at (another lap, a headland) is left out.
    """

    def __init__(self):
        self.sigma: float | None = None
        self._line: list[tuple[float, float]] = []
        self._before: np.ndarray | None = None
        self._pairs: deque[tuple[float, float]] = deque(maxlen=KEPT)

    @property
    def pairs(self) -> int:
        """How many pairs of passes ``sigma`` is from."""
        return len(self._pairs)

    def feed(self, pose, spacing: float) -> None:
        """Take a pose of a working tool; ``spacing`` is the aim, m."""
        line = self._line
        here = ((pose.left[0] + pose.right[0]) / 2, (pose.left[1] + pose.right[1]) / 2)
        if line and math.dist(here, line[-1]) < STEP:
            return
        line.append(here)
        if len(line) <= 2 * TAIL:
            return
        turned = math.remainder(_way(line[-TAIL - 1], here) - _way(line[0], line[-TAIL]), math.tau)
        if abs(turned) > BEND:
            self._line = line[-TAIL:]
            # its first and last places belong to the turns
            self._end(np.array(line[TAIL:-TAIL]), spacing)

    def _end(self, line, spacing):
        if len(line) < 2 or math.dist(line[0], line[-1]) < SHORTEST:
            return
        if self._before is not None:
            self._compare(line, self._before, spacing)
        self._before = line

    def _compare(self, line, before, spacing):
        along = before[-1] - before[0]
        along = along / np.hypot(*along)
        way = line[-1] - line[0]
        if abs(along @ way) / np.hypot(*way) < math.cos(ALIGNED):
            return
        across = np.array([-along[1], along[0]])
        place = (before - before[0]) @ along
        aside = (before - before[0]) @ across
        order = np.argsort(place)
        mine = (line - before[0]) @ along
        inside = (mine >= place.min()) & (mine <= place.max())
        if inside.sum() * STEP < SHORTEST:
            return
        apart = np.abs(((line - before[0]) @ across)[inside] - np.interp(mine[inside], place[order], aside[order]))
        if abs(apart.mean() - spacing) > spacing / 2:
            return
        self._pairs.append((float(apart.mean()), float(apart.var())))
        if len(self._pairs) >= ENOUGH:
            means, within = np.array(self._pairs).T
            self.sigma = float(np.sqrt(within.mean() + means.var(ddof=1)))


def _way(start, end) -> float:
    return math.atan2(end[1] - start[1], end[0] - start[0])
