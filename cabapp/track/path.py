"""The path through fixes: its nodes, and the curve from one to the next."""

from collections import deque
from typing import Any

import numpy as np

from cabapp.geometry.angles import turn_between, turn_of
from cabapp.geometry.arrays import Bools, Floats, Ints


def lengths(start: Floats, xy: Floats) -> Floats:
    """Return the length of each step from one place on through others, shape (n, 2)."""
    way = np.concatenate([start[None], xy])
    way = way[1:] - way[:-1]
    return length_of(way[:, 0], way[:, 1])


def length_of(x: Floats, y: Floats) -> Floats:
    """Return the lengths of steps, m, as plain numbers give them too; `hypot` of numpy and of math differ."""
    return np.asarray(np.sqrt(x * x + y * y))


def far_enough(rows: Floats, need: Floats, smooth: Bools, start: Floats, waiting: deque[list[float]]) -> Floats:
    """Return the nodes of the path: places `need` from the one before, greedily; time, s, and place, m.

    Parameters
    ----------
    rows : ndarray, shape (n, 4)
        Fixes: time, s, place, m, and error, m.
    need : ndarray, shape (n,)
        m, of each fix.
    smooth : ndarray of bool, shape (n,)
        The fix is so noisy that its node is the mean of the fixes on the last half of the way.
    start : ndarray, shape (2,)
        The node before, m.
    waiting : deque
        Noisy fixes since then; updated.
    """
    x0, y0 = start.tolist()
    if not waiting and not smooth.any():
        chosen = []
        good = zip(rows[:, 1].tolist(), rows[:, 2].tolist(), need.tolist())
        for n, (x, y, far) in enumerate(good):
            if (x - x0) * (x - x0) + (y - y0) * (y - y0) >= far * far:
                chosen.append(n)
                x0, y0 = x, y
        return rows[chosen, :3]
    nodes = []
    for one, far, noisy in zip(rows[:, :3].tolist(), need.tolist(), smooth.tolist()):
        _, x, y = one
        if noisy:
            waiting.append(one)
        if (x - x0) * (x - x0) + (y - y0) * (y - y0) < far * far:
            continue
        if noisy:
            near = [(a - x) * (a - x) + (b - y) * (b - y) <= far * far / 4 for _, a, b in waiting]
            some = [w for w, here in zip(waiting, near) if here]
            one = [sum(values) / len(some) for values in zip(*some)]
        waiting.clear()
        nodes.append(one)
        _, x0, y0 = one
    return np.array(nodes).reshape(-1, 3)


def bend_of(dist: Floats, driven: Floats) -> Floats:
    """Return the angle of the arc that is `driven` long over a chord `dist` long, rad, of lengths in m.

    Notes
    -----
    The chord is the arc times sin(a/2) / (a/2), here inverted as a series; within 0.04 rad up to 4.8 rad.

    >>> bend_of(np.array([10.0, 2.0, 1.0]), np.array([10.0, np.pi, 2.0])).round(2).tolist()
    [0.0, 3.13, 3.76]
    """
    short = 1 - dist / np.maximum(driven, dist)
    return np.asarray(np.sqrt(24 * short * (1 + 0.3 * short + 0.12 * short * short)))


def curve(
    nodes: Floats, theta: Floats, gear: Floats, dist: Floats, seg: Ints, u: Floats, stretch: Floats | float = 1.0
) -> tuple[Floats, Floats, Floats]:
    """Return x, y (m) and heading (rad) on each chord's curve: a cubic with the headings at its ends.

    Parameters
    ----------
    nodes : ndarray, shape (n + 1, 3)
        Time, s, and place, m.
    theta : ndarray, shape (n + 1,)
        Tractor's heading at the nodes, rad.
    gear, dist : ndarray, shape (n,)
        Of each chord: below 0 = reversing; length, m.
    seg : ndarray of int, shape (m,)
        The chord of each place asked for.
    u : ndarray, shape (m,)
        Share of the chord, 0 to 1.
    stretch : ndarray, shape (n,), optional
        Factor on the tangents of each chord, for a curve longer than an arc.

    Notes
    -----
    Its end tangents are those of the usual cubic for a circular arc: handle 4/3 tan(angle/4) of
    the radius.
    """
    stretch = stretch[seg] if isinstance(stretch, np.ndarray) else stretch
    start, end, way = theta[seg], theta[seg + 1], gear[seg]
    delta = np.minimum(np.maximum(turn_between(start, end), -2.5), 2.5)
    # 4 tan(angle/4) of the radius, which is the chord over 2 sin(angle/2), with no 0 below
    reach = way * dist[seg] * 2 / (1 + np.cos(delta / 2)) * stretch
    tx0, ty0 = reach * np.cos(start), reach * np.sin(start)
    tx1, ty1 = reach * np.cos(end), reach * np.sin(end)
    ax, ay, bx, by = nodes[seg, 1], nodes[seg, 2], nodes[seg + 1, 1], nodes[seg + 1, 2]
    (x, vx), (y, vy) = _cubic(u, ax, tx0, bx, tx1), _cubic(u, ay, ty0, by, ty1)
    return x, y, np.asarray(np.arctan2(vy * way, vx * way))


def curve_of(
    start: list[float], end: list[float], first: float, last: float, gear: float, dist: float, shares: list[float]
) -> tuple[list[float], list[float], list[float]]:
    """Return `curve` of one chord between two nodes, headings `first` and `last`, in plain numbers."""
    delta = min(max(turn_of(first, last), -2.5), 2.5)
    half, *along = np.cos([delta / 2, first, last]).tolist()
    across = np.sin([first, last]).tolist()
    reach = gear * dist * 2 / (1 + half)
    x = [_cubic(u, start[1], reach * along[0], end[1], reach * along[1]) for u in shares]
    y = [_cubic(u, start[2], reach * across[0], end[2], reach * across[1]) for u in shares]
    heading = np.arctan2([one[1] * gear for one in y], [one[1] * gear for one in x])
    return [one[0] for one in x], [one[0] for one in y], heading.tolist()


def _cubic(u: Any, a: Any, ta: Any, b: Any, tb: Any) -> tuple[Any, Any]:
    """Return the cubic from a to b with tangents `ta` and `tb`, and its derivative, at shares u of it."""
    u2, u3 = u * u, u * u * u
    value = (2 * u3 - 3 * u2 + 1) * a + (u3 - 2 * u2 + u) * ta + (3 * u2 - 2 * u3) * b + (u3 - u2) * tb
    slope = (6 * u2 - 6 * u) * a + (3 * u2 - 4 * u + 1) * ta + (6 * u - 6 * u2) * b + (3 * u2 - 2 * u) * tb
    return value, slope


def stretch_of(nose: Floats, theta: Floats, dist: Floats, driven: Floats) -> Floats:
    """Return by how much to stretch the tangents of each chord's curve to make it `driven` m long, shape (n,).

    `nose`, `dist` and `driven` are of n chords; `theta` is of their n + 1 ends, rad. 1 where the
    headings show no turn: there the tractor only went slower.
    """
    first, last = turn_between(nose, theta[:-1]), turn_between(nose, theta[1:])
    turning = np.abs(first) + np.abs(last) > TURNING
    found = np.ones(len(dist))
    if not turning.any():
        return found
    delta = np.minimum(np.maximum(last - first, -2.5), 2.5)
    reach = 2 / (1 + np.cos(delta / 2))
    wanted = np.maximum(driven / dist, 1.0)
    for _ in range(4):  # the length grows nearly in proportion to the stretch
        length = np.zeros(len(dist))
        for u in _MIDDLES:
            a, b, c = 6 * u - 6 * u * u, (3 * u * u - 4 * u + 1), 3 * u * u - 2 * u
            along = a + reach * found * (b * np.cos(first) + c * np.cos(last))
            aside = reach * found * (b * np.sin(first) + c * np.sin(last))
            length += np.hypot(along, aside) / len(_MIDDLES)
        found = np.where(turning, np.minimum(np.maximum(found * wanted / length, 1.0), MOST), 1.0)
    return found


TURNING = 1.2
"""rad. Headings at both ends of a chord off it by less together show no headland turn."""
MOST = 12.0
_MIDDLES = (0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95)
