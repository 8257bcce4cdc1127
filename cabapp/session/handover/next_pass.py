"""Where the next pass begins."""

import math
from dataclasses import dataclass

import numpy as np

from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.track.pose import Pose

_BACK_M = 100.0  # how much of the next pass is looked at


@dataclass(frozen=True)
class NextPass:
    """Where the next pass begins: the middle of the tool, m on the plane.

    ``side`` is the side of the last pass it lies on (-1 left, +1 right, 0: go on from here),
    ``spacing`` how far over, m.
    """

    x: float
    y: float
    side: int
    spacing: float


def next_pass(count: LiveCount, pose: Pose, target: int, edge_ahead: float | None) -> NextPass | None:
    """Return where the next pass begins, or None when nothing around is below target.

    `edge_ahead`: m to the field's edge straight ahead; None when it is far.

    Notes: In the middle of a pass with ground to do ahead, it goes on from here. Else it comes back beside the last
    one, one width over ``target`` farther, on the side with more to do.
    """
    left, right = np.array(pose.left), np.array(pose.right)
    width = float(np.hypot(*(left - right)))
    middle, heading = (left + right) / 2, pose.tool_heading
    ahead = np.array([math.cos(heading), math.sin(heading)])
    to_left = np.array([-ahead[1], ahead[0]])
    far = edge_ahead is None or edge_ahead > 2 * width
    if far and _to_do(count, middle + ahead * 4, ahead, to_left, width) > 0.25:
        return NextPass(float(middle[0]), float(middle[1]), 0, 0.0)
    best, found = 0.05, None
    for side in (-1, 1):
        start = middle - side * to_left * (width / target)
        share = _to_do(count, start, -ahead, to_left, width)
        if share > best:
            best, found = share, NextPass(float(start[0]), float(start[1]), side, width / target)
    return found


def _to_do(count, start, way, across, width) -> float:
    """Return the share of a strip that lies in the field and is below target."""
    along = np.arange(2.0, _BACK_M, 2.0)
    aside = (np.arange(12) + 0.5) / 12 * width - width / 2
    places = start + along[:, None, None] * way + aside[None, :, None] * across
    flat = places.reshape(-1, 2)
    short = count.count.grid.at(flat) < count.count.wanted(flat)
    return float(short.mean())
