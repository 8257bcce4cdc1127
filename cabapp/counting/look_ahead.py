"""Pass counts ahead of the tool if the present curve is held. Pure."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cabapp.counting.grid import Grid
from cabapp.geometry.angles import turn_between
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.track.pose import Pose

PARTS = 12
FINE_PARTS = 24  # samples across the tool; two to a part
SHARE, MOST = 0.2, 0.5
"""Shares of the way ahead over ground at target, from which a part of the tool counts: a fifth where
that is a third of the tool, which needs an early warning; half where it is less, which may be mere
swaying."""
MARGIN_S = 2.0
"""Looked farther than asked, s: a warning needs the ground ahead for a while first."""


@dataclass(frozen=True)
class Ahead:
    """What the tool will run over.

    Attributes
    ----------
    over_width : float
        Width of the tool, m, that will run over ground already at target.
    side : int
        Where on the tool that is: -1 left, +1 right, 0 none or the middle.
    move : float
        Shortest sideways move, m, after which (almost) none is run over again; 0 if none helps.
    move_side : int
        Which way: -1 left, +1 right, 0 no move helps within one width and the field.
    distance : float
        m to the first such ground; infinite if none.
    strip : tuple of int
        Counts the tool will leave just ahead, 12 parts from left to right.
    over : tuple of bool
        Which of the parts will then be above target.
    works : tuple of bool
        Which of the parts work; the others leave the count that is there.
    """

    over_width: float
    side: int
    move: float
    move_side: int
    distance: float
    strip: tuple[int, ...]
    over: tuple[bool, ...]
    works: tuple[bool, ...] = (True,) * PARTS


def look_ahead(
    grid: Grid, pose: Pose, seconds: float, wanted: Callable[[Floats], Ints], covered_now: Callable[[Floats], Bools]
) -> Ahead:
    """Return what the tool will run over if the tractor holds its present curve.

    Parameters
    ----------
    grid : Grid
    pose : Pose
    seconds : float
        How far to look, s of travel at the present speed, and `MARGIN_S` more; at least 4 m.
    wanted : callable
        Places, shape (n, 2), m, to passes wanted there, shape (n,); 0 outside the field.
    covered_now : callable
        Places to whether the present visit has covered them: they get no further count.

    Notes
    -----
    A towed tool goes where it points, and turns after the tractor:
    d(psi)/ds = (theta + k s - psi) / D for small angles, with D from the tool to the antenna, so
    psi = theta + k (s - D) + (psi0 - theta + k D) exp(-s / D) (tests compare it with `towing`).
    """
    left, right = np.array(pose.left), np.array(pose.right)
    width = float(np.hypot(*(left - right)))
    middle = (left + right) / 2
    reach = max(pose.speed * (seconds + MARGIN_S), 4.0)
    along = np.arange(1.0, reach + 1.0, max(1.0, reach / 40))
    step = width / FINE_PARTS
    # lateral places from one width beyond the left end to one beyond the right, left to right
    across = (np.arange(3 * FINE_PARTS) + 0.5) * step - 1.5 * width
    heading = _tool_course(pose, middle, along)
    step_on = np.diff(along, prepend=0.0)
    between = (heading + np.concatenate([[pose.tool_heading], heading[:-1]])) / 2
    x = middle[0] + np.cumsum(step_on * np.cos(between))
    y = middle[1] + np.cumsum(step_on * np.sin(between))
    places = np.empty((len(along), len(across), 2))
    places[..., 0] = x[:, None] + np.sin(heading)[:, None] * across
    places[..., 1] = y[:, None] - np.cos(heading)[:, None] * across
    flat = places.reshape(-1, 2)
    counts = grid.at(flat).reshape(places.shape[:2]).astype(int)
    free = ~covered_now(flat).reshape(counts.shape)
    want = np.asarray(wanted(flat)).reshape(counts.shape)
    full = (counts >= want) & (want > 0) & free

    # finished ground that ends on the way is being left, as on a headland
    stays = full[-max(1, len(along) // 5) :].mean(axis=0) >= 0.5
    share = full.mean(axis=0) * stays
    under = slice(FINE_PARTS, 2 * FINE_PARTS)
    works = _working(pose)
    much = 3 * np.count_nonzero((share[under] >= SHARE) & works) >= FINE_PARTS
    over = share >= (SHARE if much else MOST)
    beyond = (want == 0).mean(axis=0) >= 0.5
    mine = np.flatnonzero(over[under] & works)
    over_width = len(mine) * step
    side = 0
    if len(mine):
        lean = float(mine.mean()) - (FINE_PARTS - 1) / 2
        side = 0 if abs(lean) < 1 else (1 if lean > 0 else -1)
    move, move_side = _move(over, beyond, works, step) if len(mine) else (0.0, 0)
    hit = np.flatnonzero((full[:, under] & works).any(axis=1) & (len(mine) > 0))
    near = along <= max(3.0, along[0])
    after = counts[near][:, under] + (free[near][:, under] & works)
    pairs = after.reshape(int(near.sum()), PARTS, 2).transpose(1, 0, 2).reshape(PARTS, -1)
    strip = np.sort(pairs, axis=1)[:, pairs.shape[1] // 2]
    rises = (full[near][:, under] & works).reshape(int(near.sum()), PARTS, 2).mean(axis=(0, 2)) >= 0.5
    return Ahead(
        over_width,
        side,
        move,
        move_side,
        float(along[hit[0]]) if len(hit) else np.inf,
        tuple(int(n) for n in strip),
        tuple(bool(b) for b in rises),
        tuple(bool(b) for b in works[::2] | works[1::2]),
    )


def _working(pose: Pose) -> Bools:
    """Return which fine parts of the tool have their middle in what works, shape (FINE_PARTS,)."""
    middle = (np.arange(FINE_PARTS) + 0.5) / FINE_PARTS
    works = np.zeros(FINE_PARTS, bool)
    for left, right in pose.works:
        works |= (middle > left) & (middle < right)
    return works


def _tool_course(pose: Pose, middle: Floats, along: Floats) -> Floats:
    """Return the tool's heading, rad, at distances along its way, m."""
    bend = pose.curvature * along
    swing = turn_between(pose.heading, pose.tool_heading)
    if swing == 0:
        return pose.tool_heading + bend
    back = (pose.x - middle[0]) * np.cos(pose.heading) + (pose.y - middle[1]) * np.sin(pose.heading)
    lag = max(back, 1.0)
    tractor = pose.tool_heading - swing
    behind = swing + pose.curvature * lag
    return np.asarray(tractor + bend - pose.curvature * lag + behind * np.exp(-along / lag))


def _move(over: Bools, beyond: Bools, works: Bools, step: float) -> tuple[float, int]:
    """Return the shortest sideways move (m, which way) that leaves a clean width in the field."""

    def under(parts: Bools) -> Ints:  # how many with what works shifted by each step
        return np.asarray(np.correlate(parts.astype(np.int64), works.astype(np.int64), mode="valid"))

    shift = np.arange(2 * FINE_PARTS + 1) - FINE_PARTS
    out = under(beyond)
    # no move may lead farther out of the field
    clean = np.flatnonzero((under(over) <= 0) & (out <= out[FINE_PARTS]))
    if len(clean) == 0:
        return 0.0, 0
    best = shift[clean[np.argmin(np.abs(shift[clean]))]]
    return abs(float(best)) * step, int(np.sign(best))
