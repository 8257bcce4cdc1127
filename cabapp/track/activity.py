"""What a machine did through a day, estimated from its trace alone. Pure: plane metres in.

The estimate is for a person to confirm: a tool that is up leaves the same trace as one that works.
"""

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Floats, Ints
from cabapp.track.fixes.likely_places import likely_places
from cabapp.track.logging_interval import break_limit, logging_interval

WORKING, TURNING, TRAVELLING, STANDING, UNKNOWN = KINDS = (
    "working", "turning", "travelling", "standing", "unknown",
)  # fmt: skip

HALF_WINDOW_S = 2.5
"""Speed and heading are taken over twice this, s; speed over longer where the places are noisy."""
CALM_S_PER_M = 12.0
"""s. Half a window for each metre of noise: a standstill then looks slower than `STANDS_MPS` 30 times in 31."""
STANDS_MPS, STANDS_S, STANDS_M = 0.3, 20.0, 0.75
"""Slower is standing (m/s), if it lasts (s); so near its place it stands already (m)."""
TURNS = np.radians(25.0)
"""More change of heading than this within two windows is a turn."""
SHORTEST_M, SHORTEST_TURN_S = 25.0, 4.0
"""Straight for less is part of a turn (m); turned for less is part of a straight (s)."""
EDGE_M = 5.0
"""A field reaches this far over its boundary, m: tools and boundaries are that inexact."""
FAST = 1.7
"""A straight run so many times faster than the median run of its stay is travelling, not work."""
LEAST_RUNS, LEAST_S = 2, 120.0
"""A stay with fewer straight runs or less work (s) only crosses the field."""
APART_S = 3600.0
"""Without a fix for longer, coming back is another stay, s."""
PAUSE_S = 120.0
"""Standing for this long ends a spell of work, s."""
LEFT_M = 10.0
"""Found so near its place again after a time without a fix it has stood, m: unaided receivers differ by as much (from memory)."""


@dataclass(frozen=True)
class ActivitySpan:
    """Fixes first to last, inclusive, of one kind; `field` is an index or None."""

    kind: str
    first: int
    last: int
    field: int | None


@dataclass(frozen=True)
class FieldStay:
    """The time in one field.

    Attributes
    ----------
    field : int
        Index of the field.
    first, last : int
        First and last fix, inclusive.
    spells : tuple of (float, float)
        When work went on, turns included, POSIX s; empty when the field was only crossed.
    runs : int
        Straight runs of work; standing does not part them.
    """

    field: int
    first: int
    last: int
    spells: tuple[tuple[float, float], ...]
    runs: int


def guess(
    t: ArrayLike, xy: ArrayLike, fields: Sequence[shapely.Geometry]
) -> tuple[list[ActivitySpan], list[FieldStay]]:
    """Estimate what was done.

    Parameters
    ----------
    t : array_like, shape (n,)
        POSIX s, rising; only fixes with a position.
    xy : array_like, shape (n, 2)
        Metres east, north.
    fields : sequence of shapely geometries
        On the same plane; where two overlap the first one counts.

    Returns
    -------
    spans : list of ActivitySpan
        In order; each fix is in exactly one.
    stays : list of FieldStay
        In order of time.

    Examples
    --------
    Standing, then driving with no field near:

    >>> t = np.arange(0.0, 120.0)
    >>> x = np.where(t < 60, 0.0, (t - 60) * 3)
    >>> spans, stays = guess(t, np.column_stack([x, 0 * x]), [])
    >>> [(s.kind, s.field) for s in spans], stays
    ([('standing', None), ('travelling', None)], [])
    """
    t, xy = np.asarray(t, float), np.asarray(xy, float).reshape(-1, 2)
    if not len(t):
        return [], []
    interval = logging_interval(t)
    limit = break_limit(interval)
    fixes = t
    t, xy, noise, fix = likely_places(t, xy, np.flatnonzero(np.diff(t) > limit) + 1, interval)
    where = _where(xy, fields)
    breaks = np.flatnonzero(np.diff(t) > limit) + 1
    parts = zip(*(np.split(column, breaks) for column in (t, xy, noise)), strict=True)
    speed, turned = (np.concatenate(one) for one in zip(*(_motion(*part) for part in parts)))
    kind = np.where(where < 0, KINDS.index(TRAVELLING), KINDS.index(WORKING))
    kind[(where >= 0) & (turned > TURNS)] = KINDS.index(TURNING)
    moving = kind.copy()
    kind[speed < STANDS_MPS] = KINDS.index(STANDING)
    kind[breaks - 1] = KINDS.index(UNKNOWN)
    away = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])

    def lasted(first: int, last: int) -> float:
        return float(t[min(last + 1, len(t) - 1)] - t[first])

    working = np.where(where >= 0, KINDS.index(WORKING), moving)
    turning = np.where(where >= 0, KINDS.index(TURNING), moving)
    _stand_whole(kind, xy, noise)
    _swallow(kind, STANDING, moving, lambda a, b: lasted(a, b) < STANDS_S)
    _swallow(
        kind, TURNING, working,
        lambda a, b: lasted(a, b) < SHORTEST_TURN_S and turned[a : b + 1].max() < 2 * TURNS,
    )  # fmt: skip
    _swallow(kind, WORKING, turning, lambda a, b: away[b] - away[a] < SHORTEST_M)
    stays = []
    stay = np.concatenate([[0], np.cumsum((np.diff(where) != 0) | (np.diff(t) > APART_S))])
    for _, first, last in _same(stay):
        if where[first] >= 0:
            one = _stay(int(where[first]), first, last, t, xy, kind, speed)
            stays += [one] if len(fix) == len(t) else _at_fixes(one, t, fixes)
    spans = [
        ActivitySpan(KINDS[k // 10_000], first, last, None if (f := k % 10_000 - 1) < 0 else int(f))
        for k, first, last in _same((kind * 10_000 + where + 1)[fix])
    ]
    return spans, stays


def _at_fixes(stay: FieldStay, t: Floats, fixes: Floats) -> list[FieldStay]:
    """Return a stay found between fixes, told by the fixes in it and beginning and ending work at the nearest; or none."""
    first = int(np.searchsorted(fixes, t[stay.first]))
    last = int(np.searchsorted(fixes, t[stay.last], side="right")) - 1
    edges = fixes[first : last + 2]
    if last < first:
        return []

    def near(at: float) -> float:
        return float(edges[np.abs(edges - at).argmin()])

    spells = tuple((near(a), near(b)) for a, b in stay.spells)
    return [replace(stay, first=first, last=last, spells=tuple(one for one in spells if one[0] < one[1]))]


def _motion(t: Floats, xy: Floats, noise: Floats) -> tuple[Floats, Floats]:
    """Return speed, m/s, and the change of heading around each place, rad; `noise` of the places, m."""

    def at(when: Floats) -> Floats:
        return np.column_stack([np.interp(when, t, xy[:, 0]), np.interp(when, t, xy[:, 1])])

    def chord(a: Floats, b: Floats) -> Floats:
        return at(b) - at(a)

    h: Floats | float = np.maximum(HALF_WINDOW_S, CALM_S_PER_M * noise)
    spent = np.maximum(np.minimum(t + h, t[-1]) - np.maximum(t - h, t[0]), 1e-3)
    speed = np.hypot(*chord(t - h, t + h).T) / spent
    h = HALF_WINDOW_S
    before, behind = chord(t - 2 * h, t), chord(t, t + 2 * h)
    cross = before[:, 0] * behind[:, 1] - before[:, 1] * behind[:, 0]
    return speed, np.abs(np.arctan2(cross, (before * behind).sum(axis=1)))


def _where(xy: Floats, fields: Sequence[shapely.Geometry]) -> Ints:
    """Return the index of the field of each place, -1 for none; short exits count as inside."""
    where = np.full(len(xy), -1)
    for index in range(len(fields) - 1, -1, -1):
        area = shapely.buffer(fields[index], EDGE_M)
        shapely.prepare(area)
        where[shapely.contains_xy(area, xy[:, 0], xy[:, 1])] = index
    # round the end of a pass the tractor often leaves the field and comes back
    runs = list(_same(where))
    for before, (field, first, last), behind in zip(runs, runs[1:], runs[2:]):
        path = np.hypot(*np.diff(xy[first : last + 1], axis=0).T).sum()
        if field < 0 and before[0] == behind[0] and path < 150.0:
            where[first : last + 1] = before[0]
    return where


def _same(values: Ints) -> Iterator[tuple[int, int, int]]:
    """Yield (value, first, last) for each run of equal values."""
    edges = np.flatnonzero(np.diff(values)) + 1
    for first, end in zip([0, *edges], [*edges, len(values)]):
        yield int(values[first]), int(first), int(end - 1)


def _stand_whole(kind: Ints, xy: Floats, noise: Floats) -> None:
    """Let a standstill begin and end where the machine came to its place and left it, not within a window of that."""
    standing, unknown = KINDS.index(STANDING), KINDS.index(UNKNOWN)
    for value, first, last in list(_same(kind)):
        if value != standing:
            continue
        place = np.median(xy[first : last + 1], axis=0)
        for n, way in ((first - 1, -1), (last + 1, 1)):
            while 0 <= n < len(kind) and kind[n] not in (standing, unknown):
                if np.hypot(*(xy[n] - place)) > max(STANDS_M, 3 * noise[n]):
                    break
                kind[n] = standing
                n += way


def _swallow(kind: Ints, name: str, instead: Ints, short: Callable[[int, int], bool]) -> None:
    """Replace runs of a kind that are too short by what stands in `instead`."""
    for value, first, last in list(_same(kind)):
        if value == KINDS.index(name) and short(first, last):
            kind[first : last + 1] = instead[first : last + 1]


def _stay(field: int, first: int, last: int, t: Floats, xy: Floats, kind: Ints, speed: Floats) -> FieldStay:
    """Return one stay; what is no work there is set to travelling in `kind`."""
    part = kind[first : last + 1]
    working, turning = KINDS.index(WORKING), KINDS.index(TURNING)
    runs = [(first + a, first + b) for value, a, b in _same(part) if value == working]
    fastest = np.inf
    if runs:
        usual = np.median(np.concatenate([speed[a : b + 1] for a, b in runs]))
        fastest = FAST * float(usual)
        fast = [run for run in runs if np.median(speed[run[0] : run[1] + 1]) > fastest]
        for a, b in fast:
            kind[a : b + 1] = KINDS.index(TRAVELLING)
        runs = [run for run in runs if run not in fast]
    worked = sum(t[b] - t[a] for a, b in runs)
    if len(runs) < LEAST_RUNS or worked < LEAST_S:
        part[(part == working) | (part == turning)] = KINDS.index(TRAVELLING)
        runs = []
    passes = len(runs) - sum(
        _only_stood(kind[a + 1 : b], t[a + 1 : b + 1]) for (_, a), (b, _) in itertools.pairwise(runs)
    )
    return FieldStay(field, first, last, _spells(runs, t[: last + 1], xy, kind, fastest), passes)


def _only_stood(kind: Ints, t: Floats) -> bool:
    """Return whether there was a standstill, and too little else for a turn."""
    stood = kind == KINDS.index(STANDING)
    return bool(stood.any() and np.diff(t)[~stood].sum() < SHORTEST_TURN_S)


def _spells(
    runs: list[tuple[int, int]], t: Floats, xy: Floats, kind: Ints, fastest: float
) -> tuple[tuple[float, float], ...]:
    """Join runs to spells, divided by a pause or by driving elsewhere.

    The last fix of a run holds until the next; a run after a standstill begins where it stood.
    """
    spells: list[list[int]] = []
    for a, b in runs:
        between = slice(spells[-1][1], a + 1) if spells else slice(0)
        if spells and not _parted(kind[between], t[between], xy[between], fastest):
            spells[-1][1] = b
        else:
            spells.append([a, b])
    stood = np.append(kind[: len(t)] == KINDS.index(STANDING), False)
    return tuple((float(t[a - 1 if stood[a - 1] else a]), float(t[min(b + 1, len(t) - 1)])) for a, b in spells)


def _parted(kind: Ints, t: Floats, xy: Floats, fastest: float) -> bool:
    """Return whether work ended between two runs, `fastest` being the speed of work, m/s.

    Notes
    -----
    Without a fix the machine is taken to have stood where it is found at its place again, and to have driven elsewhere
    where it is found farther than it works. Else nobody knows what it did: work goes on, unseen, as in a stint whose
    reception is lost.
    """
    kind, step, gone = kind[:-1], np.diff(t), np.hypot(*np.diff(xy, axis=0).T)
    unseen = kind == KINDS.index(UNKNOWN)
    stood = (kind == KINDS.index(STANDING)) | (unseen & (gone < LEFT_M))
    drove = (kind == KINDS.index(TRAVELLING)) | (unseen & (gone > fastest * step))
    return bool(step[stood].sum() >= PAUSE_S or step[drove].sum() >= PAUSE_S / 4)
