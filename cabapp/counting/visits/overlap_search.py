"""Finds earlier pieces of the same visit that a piece may overlap: for most, none."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from cabapp.geometry.arrays import Bools, Floats, Ints, ranges
from cabapp.geometry.quad_rows import AFTER, BEFORE, corners, counter_clockwise, turned
from cabapp.track.swept_ground import SweptPieces

BLOCK = 16384
"""Pieces looked at together: few enough that all arrays stay in cache, which is several times
faster than going over memory (and over fresh pages) once for every operation."""


@dataclass
class Overlaps:
    """What some pieces of a stint may overlap, and how they follow one another.

    Attributes
    ----------
    busy, far, near : ndarray of int64, shape (m,)
        Piece `busy` overlaps at most pieces `far` to `near` (exclusive) of its visit; all others none.
    joins : ndarray of bool, shape (n,)
        The piece begins on the tool line where the one before ended, and both run forward.
    forward : ndarray of bool, shape (n,)
        Its corners run counter-clockwise.
    east, north : ndarray, shape (2, n)
        How far the left and right end of the tool line go, m, in the turned frame.
    """

    busy: Ints
    far: Ints
    near: Ints
    joins: Bools
    forward: Bools
    east: Floats
    north: Floats


def in_blocks(pieces: SweptPieces, since: Ints, angle: float = 0.0) -> Iterator[tuple[slice, Overlaps]]:
    """Yield which pieces are looked at together, and their `overlaps`.

    `since` is the odometer from which the visit of each piece reaches, rising.
    """
    for start in range(0, len(pieces), BLOCK):
        begin = int(np.searchsorted(pieces.s1, since[start]))
        part = slice(begin, start + BLOCK)
        found = overlaps(*corners(pieces.quad[part]), pieces.s1[part], since[part], start - begin, angle)
        for indices in (found.busy, found.far, found.near):
            indices += begin
        yield slice(start, start + BLOCK), found


def overlaps(x: Floats, y: Floats, s1: Ints, since: Ints, first: int = 0, angle: float = 0.0) -> Overlaps:
    """Return which pieces from `first` on may overlap earlier ones of their visit.

    Parameters
    ----------
    x, y : ndarray, shape (4, n)
        Corners, m.
    s1, since : ndarray of int64, shape (n,)
        Odometer at the end of each piece and from which its visit reaches, both rising.
    first : int
    angle : float
        What brings a frame in which most work goes north or south, rad.

    Notes
    -----
    While both ends of the tool line only go north, or only south, any line to the east meets the
    path of either end once, and the tool lines between cut it into intervals that join end to end.
    So no two pieces of such a run overlap. Nor do a piece that lies ahead of the tool line on which
    its run begins and an earlier one that lies behind it. Few pairs are left to look at.
    """
    forward = counter_clockwise(x, y)
    joins = np.zeros(len(s1), bool)
    joins[1:] = forward[1:] & forward[:-1]
    for z in (x, y):
        same = z[BEFORE, 1:] == z[AFTER, :-1]
        joins[1:] &= same[0] & same[1]
    east, north = turned(x[AFTER] - x[BEFORE], y[AFTER] - y[BEFORE], angle)
    runs = _runs(north, forward, joins)
    stops = np.append(runs[1:], len(s1))
    # of each run, the pieces whose visit reaches back beyond it
    beyond = np.minimum(np.searchsorted(since, s1[runs - 1], side="right"), stops)
    beyond[:1] = 0
    begins = np.maximum(runs, first)
    number = np.maximum(beyond - begins, 0)
    some = np.flatnonzero(number)
    busy = ranges(begins, beyond)
    if len(busy):
        runs, number = runs[some], number[some]
        which = np.repeat(np.arange(len(runs)), number)
        far, near = np.searchsorted(s1, since[busy]), runs[which]
        # of each run, the first and last piece of any visit that does not lie behind its first tool line
        farthest = far[np.cumsum(number) - number]
        size = runs - farthest
        earlier, whose = ranges(farthest, runs), np.repeat(np.arange(len(runs)), size)
        behind = _beyond(x, y, forward, runs[whose], earlier, 0, 1)
        low = np.minimum.reduceat(np.where(behind, len(s1), earlier), np.cumsum(size) - size)
        high = np.maximum.reduceat(np.where(behind, -1, earlier), np.cumsum(size) - size)
        ahead = _beyond(x, y, ~forward, near, busy, 0, 1)
        far = np.where(ahead, np.maximum(far, low[which]), far)
        near = np.where(ahead, np.minimum(near, high[which] + 1), near)
        left = np.flatnonzero(far < near)
        found = [np.zeros((3, 0), np.int64)]
        for start in range(0, len(left), BLOCK):
            part = left[start : start + BLOCK]
            found.append(_touching(x, y, forward, busy[part], far[part], near[part]))
        busy, far, near = np.concatenate(found, axis=1)
    else:
        far = near = busy
    return Overlaps(busy, far, near, joins[first:], forward[first:], east[:, first:], north[:, first:])


def _runs(north: Floats, forward: Bools, joins: Bools) -> Ints:
    """Return where runs begin in which both ends of the tool line only go north, or only south; `north`: (2, n), m."""
    on, back = ((ahead[0] & ahead[1] & forward) for ahead in (north >= 0, north <= 0))
    back &= ~on
    fresh = ~(joins & (on | back))
    fresh[:1] = True
    fresh[1:] |= (on[1:] != on[:-1]) | (back[1:] != back[:-1])
    return np.flatnonzero(fresh)


def _touching(x: Floats, y: Floats, forward: Bools, busy: Ints, far: Ints, near: Ints) -> Ints:
    """Return `busy`, `far` and `near`, (3, n), less earlier pieces that cannot lie over them.

    Their bounding boxes meet, and neither the line one begins on nor the line the other ended on
    parts them.
    """
    later, earlier = np.repeat(busy, near - far), ranges(far, near)
    for z in (x, y):
        mine, other = z.take(later, axis=1), z.take(earlier, axis=1)
        meets = (mine.min(axis=0) < other.max(axis=0)) & (other.min(axis=0) < mine.max(axis=0))
        later, earlier = later[meets], earlier[meets]
    parted = _beyond(x, y, forward, later, earlier, 0, 1)
    parted |= _beyond(x, y, forward, earlier, later, 2, 3)
    later, earlier = later[~parted], earlier[~parted]
    first = np.flatnonzero(np.diff(later, prepend=-1))
    return np.stack([later[first], earlier[first], earlier[np.append(first, len(later))[1:] - 1] + 1])


def _beyond(x: Floats, y: Floats, forward: Bools, mine: Ints, other: Ints, begin: int, end: int) -> Bools:
    """Return which pieces lie all on the outer side of the side begin to end of others."""
    turn = np.where(forward[mine], 1.0, -1.0)
    x0, y0 = x[begin].take(mine), y[begin].take(mine)
    east, north = (x[end].take(mine) - x0) * turn, (y[end].take(mine) - y0) * turn
    side = east * (y.take(other, axis=1) - y0) - north * (x.take(other, axis=1) - x0)
    # a triangle has one side of no length, which parts nothing
    return np.asarray((side.max(axis=0) < 1e-9) & ((east != 0) | (north != 0)))
