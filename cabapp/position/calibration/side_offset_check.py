"""Sideways offset of an antenna from one line driven both ways. Pure; plane metres in.

An antenna beside the middle stands on the other side of the line on the way back, so the two
tracks lie twice that far apart (common practice; it follows from turning round by 180 degrees).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cabapp.geometry.angles import turn_between
from cabapp.geometry.robust_spread import robust_spread
from store.errors import Message, Refused, message

LEAST_LENGTH, LEAST_FIXES = 30.0, 10
"""What both runs must have in common, m, and how many fixes each there."""
TURNED, STRAIGHT = math.radians(20), math.radians(5)
"""Farther off the first metres' heading a run is over; off its middle's, it is not part of the
line."""
WINDOW = 2.5
"""A heading is taken from this far before a place to this far behind it, m."""
SMALL = 0.05
"""An offset smaller than this is nothing to write down, m."""


class CheckRefused(Refused):
    """The drive shows no line driven both ways."""


@dataclass(frozen=True)
class SideOffsetCheck:
    """The result of the check.

    Attributes
    ----------
    side : float
        How far the line driven lies right of the antenna, m (left: negative); this is the side
        offset of a hitching.
    standard_error : float
        Standard error of `side`, m, from the scatter of the fixes; a drift of the receiver between
        the two ways is not in it.
    length : float
        What both runs have in common, m.
    """

    side: float
    standard_error: float
    length: float


def side_offset(there: np.ndarray, back: np.ndarray) -> SideOffsetCheck:
    """Return the sideways offset from two runs along one line, the second the other way.

    Parameters
    ----------
    there, back : array_like, shape (n, 2) and (m, 2)
        Antenna places, metres east and north, in order of time.

    Raises
    ------
    CheckRefused
        Too short, not straight enough to be one line, or not the other way round.

    Notes
    -----
    Along the direction u of the first run with r to its right, the antenna runs at L - side; on
    the way back its right is -r, so it runs at L + side: half the difference is the offset.

    Examples
    --------
    Antenna 0.4 m left of the line: on the way north at x = -0.4, on the way south at x = +0.4.

    >>> y = np.arange(0.0, 60.0)
    >>> there = np.column_stack([0 * y - 0.4, y])
    >>> back = np.column_stack([0 * y + 0.4, y[::-1]])
    >>> side_offset(there, back)
    SideOffsetCheck(side=0.4, standard_error=0.0, length=59.0)
    """
    there, back = np.asarray(there, float).reshape(-1, 2), np.asarray(back, float).reshape(-1, 2)
    if min(len(there), len(back)) < LEAST_FIXES:
        raise CheckRefused(
            "Each way needs at least {count} places. Drive some {length} m and more.",
            count=LEAST_FIXES, length=f"{LEAST_LENGTH:.0f}",
        )  # fmt: skip
    ahead, home = there[-1] - there[0], back[-1] - back[0]
    if not float(np.dot(ahead, home)) < 0:
        raise CheckRefused("Both runs go the same way. Drive the line once there and once back.")
    u = _direction(there, ahead) - _direction(back, home)
    u /= np.hypot(*u)
    right = np.array([u[1], -u[0]])
    along = there @ u, back @ u
    low, high = max(a.min() for a in along), min(a.max() for a in along)
    runs = [run[(s >= low) & (s <= high)] for run, s in zip((there, back), along, strict=True)]
    if high - low < LEAST_LENGTH or min(map(len, runs)) < LEAST_FIXES:
        raise CheckRefused(
            "The two runs have only {common} m in common. Drive the same line both ways for {length} m or more.",
            common=f"{max(high - low, 0):.0f}", length=f"{LEAST_LENGTH:.0f}",
        )  # fmt: skip
    sideways = [run @ right for run in runs]
    middles = [float(np.median(s)) for s in sideways]
    # 1.253: a median of normal errors is that much less sure than a mean (asymptotic, sqrt(pi/2))
    spread = [1.253 * robust_spread(s, few=False) / math.sqrt(len(s)) for s in sideways]
    if max(robust_spread(s, few=False) for s in sideways) > 1.5:
        raise CheckRefused("The runs were not straight. Drive along a straight wheel mark or edge.")
    return SideOffsetCheck(
        round((middles[1] - middles[0]) / 2, 3), round(math.hypot(*spread) / 2, 3), round(float(high - low), 1)
    )


def opposite_runs(xy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Cut one drive at its turn: return the longest straight run and the next one opposite.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Antenna places, metres, in order of time.

    Raises
    ------
    CheckRefused
        There are no two long straight runs of opposite direction.
    """
    xy = np.asarray(xy, float).reshape(-1, 2)
    xy = xy[np.hypot(*np.diff(xy, axis=0, prepend=np.inf).T) > 0.2]  # without standstill
    runs = [_middle(run) for run in _straight_runs(xy)] if len(xy) > 2 else []
    runs = [run for run in runs if math.dist(run[0], run[-1]) >= LEAST_LENGTH]
    runs.sort(key=lambda run: -math.dist(run[0], run[-1]))
    for run in runs[1:]:
        u, v = runs[0][-1] - runs[0][0], run[-1] - run[0]
        turned = math.acos(np.clip(np.dot(u, v) / np.hypot(*u) / np.hypot(*v), -1, 1))
        if math.pi - turned < TURNED:
            return runs[0], run
    raise CheckRefused(
        "No line driven there and back is in this recording. Drive a straight line of "
        "{length} m or more, turn, and drive back in the same wheel marks.",
        length=f"{LEAST_LENGTH:.0f}",
    )


def describe(found: SideOffsetCheck, write_length: Callable[[float], str]) -> Message:
    """Return what the check found and what to do with it.

    Examples
    --------
    >>> str(describe(SideOffsetCheck(0.4, 0.02, 59.0), lambda m: f"{m:.1f} m"))
    'The middle lies 0.4 m right of the antenna. Write 0.4 m right into the hitching.'
    """
    if abs(found.side) <= max(SMALL, 2 * found.standard_error):
        return message("The antenna sits over the middle, as far as this drive can tell.")
    length = write_length(abs(found.side))
    if found.side > 0:
        return message(
            "The middle lies {length} right of the antenna. Write {length} right into the hitching.", length=length
        )
    return message(
        "The middle lies {length} left of the antenna. Write {length} left into the hitching.", length=length
    )


def _direction(run: np.ndarray, towards: np.ndarray) -> np.ndarray:
    """Return the direction of the best line through a run, unit vector."""
    _, _, axes = np.linalg.svd(run - run.mean(axis=0), full_matrices=False)
    along: np.ndarray = axes[0] * (1 if np.dot(axes[0], towards) > 0 else -1)
    return along


def _middle(run: np.ndarray) -> np.ndarray:
    """Return a run without the beginnings of turns at its ends."""
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(run, axis=0).T))])
    before = np.searchsorted(gone, gone - WINDOW)
    behind = np.minimum(np.searchsorted(gone, gone + WINDOW), len(run) - 1)
    chord = run[behind] - run[before]
    fifth = len(run) // 5
    u = _direction(run[fifth : len(run) - fifth], run[-1] - run[0])
    turn = np.abs(np.arctan2(chord @ [-u[1], u[0]], chord @ u))
    off = np.flatnonzero(turn > STRAIGHT)
    half = len(run) // 2
    first = off[off < half].max(initial=-1) + 1
    last = off[off >= half].min(initial=len(run))
    return run[first:last] if last - first >= 2 else run[half : half + 2]


def _straight_runs(xy: np.ndarray) -> list[np.ndarray]:
    """Return the stretches whose heading stays within `TURNED` of their own first 10 m."""
    runs, start = [], 0
    while start < len(xy) - 1:
        first = start + 1
        while first < len(xy) - 1 and math.dist(xy[start], xy[first]) < 10.0:
            first += 1
        heading = np.arctan2(*(xy[first] - xy[start])[::-1])
        end = first
        while end + 1 < len(xy):
            back = max(start, end - 4)
            now = np.arctan2(*(xy[end + 1] - xy[back])[::-1])
            if abs(turn_between(heading, now)) > TURNED:
                break
            end += 1
        if math.dist(xy[start], xy[end]) >= LEAST_LENGTH:
            runs.append(xy[start : end + 1])
            start = end
        else:
            start += 1
    return runs
