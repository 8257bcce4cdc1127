"""Which earlier pieces of its visit a piece can overlap at all: for most, none."""

import numpy as np

from cabapp.coverage.pieces import TICK

BLOCK = 4096
"""Pieces looked at together: few enough that all arrays stay in cache, which is several times
faster than going over memory (and over fresh pages) once for every operation."""

WAYS = np.array([(np.cos(a), np.sin(a)) for a in np.arange(4) * (np.pi / 4)])


def corners(quad):
    """Return x and y of corners, each (4, n) in one stretch of memory."""
    return np.ascontiguousarray(quad[:, :, 0].T), np.ascontiguousarray(quad[:, :, 1].T)


def counter_clockwise(x, y):
    """Return which convex quadrilaterals, (4, n), run counter-clockwise."""
    return (x[2] - x[0]) * (y[3] - y[1]) >= (y[2] - y[0]) * (x[3] - x[1])


def reaches(x, y, s0, s1, leave: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return which pieces the visit rule asks of each.

    Parameters
    ----------
    x, y : ndarray, shape (4, n)
        Corners, m.
    s0, s1 : ndarray of int64, shape (n,)
    leave : int

    Returns
    -------
    far, near : ndarray of int64, shape (n,)
        Piece i overlaps at most pieces `far[i]` to `near[i]` (exclusive) of its visit, which are
        those within `leave` of path before it.
    joins : ndarray of bool, shape (n,)
        The piece begins on the tool line where the one before ended, and both run forward.

    Notes
    -----
    While both ends of the tool line only advance in some direction, any line square to that
    direction meets the path of either end once, and the tool lines between cut it into intervals
    that join end to end. So no two pieces of such a stretch overlap. Eight directions are tried.
    """
    i = np.arange(len(s0))
    far = np.searchsorted(s1, s0 - leave)
    forward = counter_clockwise(x, y)
    joins = np.zeros(len(i), bool)
    joins[1:] = forward[1:] & forward[:-1]
    for begin, end in ((0, 3), (1, 2)):
        for z in (x, y):
            # a turned frame may round the same corner two ways
            joins[1:] &= np.abs(z[begin, 1:] - z[end, :-1]) < TICK / 8
    begins = np.where(joins, 0, i)
    one = WAYS @ np.stack([x[3] - x[0], y[3] - y[0]])
    other = WAYS @ np.stack([x[2] - x[1], y[2] - y[1]])
    near = i.copy()
    # one running maximum goes through all directions, each lifted above the one before
    lift = np.arange(len(WAYS))[:, None] * (len(i) + 1)
    for back in (np.minimum(one, other) < 0, np.maximum(one, other) > 0):
        stops = np.where(back | ~forward, i + 1, begins) + lift
        stops = np.maximum.accumulate(stops.ravel()).reshape(stops.shape) - lift
        near = np.minimum(near, stops.min(axis=0))
    busy = np.flatnonzero(far < near)
    for start in range(0, len(busy), BLOCK):
        _only_boxes(x, y, busy[start : start + BLOCK], far, near)
    return far, near, joins


def _only_boxes(x, y, busy, far, near):
    """Narrow `far` and `near` of some pieces to earlier pieces whose bounding box meets theirs."""
    number = near[busy] - far[busy]
    which = np.repeat(np.arange(len(busy)), number)
    later = busy[which]
    earlier = np.arange(len(which)) + (far[busy] - np.cumsum(number) + number)[which]
    meets = np.ones(len(which), bool)
    for z in (x, y):
        low, high = z.min(axis=0), z.max(axis=0)
        meets &= (low[later] < high[earlier]) & (low[earlier] < high[later])
    which, earlier = which[meets], earlier[meets]
    near[busy] = far[busy]
    first = np.flatnonzero(np.diff(which, prepend=-1))
    some = busy[which[first]]
    far[some] = earlier[first]
    near[some] = earlier[np.append(first, len(which))[1:] - 1] + 1
