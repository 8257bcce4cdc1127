"""The order and direction in which gaps are driven, and which are not worth the way. Pure."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from cabapp.geometry.arrays import Floats
from cabapp.geometry.dubins import dubins_length

EXACT = 12
"""Up to so many strips the shortest round is found exactly."""

SHORT_WEIGHS, NEVER_WEIGHS = 5.0, 50.0
"""How many times worse a pass missing is than the time of one pass too many: on ground covered too
few times, and on ground never covered (our own choice; a stone through the combine costs a hundred
times what a pass does)."""


@dataclass(frozen=True)
class Strip:
    """One gap, driven from end to end.

    `ends`: ((x, y), (x, y)), m.
    `area`: m2.
    `never`: never covered; else too few times.
    `chance`: probability that it is real, 0 to 1.
    """

    ends: tuple[tuple[float, float], tuple[float, float]]
    area: float
    never: bool = False
    chance: float = 1.0

    @property
    def length(self) -> float:
        """From end to end, m."""
        return math.dist(*self.ends)


@dataclass(frozen=True)
class Round:
    """A way through strips.

    `order`: index of each strip, and which of its ends comes first.
    `metres`: length of the whole way, strips and turns.
    `left_out`: strips not worth it, and the seconds each would have cost.
    """

    order: tuple[tuple[int, int], ...]
    metres: float
    left_out: tuple[tuple[int, float], ...] = ()


def shortest(strips: list[Strip], start: Sequence[float], radius: float) -> Round:
    """Return the shortest open way through all strips.

    `start` is x, y, m, and heading, rad; `radius` the tightest turn, m.

    Notes: Between strips the way is `dubins_length`. Up to 12 strips by dynamic programming over sets of strips and the
    end last left (Held and Karp 1962, "A dynamic programming approach to sequencing problems", J. SIAM 10:196-210):
    exact. Beyond, the nearest strip next from each of several firsts, improved by reversing parts and moving parts
    until nothing helps (Lin 1965; Or 1976).

    Two strips beside each other, a diameter apart: down one and back the other.

    >>> strips = [Strip(((0, 0), (100, 0)), 500), Strip(((0, 20), (100, 20)), 500)]
    >>> found = shortest(strips, (-10, 0, 0.0), 10.0)
    >>> found.order, round(found.metres, 1)
    (((0, 0), (1, 1)), 241.4)
    """
    if not strips:
        return Round((), 0.0)
    table = _table(strips, start, radius)
    states = _exact(table) if len(strips) <= EXACT else _improved(table)
    driven = math.fsum(strip.length for strip in strips)
    return Round(tuple((s // 2, s % 2) for s in states), driven + _way(table, states))


def worth_driving(strips: list[Strip], start: Sequence[float], radius: float, speed: float, capacity: float) -> Round:
    """Return the shortest way through the strips that are worth it.

    `speed` is m/s, `capacity` the pass area done in a second of work, m2/s; the rest is as for
    `shortest`.

    Notes: A strip is worth its way while chance x weight x area / capacity, the time of the passes it saves, exceeds
    the time by which it lengthens the way. The worst is taken out first, and the way computed anew.
    """
    kept, out = list(range(len(strips))), list[tuple[int, float]]()
    while True:
        best = shortest([strips[k] for k in kept], start, radius)
        order = tuple((kept[k], end) for k, end in best.order)
        extra = _extra(strips, order, start, radius)
        cost = {k: (metres + strips[k].length) / speed for k, metres in extra.items()}
        short = {k: cost[k] - _gain(strips[k], capacity) for k in kept}
        worst = max(short, key=short.__getitem__, default=None)
        if worst is None or short[worst] <= 0:
            return Round(order, best.metres, tuple(out))
        out.append((worst, cost[worst]))
        kept.remove(worst)


def _gain(strip: Strip, capacity: float) -> float:
    weight = NEVER_WEIGHS if strip.never else SHORT_WEIGHS
    return strip.chance * weight * strip.area / capacity


def _extra(
    strips: list[Strip], order: Sequence[tuple[int, int]], start: Sequence[float], radius: float
) -> dict[int, float]:
    """Return by how much each strip makes the way between strips longer, m."""
    table = _table(strips, start, radius)
    states = [2 * k + end for k, end in order]
    whole = _way(table, states)
    return {s // 2: whole - _way(table, states[:n] + states[n + 1 :]) for n, s in enumerate(states)}


def _table(strips: list[Strip], start: Sequence[float], radius: float) -> Floats:
    """Return ways from leaving one state (row; the last is the start) to entering another.

    State 2 k is strip k driven from its first end, 2 k + 1 from its second.
    """
    ends = np.array([strip.ends for strip in strips], float).reshape(-1, 2, 2)
    heading = np.arctan2(*(ends[:, 1] - ends[:, 0]).T[::-1])
    enter = np.concatenate([ends, np.stack([heading, heading + np.pi], 1)[..., None]], 2)
    leave = np.concatenate([ends[:, ::-1], enter[..., 2:]], 2)
    rows = np.concatenate([leave.reshape(-1, 3), [start]])
    return dubins_length(rows[:, None], enter.reshape(1, -1, 3), radius)


def _way(table: Floats, states: list[int]) -> float:
    return float(table[[-1, *states[:-1]], states].sum()) if states else 0.0


def _exact(table: Floats) -> list[int]:
    n = table.shape[1] // 2
    best = np.full((1 << n, 2 * n), np.inf)
    came = np.full((1 << n, 2 * n), -1)
    for k in range(n):
        best[1 << k, 2 * k : 2 * k + 2] = table[-1, 2 * k : 2 * k + 2]
    for done in range(1, 1 << n):
        within = [s for k in range(n) if done >> k & 1 for s in (2 * k, 2 * k + 1)]
        ways = best[done, within][:, None] + table[within]
        last, way = ways.argmin(0), ways.min(0)
        for k in range(n):
            if not done >> k & 1:
                for s in (2 * k, 2 * k + 1):
                    # every set is reached only from the sets one strip smaller
                    if way[s] < best[done | 1 << k, s]:
                        best[done | 1 << k, s] = way[s]
                        came[done | 1 << k, s] = within[last[s]]
    done, state, states = (1 << n) - 1, int(best[-1].argmin()), []
    while state >= 0:
        states.append(state)
        done, state = done ^ 1 << state // 2, int(came[done, state])
    return states[::-1]


_STARTS = 6


def _improved(table: Floats) -> list[int]:
    firsts = np.argsort(table[-1])[:_STARTS]
    found = [_better(table, _nearest(table, int(first))) for first in firsts]
    return min(found, key=lambda states: _way(table, states))


def _nearest(table: Floats, first: int) -> list[int]:
    states, left = [first], set(range(table.shape[1] // 2)) - {first // 2}
    while left:
        ways = {s: table[states[-1], s] for k in left for s in (2 * k, 2 * k + 1)}
        states.append(min(ways, key=ways.__getitem__))
        left.remove(states[-1] // 2)
    return states


def _better(table: Floats, states: list[int]) -> list[int]:
    """Reverse parts, and move parts of up to three strips, while that shortens the way.

    A reversed part is driven through its strips from their other ends; the ways within it keep
    their lengths.
    """
    n = len(states)
    length, helped = _way(table, states), True
    while helped:
        helped = False
        for i in range(n):
            for j in range(i, n):
                for other in _changed(states, i, j):
                    shorter = _way(table, other)
                    if shorter < length - 1e-6:
                        states, length, helped = other, shorter, True
    return states


def _changed(states: list[int], i: int, j: int) -> Iterator[list[int]]:
    part = states[i : j + 1]
    turned = [s ^ 1 for s in reversed(part)]
    yield states[:i] + turned + states[j + 1 :]
    if j - i < 3:
        rest = states[:i] + states[j + 1 :]
        for to in range(len(rest) + 1):
            if to != i:
                yield rest[:to] + part + rest[to:]
                yield rest[:to] + turned + rest[to:]
