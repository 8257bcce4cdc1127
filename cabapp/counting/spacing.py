"""Straight passes, the spacing between neighbours, and its spread. Pure.

The receiver's own error from pass to pass is included, as it is in the counts.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from math import cos, sin

import numpy as np

from cabapp.geometry.angles import turn_between
from cabapp.geometry.arrays import Floats
from cabapp.geometry.robust_spread import robust_spread
from cabapp.track.swept_ground import TICK, SweptPieces

STEP = 4.0  # m between the places a pass is known by
SHORTEST = 60.0  # m; a shorter drive says little
ALIGNED = np.deg2rad(15.0)  # a pass keeps its heading so well; neighbours are so parallel
ENOUGH = 4  # spacings


@dataclass(frozen=True)
class Pass:
    """One straight drive of the working tool.

    Attributes
    ----------
    start, end : float
        POSIX s.
    x, y : float
        A place on the fitted line, m on the plane.
    heading : float
        Of the fitted line as driven, rad, east 0, counter-clockwise.
    length : float
        m.
    rms : float
        Sideways error against the fitted line, root mean square, m.
    line : ndarray, shape (n, 2)
        Middle of the tool every few metres, m.
    """

    start: float
    end: float
    x: float
    y: float
    heading: float
    length: float
    rms: float
    line: Floats


@dataclass(frozen=True)
class Spacing:
    """Distance of a pass from the earlier one beside it.

    Attributes
    ----------
    at : float
        When the later one was driven, POSIX s.
    metres : float
        Middle value along the pass.
    within : float
        Spread along the pass, m (1 sigma).
    """

    at: float
    metres: float
    within: float


@dataclass(frozen=True)
class Hour:
    """Spread in one hour that begins at `at`, POSIX s: sigma in m of so many spacings."""

    at: float
    sigma: float
    spacings: int


@dataclass(frozen=True)
class PassSpacing:
    """Passes of one operator and their spacing.

    Attributes
    ----------
    passes : tuple of Pass
    spacings : tuple of Spacing
    sigma : float or None
        Standard deviation of the spacing at a place, m; None below 4 spacings.
    by_hour : tuple of Hour
        Hours since the first pass with at least 4 spacings; for the operator alone.
    trend : float or None
        Growth of sigma in an hour, m; None below 3 such hours.
    """

    passes: tuple[Pass, ...]
    spacings: tuple[Spacing, ...]
    sigma: float | None
    by_hour: tuple[Hour, ...]
    trend: float | None


def pass_spacing(stints: list[SweptPieces], aim: float) -> PassSpacing:
    """Return the passes of one operator on one field and the spread of their spacing.

    Parameters
    ----------
    stints : list of SweptPieces
        In order of time.
    aim : float
        Spacing meant, m: the working width over the target (ValueError unless above 0). A pair
        farther from it than half of it (another lap, a headland, a place redone) is left out.

    Notes
    -----
    sigma^2 = s^2 + w^2, with s the deviation of the spacings from pass to pass and w^2 the mean over
    pairs of the same along the pass, both by the median absolute deviation: one detour around a rock
    hardly changes it.

    The trend is the median of the slopes between all pairs of hours (Sen 1968, J. Am. Stat.
    Assoc. 63:1379-1389).
    """
    if not aim > 0:
        raise ValueError(f"a spacing of {aim} m cannot be meant")
    passes = tuple(one for pieces in stints for one in find_passes(pieces))
    spacings: list[Spacing] = []
    for n, mine in enumerate(passes):
        found = (distances(mine, other, aim) for other in passes[:n])
        beside = [apart for apart in found if apart is not None]
        middles = [abs(float(np.median(apart)) - aim) for apart in beside]
        if middles and min(middles) <= aim / 2:
            apart = beside[int(np.argmin(middles))]
            spacings.append(Spacing(mine.end, float(np.median(apart)), robust_spread(apart)))
    hours = _hours(passes, spacings)
    sigma = spacing_sigma(spacings) if len(spacings) >= ENOUGH else None
    return PassSpacing(passes, tuple(spacings), sigma, hours, _trend(hours))


def find_passes(pieces: SweptPieces) -> list[Pass]:
    """Return the straight drives of one stint with the tool working, in order of time.

    A drive ends where the heading over about 12 m has turned 15 degrees from its beginning, where
    the tool stopped working, and at unknown ground; below 60 m it is no pass.
    """
    if not len(pieces):
        return []
    # what several sections sweep at once lies side by side, from the left
    first = np.flatnonzero(np.diff(pieces.s1, prepend=-1))
    last = np.append(first[1:], len(pieces)) - 1
    middle = (pieces.quad[first, 3] + pieces.quad[last, 2]) / 2
    s0, s1, ended = pieces.s0[first], pieces.s1[first], pieces.t[first]
    fresh = np.concatenate([[True], s0[1:] > s1[:-1]])
    out: list[Pass] = []
    for part in np.split(np.arange(len(first)), np.flatnonzero(fresh)[1:]):
        metres = (s1[part] - s1[part[0]]) * TICK
        if metres[-1] < SHORTEST:
            continue
        at = np.arange(0, metres[-1], STEP)
        line = np.column_stack([np.interp(at, metres, middle[part, i]) for i in (0, 1)])
        t = np.interp(at, metres, ended[part])
        out += [fit_pass(line[a:b], float(t[a]), float(t[b - 1])) for a, b in _straight(line)]
    return out


def _straight(line: Floats) -> list[tuple[int, int]]:
    """Return first and last + 1 of the straight runs among places STEP apart."""
    step = line[3:] - line[:-3]
    way = np.arctan2(step[:, 1], step[:, 0])  # at place n: from n to n + 3
    runs, first = [], 0
    for n in range(1, len(way)):
        if abs(turn_between(way[first], way[n])) > ALIGNED:
            if n > first + 1:
                runs.append((first, n))
            first = n
    runs.append((first, len(line)))
    return [(a, b) for a, b in runs if (b - a - 1) * STEP >= SHORTEST]


def fit_pass(line: Floats, start: float = 0.0, end: float = 0.0) -> Pass:
    """Return the pass along places of the middle of the tool, m, shape (n, 2).

    Its line is that of least squares square to it; `start` and `end` are its times, POSIX s.
    """
    middle = line.mean(axis=0)
    way = np.linalg.svd(line - middle, full_matrices=False)[2][0]
    way = way * (1 if way @ (line[-1] - line[0]) > 0 else -1)
    along, aside = (line - middle) @ way, (line - middle) @ (-way[1], way[0])
    return Pass(
        start, end, float(middle[0]), float(middle[1]), float(np.arctan2(way[1], way[0])),
        float(along[-1] - along[0]), float(np.sqrt((aside**2).mean())), line,
    )  # fmt: skip


def distances(mine: Pass, other: Pass, aim: float) -> Floats | None:
    """Return the distance of `mine` from `other`, m, at each place beside it.

    None when they are not parallel, farther apart than 3 spacings meant (`aim`, m), or beside each
    other for less than `SHORTEST`.
    """
    if abs(sin(turn_between(other.heading, mine.heading))) > sin(ALIGNED):
        return None
    way = np.array([cos(other.heading), sin(other.heading)])
    across = np.array([-way[1], way[0]])
    if abs(np.array([mine.x - other.x, mine.y - other.y]) @ across) > 3 * aim:
        return None
    here, there = ((one.line - (other.x, other.y)) @ np.column_stack([way, across]) for one in (mine, other))
    beside = here[(here[:, 0] >= there[:, 0].min()) & (here[:, 0] <= there[:, 0].max())]
    if len(beside) * STEP < SHORTEST:
        return None
    there = there[np.argsort(there[:, 0])]
    apart: Floats = np.abs(beside[:, 1] - np.interp(beside[:, 0], there[:, 0], there[:, 1]))
    return apart


def spacing_sigma(spacings: Collection[Spacing], deviation: Callable[[list[float]], float] = robust_spread) -> float:
    """Return sqrt(s^2 + w^2), m: deviation from pass to pass, and the mean square along passes."""
    within = np.array([one.within for one in spacings])
    return float(np.sqrt(deviation([one.metres for one in spacings]) ** 2 + (within**2).mean()))


def _hours(passes: Sequence[Pass], spacings: Sequence[Spacing]) -> tuple[Hour, ...]:
    if not passes:
        return ()
    start = passes[0].start
    groups: dict[int, list[Spacing]] = {}
    for one in spacings:
        groups.setdefault(int((one.at - start) // 3600), []).append(one)
    return tuple(
        Hour(start + 3600 * n, spacing_sigma(group), len(group))
        for n, group in sorted(groups.items())
        if len(group) >= ENOUGH
    )


def _trend(hours: Sequence[Hour]) -> float | None:
    if len(hours) < 3:
        return None
    slopes = [(b.sigma - a.sigma) / ((b.at - a.at) / 3600) for n, a in enumerate(hours) for b in hours[n + 1 :]]
    return float(np.median(slopes))
