"""Finds earlier pieces of the same visit that a piece may overlap: for most, none."""

from collections.abc import Iterable

import numpy as np

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.quad_rows import counter_clockwise
from cabapp.track.swept_ground import TICK

BLOCK = 16384
"""Pieces looked at together: few enough that all arrays stay in cache, which is several times
faster than going over memory (and over fresh pages) once for every operation."""

WAYS = np.array([(np.cos(a), np.sin(a)) for a in np.arange(-1, 2) * (np.pi / 4)])


def overlap_candidates(x: Floats, y: Floats, s1: Ints, since: Ints) -> tuple[Ints, Ints, Bools, Bools]:
    """Return the range of earlier pieces of its visit that each piece may overlap.

    Parameters
    ----------
    x, y : ndarray, shape (4, n)
        Corners, m.
    s1 : ndarray of int64, shape (n,)
        Odometer at the end of each piece, rising.
    since : ndarray of int64, shape (n,)
        Odometer from which the visit of each piece reaches.

    Returns
    -------
    far, near : ndarray of int64, shape (n,)
        Piece i overlaps at most pieces `far[i]` to `near[i]` (exclusive) of its visit; none where
        `far[i]` is not below `near[i]`.
    joins : ndarray of bool, shape (n,)
        The piece begins on the tool line where the one before ended, and both run forward.
    forward : ndarray of bool, shape (n,)
        Its corners run counter-clockwise.

    Notes
    -----
    While both ends of the tool line only advance in some direction, any line square to that
    direction meets the path of either end once, and the tool lines between cut it into intervals
    that join end to end. So no two pieces of such a stretch overlap. North and south are tried for
    all pieces, six more directions for those that are not free by then.
    """
    i = np.arange(len(s1))
    forward = counter_clockwise(x, y)
    joins = np.zeros(len(i), bool)
    joins[1:] = forward[1:] & forward[:-1]
    for begin, end in ((0, 3), (1, 2)):
        for z in (x, y):
            # a turned frame may round the same corner two ways
            joins[1:] &= np.abs(z[begin, 1:] - z[end, :-1]) < TICK / 8
    begins = np.where(joins, 0, i)
    # most work goes up or down this frame: the other directions are for what does not
    near = _one_way(y[3:] - y[0], y[2:3] - y[1], forward, begins, i)
    far = near.copy()
    some = np.flatnonzero((near > 0) & (s1[near - 1] >= since))
    if len(some):
        far[some] = np.searchsorted(s1, since[some])
        marks = np.bincount(far[some], minlength=len(i) + 1)
        marks -= np.bincount(some + 1, minlength=len(i) + 1)
        few = np.flatnonzero(np.cumsum(marks[:-1]) > 0)
        x_, y_ = x.take(few, axis=1), y.take(few, axis=1)
        one = WAYS @ np.stack([x_[3] - x_[0], y_[3] - y_[0]])
        other = WAYS @ np.stack([x_[2] - x_[1], y_[2] - y_[1]])
        found = np.minimum(near[few], _one_way(one, other, forward[few], begins[few], few))
        near[some] = found[np.searchsorted(few, some)]
    busy = some[far[some] < near[some]]
    for start in range(0, len(busy), BLOCK):
        _only_touching(x, y, forward, busy[start : start + BLOCK], far, near)
    return far, near, joins, forward


def _one_way(one: Iterable[Floats], other: Iterable[Floats], forward: Bools, begins: Ints, i: Ints) -> Ints:
    """Return from which piece on both ends only advance, in the best of some directions, up to i.

    one, other : ndarray, shape (directions, n)
        How far each end of the tool line advances in each direction, m.
    """
    near = i
    for a, b in zip(one, other):
        for back in (np.minimum(a, b) < 0, np.maximum(a, b) > 0):
            stops = np.where(back | ~forward, i + 1, begins)
            near = np.minimum(near, np.maximum.accumulate(stops))
    return near


def _only_touching(x: Floats, y: Floats, forward: Bools, busy: Ints, far: Ints, near: Ints) -> None:
    """Narrow `far` and `near` of some pieces to earlier pieces that may lie over them.

    Their bounding boxes meet, and neither the line one begins on nor the line the other ended on
    parts them.
    """
    number = near[busy] - far[busy]
    which = np.repeat(np.arange(len(busy)), number)
    later = busy[which]
    earlier = np.arange(len(which)) + (far[busy] - np.cumsum(number) + number)[which]
    for z in (x, y):
        low, high = z.min(axis=0), z.max(axis=0)
        meets = low.take(later) < high.take(earlier)
        meets &= low.take(earlier) < high.take(later)
        meets = np.flatnonzero(meets)
        which, later, earlier = which[meets], later[meets], earlier[meets]
    parted = _beyond(x, y, forward, later, earlier, 0, 1)
    parted |= _beyond(x, y, forward, earlier, later, 2, 3)
    which, earlier = which[~parted], earlier[~parted]
    near[busy] = far[busy]
    first = np.flatnonzero(np.diff(which, prepend=-1))
    some = busy[which[first]]
    far[some] = earlier[first]
    near[some] = earlier[np.append(first, len(which))[1:] - 1] + 1


def _beyond(x: Floats, y: Floats, forward: Bools, mine: Ints, other: Ints, begin: int, end: int) -> Bools:
    """Return which pieces lie all on the outer side of the side begin to end of others."""
    turn = np.where(forward, 1.0, -1.0)
    east, north = (x[end] - x[begin]) * turn, (y[end] - y[begin]) * turn
    whence = (east * y[begin] - north * x[begin]).take(mine)
    east, north = east.take(mine), north.take(mine)
    side = east * y.take(other, axis=1) - north * x.take(other, axis=1)
    # a triangle has one side of no length, which parts nothing
    return np.asarray((side.max(axis=0) - whence < 1e-9) & ((east != 0) | (north != 0)))
