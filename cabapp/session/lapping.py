"""How steadily she laps: the spread of the spacing between neighbouring passes.

Pure: poses in, one number out. It knows no counts; a pass here is a straight drive between
two turns.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

STRAIGHT = 1 / 60.0  # 1/m
STEP = 4.0  # m between the places kept
SHORTEST = 60.0  # m: a shorter drive says little
ENOUGH = 3  # pairs of passes
KEPT = 12
_ALIGNED = math.radians(15.0)


class Lapping:
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
        self._heading: float | None = None

    def feed(self, pose, spacing: float) -> None:
        """Take a pose of a working tool; ``spacing`` is the aim, m."""
        turned = (
            self._heading is not None
            and abs(math.remainder(pose.heading - self._heading, math.tau)) > _ALIGNED
        )
        if turned:
            self._end(spacing)
        if abs(pose.curvature) > STRAIGHT:
            return
        if self._heading is None:
            self._heading = pose.heading
        here = ((pose.left[0] + pose.right[0]) / 2, (pose.left[1] + pose.right[1]) / 2)
        if not self._line or math.dist(here, self._line[-1]) >= STEP:
            self._line.append(here)

    def _end(self, spacing):
        line, self._line, self._heading = np.array(self._line), [], None
        if len(line) < 2 or math.dist(line[0], line[-1]) < SHORTEST:
            return
        if self._before is not None:
            self._compare(line, self._before, spacing)
        self._before = line

    def _compare(self, line, before, spacing):
        along = before[-1] - before[0]
        along = along / np.hypot(*along)
        way = line[-1] - line[0]
        if abs(along @ way) / np.hypot(*way) < math.cos(_ALIGNED):
            return
        across = np.array([-along[1], along[0]])
        place = (before - before[0]) @ along
        aside = (before - before[0]) @ across
        order = np.argsort(place)
        mine = (line - before[0]) @ along
        inside = (mine >= place.min()) & (mine <= place.max())
        if inside.sum() * STEP < SHORTEST:
            return
        apart = np.abs(
            ((line - before[0]) @ across)[inside] - np.interp(mine[inside], place[order], aside[order])
        )
        if abs(apart.mean() - spacing) > spacing / 2:
            return
        self._pairs.append((float(apart.mean()), float(apart.var())))
        if len(self._pairs) >= ENOUGH:
            means, within = np.array(self._pairs).T
            self.sigma = float(np.sqrt(within.mean() + means.var(ddof=1)))
