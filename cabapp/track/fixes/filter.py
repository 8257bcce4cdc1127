"""Rejects fixes with an impossible place or time, judged by the fixes around them. Knows no field."""

from dataclasses import dataclass, field
from math import sqrt
from typing import Any

import numpy as np

from cabapp.geometry.arrays import Bools, Floats
from cabapp.track.usable_fixes import DAY, WRONG_DATE

TIME_STANDS = "time repeats or runs backward"
SPIKE = "a jump there and back"
OFF_COURSE = "off the course of the fixes around it"

ACCELERATION = 3.0
"""m/s2. More than a field machine reaches (common practice, from memory)."""
UNSTATED = 1.0
"""m. Error assumed of a fix that states none."""
DOUBT = 10 / 6**0.5
"""Standard deviations."""

Fix = list[float]
"""Time, s, place, m, and error, m, of one fix, and what else it carries; or columns of many."""


@dataclass
class FixFilter:
    """Accepts fixes, in order of time, that a field machine can have made, one or many at once.

    A fix too fast to reach, far off the line of the two before (by acceleration and stated error),
    or dated more than a day later is held until the next one. If that joins the fixes before, the
    held one is dropped; else it is accepted, after a jump in speed or date as a break. Feeding
    fixes one at a time or all at once gives the same.

    Attributes
    ----------
    max_gap : float
        Longest time between fixes that is still one stretch, s.
    max_speed : float
        Fastest a machine goes, m/s.
    """

    max_gap: float
    max_speed: float
    rejected: dict[str, int] = field(default_factory=dict)
    _before: Fix | None = None  # the fix before the last, where both are of one stretch
    _last: Fix | None = None
    _held: Fix | None = None
    _cause: str = ""

    def feed(self, rows: Floats) -> tuple[Floats, Bools]:
        """Return the accepted of rows (t, x, y, sigma, ...), shape (n, 4 or more), and where a stretch breaks.

        A sigma of 0 is not stated. The second array, shape (accepted,), is True where the fix
        does not join the one before.
        """
        known = [np.array([row]) for row in (self._before, self._last) if row is not None]
        tangled = self._tangled(rows)
        if not tangled:
            rows = self._without_stale(rows)
        every = np.concatenate([*known, rows])
        dt = np.diff(every[:, 0], prepend=-np.inf)
        odd = np.zeros(0, int) if tangled else np.flatnonzero(self._odd(every, dt))
        none, n, out, breaks = rows[:0], len(known), list[Any](), list[bool]()
        while n < len(every):
            at = np.searchsorted(odd, n)
            end = int(odd[at]) if at < len(odd) else len(every)
            if end > n and not tangled and self._in_step(every, dt, n):
                out.append(every[n:end])
                breaks += (dt[n:end] > self.max_gap).tolist()
                joined = end > 1 and dt[end - 1] <= self.max_gap
                self._before = every[end - 2].tolist() if joined else None
                self._last = every[end - 1].tolist()
                n = end
                continue
            self._judge(every[n].tolist(), out, breaks)
            n += 1
        return np.concatenate([none, *out]), np.array(breaks, bool)

    def feed_one(self, row: Fix) -> list[tuple[Fix, bool]]:
        """Do what `feed` does with one row in plain numbers; return each accepted with whether a stretch breaks there."""
        out, breaks = list[Any](), list[bool]()
        self._judge(row, out, breaks)
        return [(accepted[0], broken) for accepted, broken in zip(out, breaks)]

    def flush(self) -> None:
        """Count a fix still held at the end as rejected."""
        if self._held is not None:
            self._drop()

    # --- many at once: only what needs no single judgement ---------------------------------------

    def _tangled(self, rows: Floats) -> bool:
        """Return whether dates jump on and times run back, so that the order must be judged singly."""
        newest = self._held if self._held is not None else self._last
        t = rows[:, 0] if newest is None else np.append(newest[0], rows[:, 0])
        step = np.diff(t)
        jumped = self._cause == WRONG_DATE or (step > DAY).any()
        return bool(jumped and (step <= 0).any())

    def _without_stale(self, rows: Floats) -> Floats:
        newest = self._held if self._held is not None else self._last
        first = -np.inf if newest is None else newest[0]
        reached = np.maximum.accumulate(np.concatenate([[first], rows[:, 0]]))[:-1]
        fresh = rows[:, 0] > reached
        if fresh.all():
            return rows
        self._count(TIME_STANDS, int((~fresh).sum()))
        return rows[fresh]

    def _odd(self, every: Floats, dt: Floats) -> Bools:
        """Return which fixes need a single judgement if all before them are accepted."""
        odd = dt > DAY
        odd[:1] = False
        near = dt[1:] <= self.max_gap
        a, b = every[:-1], every[1:]
        odd[1:] |= near & _too_fast(a.T, b.T, self.max_speed)
        if len(every) > 2:
            odd[2:] |= near[1:] & near[:-1] & _off_course(every[:-2].T, a[1:].T, b[1:].T)
        return odd

    def _in_step(self, every: Floats, dt: Floats, n: int) -> bool:
        """Return whether the state before fix n is what the vectors assume."""
        if self._held is not None:
            return False
        if n == 0:
            return True
        before = every[n - 2, 0] if n > 1 and dt[n - 1] <= self.max_gap else None
        mine = None if self._before is None else self._before[0]
        return self._last is not None and bool(self._last[0] == every[n - 1, 0] and mine == before)

    # --- one by one ------------------------------------------------------------------------------

    def _judge(self, row: Fix, out: list[Any], breaks: list[bool]) -> None:
        held, last = self._held, self._last
        newest = held if held is not None else last
        if newest is not None and row[0] <= newest[0]:
            if held is None or last is None or self._cause != WRONG_DATE or row[0] <= last[0]:
                self._count(TIME_STANDS)
                return
            self._drop()
            held = None
        elif held is not None:
            if self._cause != WRONG_DATE and self._rejoins(row):
                self._drop()
                self._take(row, False, out, breaks)
                return
            self._held = None
            self._take(held, self._cause != OFF_COURSE, out, breaks)
            last = held
        if last is None:
            self._take(row, True, out, breaks)
            return
        dt = row[0] - last[0]
        if dt > DAY:
            self._hold(row, WRONG_DATE)
        elif dt > self.max_gap:
            self._take(row, True, out, breaks)
        elif _too_fast(last, row, self.max_speed):
            self._hold(row, SPIKE)
        elif held is None and self._before is not None and _off_course(self._before, last, row):
            self._hold(row, OFF_COURSE)
        else:
            self._take(row, False, out, breaks)

    def _rejoins(self, row: Fix) -> bool:
        """Return whether a fix continues from the last one and not from the one held.

        Off course, it must lie less than half as far off as the one held.
        """
        before, last, held = self._before, self._last, self._held
        if last is None or row[0] - last[0] > self.max_gap or _too_fast(last, row, self.max_speed):
            return False
        if before is None:
            return True
        if self._cause == OFF_COURSE:
            return bool(4 * _deviation(before, last, row) < _deviation(before, last, held))
        return not _off_course(before, last, row)

    def _take(self, row: Fix, breaks_here: bool, out: list[Any], breaks: list[bool]) -> None:
        self._before = None if breaks_here else self._last
        self._last = row
        out.append([row])
        breaks.append(breaks_here)

    def _hold(self, row: Fix, cause: str) -> None:
        self._held, self._cause = row, cause

    def _drop(self) -> None:
        self._count(self._cause)
        self._held, self._cause = None, ""

    def _count(self, reason: str, number: int = 1) -> None:
        self.rejected[reason] = self.rejected.get(reason, 0) + number


def _too_fast(a: Any, b: Any, max_speed: float) -> Any:
    """Return whether fixes b (t, x, y, sigma) cannot be reached from a.

    5 sigma of the difference along a line covers all but one in a million (normal error).
    """
    dx, dy = b[1] - a[1], b[2] - a[2]
    sa, sb = _stated(a), _stated(b)
    reach = max_speed * (b[0] - a[0]) + 5 * _root(sa * sa + sb * sb)
    return dx * dx + dy * dy > reach * reach


def _off_course(a: Any, b: Any, c: Any) -> Any:
    """Return whether fixes c are off the line through a and b by more than is possible.

    Constant speed through a and b predicts c; acceleration moves it by dt (dt + dt before) / 2 of
    it, and the errors of the three add up as those of the difference (sigma root 6 where all are
    equally far apart: together 3 m/s2 dt2 + 10 sigma).
    """
    dt, earlier = c[0] - b[0], b[0] - a[0]
    share = dt / earlier
    sa, sb, sc = _stated(a), _stated(b), _stated(c)
    ours, theirs = sb * (1 + share), sa * share
    error = _root(sc * sc + ours * ours + theirs * theirs)
    allowed = ACCELERATION * dt * (dt + earlier) / 2 + DOUBT * error
    return _deviation(a, b, c) > allowed * allowed


def _deviation(a: Any, b: Any, c: Any) -> Any:
    """Return the squared distance of fixes c from the line through a and b, m2."""
    share = (c[0] - b[0]) / (b[0] - a[0])
    dx = c[1] - b[1] - (b[1] - a[1]) * share
    dy = c[2] - b[2] - (b[2] - a[2]) * share
    return dx * dx + dy * dy


def doubt(stated: Floats, noise: Floats) -> Floats:
    """Return the error to judge fixes by, m, shape (n,): stated (0 = not) or, where it is more, white noise."""
    known = (stated > 0) | (noise > UNSTATED)
    return np.where(known, np.maximum(stated, noise), 0.0)


def _stated(f: Any) -> Any:
    """Return the error of fixes, or of one as plain numbers, which is many times faster."""
    if isinstance(f[3], float):
        return f[3] if f[3] > 0 else UNSTATED
    return np.where(f[3] > 0, f[3], UNSTATED)


def _root(x: Any) -> Any:
    return sqrt(x) if isinstance(x, float) else np.sqrt(x)
