"""What the tool is about to do to the ground in front of it, if it goes on as it goes now."""

from dataclasses import dataclass

import numpy as np

from cabapp.coverage.grid import Grid
from cabapp.coverage.sweep import Pose

PARTS = 12
FINE_PARTS = 24  # samples across the tool; two to a part
SHARE = 0.2  # of the way ahead over ground at target, from which that part of the tool counts


@dataclass(frozen=True)
class Ahead:
    """Attributes
    ----------
    over_width : float
        Width of the tool, m, that will run over ground already at target.
    side : int
        Where on the tool that is: -1 left, +1 right, 0 none or the middle.
    move : float
        Shortest sideways move, m, after which (almost) none is run over again; 0 if none helps.
    move_side : int
        Which way: -1 left, +1 right, 0 no move helps within one and a half widths.
    distance : float
        m to the first such ground; infinite if none.
    strip : tuple of int
        Counts the tool will leave just ahead, 12 parts from left to right.
    over : tuple of bool
        Which of the parts will then be above target.
    """

    over_width: float
    side: int
    move: float
    move_side: int
    distance: float
    strip: tuple[int, ...]
    over: tuple[bool, ...]


def look_ahead(grid: Grid, pose: Pose, seconds: float, wanted, covered_now) -> Ahead:
    """Return what lies in the tool's way along its present curve.

    Parameters
    ----------
    grid : Grid
    pose : Pose
    seconds : float
        How far to look, s of travel at the present speed; at least a few metres.
    wanted : callable
        Places, shape (n, 2), m, to passes wanted there, shape (n,); 0 outside the field.
    covered_now : callable
        Places to whether this very visit has covered them already: they get no further count.
    """
    left, right = np.array(pose.left), np.array(pose.right)
    width = float(np.hypot(*(left - right)))
    middle = (left + right) / 2
    reach = max(pose.speed * seconds, 4.0)
    along = np.arange(1.0, reach + 1.0, max(1.0, reach / 40))
    step = width / FINE_PARTS
    # lateral places from one width beyond the left end to one beyond the right, left to right
    across = (np.arange(3 * FINE_PARTS) + 0.5) * step - 1.5 * width
    bend = pose.curvature * along
    heading = pose.tool_heading + bend
    half = pose.tool_heading + bend / 2
    chord = along * np.sinc(bend / 2 / np.pi)
    x = middle[0] + chord * np.cos(half)
    y = middle[1] + chord * np.sin(half)
    places = np.empty((len(along), len(across), 2))
    places[..., 0] = x[:, None] + np.sin(heading)[:, None] * across
    places[..., 1] = y[:, None] - np.cos(heading)[:, None] * across
    flat = places.reshape(-1, 2)
    counts = grid.at(flat).reshape(places.shape[:2]).astype(int)
    free = ~covered_now(flat).reshape(counts.shape)
    want = np.asarray(wanted(flat)).reshape(counts.shape)
    full = (counts >= want) & (want > 0) & free

    share = full.mean(axis=0) >= SHARE
    under = slice(FINE_PARTS, 2 * FINE_PARTS)
    mine = np.flatnonzero(share[under])
    over_width = len(mine) * step
    side = 0
    if len(mine):
        lean = float(mine.mean()) - (FINE_PARTS - 1) / 2
        side = 0 if abs(lean) < 1 else (1 if lean > 0 else -1)
    move, move_side = _move(share, step) if len(mine) else (0.0, 0)
    hit = np.flatnonzero(full[:, under].any(axis=1)) if len(mine) else []
    near = along <= max(3.0, along[0])
    after = counts[near][:, under] + free[near][:, under]
    pairs = after.reshape(int(near.sum()), PARTS, 2).transpose(1, 0, 2).reshape(PARTS, -1)
    strip = np.sort(pairs, axis=1)[:, pairs.shape[1] // 2]
    rises = full[near][:, under].reshape(int(near.sum()), PARTS, 2).mean(axis=(0, 2)) >= 0.5
    return Ahead(
        over_width,
        side,
        move,
        move_side,
        float(along[hit[0]]) if len(hit) else np.inf,
        tuple(int(n) for n in strip),
        tuple(bool(b) for b in rises),
    )


def _move(share, step):
    """Return the shortest sideways move (m, which way) that leaves a clean width."""
    bad = np.concatenate([[0], np.cumsum(share)])
    under = bad[FINE_PARTS:] - bad[:-FINE_PARTS]  # full samples with the tool shifted by each step
    shift = np.arange(len(under)) - FINE_PARTS
    clean = np.flatnonzero(under <= 0)
    if len(clean) == 0:
        return 0.0, 0
    best = shift[clean[np.argmin(np.abs(shift[clean]))]]
    return abs(float(best)) * step, int(np.sign(best))
