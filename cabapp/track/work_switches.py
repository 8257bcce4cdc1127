"""When the tool works, and with how much of its width."""

import itertools
from dataclasses import dataclass
from math import inf

import numpy as np

from cabapp.geometry.arrays import Bools, Floats
from cabapp.track.tool import ToolGeometry


@dataclass(frozen=True)
class WorkSwitch:
    """From time t (POSIX s) on the tool works or not, with all its width or a wing up."""

    t: float
    working: bool
    wing: str = "all"


class SwitchTimeline:
    """The switches of one stint in order of time; before the first the tool does not work."""

    def __init__(self, tool: ToolGeometry) -> None:
        self._tool = tool
        self._t: list[float] = []
        self._switches = [WorkSwitch(-inf, False)]

    def add(self, switch: WorkSwitch) -> None:
        """Add the latest switch; ValueError when it is before another."""
        if switch.t < self._switches[-1].t:
            raise ValueError("switches must come in order of time")
        self._switches.append(switch)
        self._t.append(switch.t)

    def between(self, start: float, end: float) -> list[float]:
        """Return the times of the switches strictly between two times, s."""
        return [t for t in self._t if start < t < end]

    def worked(self, start: float, end: float) -> list[tuple[float, float]]:
        """Return the parts of a time in which the tool worked, s."""
        edges = [start, *self.between(start, end), end]
        return [(a, b) for a, b in itertools.pairwise(edges) if self.at((a + b) / 2).working]

    def at(self, t: float) -> WorkSwitch:
        """Return the switch that holds at a time that is no switch's own, s."""
        return self._switches[int(np.searchsorted(np.array(self._t), t, side="right"))]

    def edges(self, times: Floats) -> tuple[Floats, Bools]:
        """Return the ends of what works, m, shape (n, 2), and whether it works, (n,), at times, s."""
        index = np.searchsorted(np.array(self._t), times, side="right")
        ends = np.array([self._tool.edges(s.wing) for s in self._switches], float)
        return ends[index], np.array([s.working for s in self._switches])[index]
