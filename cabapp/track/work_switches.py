"""When the tool works, and with which parts of its width."""

import itertools
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.track.tool import Intervals, Part, ToolGeometry


@dataclass(frozen=True)
class WorkSwitch:
    """From time t (POSIX s) on the tool works or not, with all or a part of its width.

    `on` and `width` say which part; see `ToolGeometry.intervals`.
    """

    t: float
    working: bool
    on: Part = ()
    width: float | None = None


class SwitchTimeline:
    """The switches of one stint in order of time; before the first the tool does not work.

    A tool none of whose sections is on does not work.
    """

    def __init__(self, tool: ToolGeometry) -> None:
        self._tool = tool
        self._known: dict[tuple[Part, float | None], Intervals] = {}
        self._t: list[float] = []
        self._switches = [WorkSwitch(-inf, False)]
        self._intervals: list[Intervals] = [()]

    def add(self, switch: WorkSwitch) -> None:
        """Add the latest switch; ValueError when it is before another."""
        if switch.t < self._switches[-1].t:
            raise ValueError("switches must come in order of time")
        self._switches.append(switch)
        self._t.append(switch.t)
        part = (switch.on, switch.width)
        if part not in self._known:
            self._known[part] = self._tool.intervals(*part)
        self._intervals.append(self._known[part] if switch.working else ())

    def between(self, start: float, end: float) -> list[float]:
        """Return the times of the switches strictly between two times, s."""
        return self._t[bisect_right(self._t, start) : bisect_left(self._t, end)]

    def worked(self, start: float, end: float) -> list[tuple[float, float]]:
        """Return the parts of a time in which the tool worked, s."""
        edges = [start, *self.between(start, end), end]
        return [(a, b) for a, b in itertools.pairwise(edges) if self._intervals[bisect_right(self._t, (a + b) / 2)]]

    def part(self, t: float) -> Intervals:
        """Return the part of the tool that would work at a time, s, whether it does or not."""
        last = self._switches[bisect_right(self._t, t)]
        return self._known.get((last.on, last.width)) or self._tool.intervals()

    def at(self, t: float) -> Intervals:
        """Return what works at a time, s: left and right end of each interval, m left of the tractor's line."""
        return self._intervals[bisect_right(self._t, t)]

    def intervals(self, times: Floats) -> tuple[Ints, Floats]:
        """Return what works at rising times, shape (n,), s.

        Returns
        -------
        which : ndarray of int64, shape (k,)
            Index of the time; one entry for each interval that works then, from the left.
        ends : ndarray, shape (k, 2)
            Its left and right end, m left of the tractor's line.
        """
        if len(times) == 0:
            return np.zeros(0, np.int64), np.zeros((0, 2))
        first, last = bisect_right(self._t, times[0]), bisect_right(self._t, times[-1])
        table = self._intervals[first : last + 1]
        if len(table) == 1 and len(table[0]) == 1:  # nothing switches, and what works is one piece
            return np.arange(len(times)), np.full((len(times), 2), table[0][0])
        index = np.searchsorted(np.array(self._t[first:last]), times, side="right")
        number = np.array([len(one) for one in table])
        ends = np.array([pair for one in table for pair in one], float).reshape(-1, 2)
        many = number[index]
        which = np.repeat(np.arange(len(times)), many)
        rank = np.arange(len(which)) - np.repeat(np.cumsum(many) - many, many)
        return which, ends[np.repeat((np.cumsum(number) - number)[index], many) + rank]


def switches_at(t: ArrayLike, switches: Sequence[WorkSwitch]) -> list[WorkSwitch]:
    """Return the switch that holds from each of some fixes to the next, each switch moved to the nearest fix.

    `t`: rising, POSIX s, shape (n,).

    >>> [one.working for one in switches_at([0.0, 1.0, 2.0, 3.0], [WorkSwitch(0.6, True), WorkSwitch(2.4, False)])]
    [False, True, False, False]
    """
    times = np.asarray(t, float)
    first = np.searchsorted((times[1:] + times[:-1]) / 2, [one.t for one in switches])
    known = [WorkSwitch(-inf, False), *switches]
    return [known[n] for n in np.searchsorted(first, np.arange(len(times)), side="right").tolist()]


def switches_of_columns(
    t: ArrayLike,
    tool: ToolGeometry,
    working: ArrayLike | None = None,
    width: ArrayLike | None = None,
    sections: ArrayLike | None = None,
) -> tuple[WorkSwitch, ...]:
    """Return the switches of a recording that states what worked; each row holds until the next.

    Parameters
    ----------
    t : array_like, shape (n,)
        Rising, POSIX s.
    tool : ToolGeometry
    working : array_like of bool, shape (n,), optional
        None: it worked wherever a part of it did.
    width : array_like, shape (n,), optional
        Of what worked, about the middle of the tool, m; NaN = all of it. Not used beside sections.
    sections : array_like of bool, shape (n, k), optional
        Which of them worked, from the left.

    Raises
    ------
    ValueError
        More or fewer columns than the tool has sections, or rows than times.

    Examples
    --------
    >>> found = switches_of_columns([0, 1, 2, 3], ToolGeometry(9.0), sections=[[1, 1, 1], [0, 1, 1], [0, 1, 1], [0, 0, 0]])
    >>> [(one.t, one.working, one.on) for one in found]
    [(0.0, True, ()), (1.0, True, (False, True, True)), (3.0, False, (False, False, False))]
    """
    times = np.asarray(t, float)
    works = np.ones(len(times), bool) if working is None else np.asarray(working, bool)
    flags: Bools = np.zeros((len(times), 0), bool)
    if sections is not None:
        flags = np.asarray(sections, bool)
        if flags.ndim != 2 or flags.shape[1] != (len(tool.sections) or 3):
            raise ValueError(f"{flags.shape[-1]} columns for a tool of {len(tool.sections) or 3} sections")
        works = works & flags.any(axis=1)
    metres = np.full(len(times), np.nan)
    if width is not None and sections is None:
        metres = np.asarray(width, float)
        works = works & ~(metres <= 0)
    if not len(times) == len(works) == len(flags) == len(metres):
        raise ValueError(f"{len(times)} times, but {len(works)}, {len(metres)} and {len(flags)} rows")
    whole = np.isnan(metres) | (metres >= tool.width)
    rows = np.column_stack([works, flags, np.where(whole, tool.width, metres)])
    new = np.flatnonzero(np.concatenate([[True], (rows[1:] != rows[:-1]).any(axis=1)])[: len(times)])
    return tuple(
        WorkSwitch(
            float(times[n]), bool(works[n]), () if flags[n].all() else tuple(flags[n].tolist()),
            None if whole[n] else float(metres[n]),
        )
        for n in new.tolist()
    )  # fmt: skip
