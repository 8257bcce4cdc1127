"""How often a logger writes a fix, and what follows from it for the time between two fixes."""

from collections import deque
from collections.abc import Callable
from math import ceil, hypot, inf
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Floats

BREAK_S = 5.0
"""s. Longest time between fixes that is no gap, of a logger with a fix each 2 s or oftener (common practice)."""
BREAK_INTERVALS = 2.5
"""A slower logger misses a fix only after so many of its intervals."""
SLOWEST = 15.0
"""s. Longest interval at which a recording still tells where a field machine went."""

_BIN = 0.05
_BINS = 1200
_TOGETHER = 1 << 15
"""Fixes looked at at once, so that memory is not for all of a long trace."""

_STEP_S = 10.0
_KEPT = 512
_STANDING = 0.5
_TYPICAL = 90
FIRST_SPEED = 2.8
"""m/s. Speed of work while none is known: 10 km/h, typical of rolling (ASAE D497.7, table 3; from memory)."""


class Unknown(NamedTuple):
    """Work between two fixes of which nobody knows where it went.

    Attributes
    ----------
    begin, end : float
        When the tool worked, POSIX s, between two fixes.
    start, finish : tuple of float
        Places of these fixes, m on the plane.
    way : float
        How far it can have gone from one to the other, m.
    share : float
        Part of the time between the fixes in which it worked, 0 to 1.
    counted : bool
        Ground was counted on a likely way, for the logger writes no oftener.
    """

    begin: float
    end: float
    start: tuple[float, float]
    finish: tuple[float, float]
    way: float
    share: float
    counted: bool = False


class WorkSpeed:
    """The speed of work of late, known as the trace grows.

    Attributes
    ----------
    due : float
        Time from which there is another fix to take, POSIX s.

    Notes
    -----
    It is a high percentile of the speeds over 10 s of the last hour and a half of work: turns and standstills only
    seem slower, and over 10 s the noise of fixes makes little speed.
    """

    def __init__(self) -> None:
        self.due = -inf
        self._speeds: deque[float] = deque(maxlen=_KEPT)
        self._waiting: deque[list[float]] = deque(maxlen=4 * _KEPT)
        self._last: list[float] | None = None

    def take(self, rows: Floats) -> None:
        """Take the next fixes, time, POSIX s, and place, m: the first in each 10 s counts."""
        slot = np.floor(rows[:, 0] / _STEP_S)
        before = np.concatenate([[self.due / _STEP_S - 1], slot[:-1]])
        self._waiting += rows[slot > before, :3].tolist()
        self.due = (float(slot[-1]) + 1) * _STEP_S

    def speed(self, worked: Callable[[float, float], object]) -> float:
        """Return it, m/s; `worked` says whether the tool worked between two times, POSIX s."""
        while self._waiting:
            last, one = self._last, self._waiting.popleft()
            if last is not None and worked(last[0], one[0]):
                speed = hypot(one[1] - last[1], one[2] - last[2]) / (one[0] - last[0])
                if speed >= _STANDING:
                    self._speeds.append(speed)
            self._last = one
        return float(np.percentile(self._speeds, _TYPICAL)) if self._speeds else FIRST_SPEED


class LoggingInterval:
    """The median time between fixes of a trace, known as it grows.

    Attributes
    ----------
    interval : float or None
        s, to the nearest 0.05 s and at most 60 s; None before two fixes.

    Notes
    -----
    Only steps forward in time count. Rounding keeps the jitter of a clock from changing the gap rule.
    """

    def __init__(self) -> None:
        self.interval: float | None = None
        self._counts = [0] * (_BINS + 1)
        self._total = 0
        self._below = 0  # steps shorter than the middle one
        self._middle = 1
        self._newest: float | None = None

    def add(self, t: ArrayLike) -> None:
        """Take the times of the next fixes, POSIX s."""
        times = np.atleast_1d(np.asarray(t, float))
        if len(times) == 0:
            return
        for start in range(0, len(times), _TOGETHER):
            some = times[start : start + _TOGETHER]
            steps = np.diff(some, prepend=some[0] if self._newest is None else self._newest)
            self._newest = float(some[-1])
            found = np.bincount(np.clip(np.rint(steps[steps > 0] / _BIN), 1, _BINS).astype(np.int64))
            for number in np.flatnonzero(found).tolist():
                self._note(number, int(found[number]))
        if self._total:
            self._settle()

    def add_one(self, t: float) -> None:
        """Take the time of one fix, POSIX s: `add` in plain numbers."""
        before, self._newest = self._newest, t
        if before is not None and t > before:
            self._note(min(max(round((t - before) / _BIN), 1), _BINS), 1)
            self._settle()

    def _note(self, number: int, count: int) -> None:
        self._counts[number] += count
        self._total += count
        self._below += count if number < self._middle else 0

    def _settle(self) -> None:
        half = (self._total - 1) // 2
        while self._below > half:
            self._middle -= 1
            self._below -= self._counts[self._middle]
        while self._below + self._counts[self._middle] <= half:
            self._below += self._counts[self._middle]
            self._middle += 1
        self.interval = round(self._middle * _BIN, 2)


def logging_interval(t: ArrayLike) -> float | None:
    """Return the median time between the usable fixes of a trace, s; None of fewer than two.

    >>> logging_interval([0.0, 10.1, 19.9, 60.0, 70.0])
    10.0
    """
    found = LoggingInterval()
    found.add(t)
    return found.interval


def is_too_seldom(interval: float | None) -> bool:
    """Return whether fixes so far apart, s, leave where it went between any two of them a guess.

    >>> [is_too_seldom(interval) for interval in (None, 1.0, 15.0, 15.4, 16.0)]
    [False, False, False, False, True]
    """
    return interval is not None and round(interval) > SLOWEST


def break_limit(interval: float | None) -> float:
    """Return the longest time between fixes that is not unknown ground, s.

    >>> [break_limit(interval) for interval in (None, 0.1, 2.0, 5.0, 10.0, 15.0, 60.0)]
    [5.0, 5.0, 5.0, 13.0, 25.0, 38.0, 38.0]
    """
    if interval is None or interval * BREAK_INTERVALS <= BREAK_S:
        return BREAK_S
    return float(ceil(BREAK_INTERVALS * min(interval, SLOWEST)))


def interpolation_error(interval: float, speed: float, turning: bool = False) -> float:
    """Return how far the path filled in between two fixes lies from the driven one, across it, 1 sigma, m.

    Parameters
    ----------
    interval : float
        Time between the fixes, s.
    speed : float
        m/s.
    turning : bool
        The path bends there by more than 0.15 rad in 6 s; else the mean over all field work, turns included.

    Notes
    -----
    Measured on a recorded seeding (1 Hz, 13.2 m, corrected receiver, 2.5 m/s) thinned to 2, 3, 5, 7, 10, 12 and 15 s:
    root mean square 0.021, 0.032, 0.066, 0.107, 0.182, 0.224, 0.314 m of all and 0.09, 0.17, 0.46, 0.79, 1.46, 1.99,
    2.80 m of turns. That speed counts as the interval does is geometry: the same path has the same gaps.

    >>> [round(interpolation_error(interval, 2.5), 2) for interval in (1.0, 5.0, 10.0, 15.0)]
    [0.01, 0.07, 0.18, 0.32]
    """
    way = interval * speed
    return float(0.0072 * way**1.65 if turning else 0.0020 * way**1.4)
