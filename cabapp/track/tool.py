"""Where a tool's working line lies behind an antenna. Knows no time and no ground."""

import itertools
from dataclasses import dataclass

MOST_SECTIONS = 96
"""Sections of one tool: a planter with a clutch on each row has the most."""

SLACK = 0.01
"""m that the widths of all sections may differ from the width, for they were rounded."""

Part = tuple[bool, ...]
"""Which sections of a tool work, from the left; () = all."""

Intervals = tuple[tuple[float, float], ...]
"""Left and right ends of what works, m left of the tractor's line."""


@dataclass(frozen=True)
class ToolGeometry:
    """One tractor with one tool, as the pass counting needs it.

    Attributes
    ----------
    width : float
        Full working width, m.
    hitch : float
        From the hitch point back to the working line, m; 0 = mounted rigidly, else towed.
    antenna_to_hitch : float
        How far the hitch point lies behind the antenna, m.
    side : float
        How far the middle of the tool lies to the right of the tractor's line, m.
    sections : tuple of float
        Their widths from the left, m, together the width; () = none that work by themselves.
    """

    width: float
    hitch: float = 0.0
    antenna_to_hitch: float = 0.0
    side: float = 0.0
    sections: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        if not 0 < self.width < 200:
            raise ValueError(f"a working width of {self.width} m is not a tool")
        if not 0 <= self.hitch < 100 or not -20 < self.antenna_to_hitch < 50:
            raise ValueError(f"distances of {self.antenna_to_hitch} m and {self.hitch} m are not a hitching")
        if not abs(self.side) < 100:
            raise ValueError(f"a side offset of {self.side} m is not a hitching")
        if len(self.sections) > MOST_SECTIONS or not all(one > 0 for one in self.sections):
            raise ValueError(f"{len(self.sections)} sections are not a tool, or one of them has no width")
        if self.sections and abs(sum(self.sections) - self.width) > SLACK:
            raise ValueError(f"sections of {sum(self.sections)} m together are not a tool of {self.width} m")

    @property
    def edges(self) -> tuple[float, float]:
        """The left and the right end of the whole tool, m left of the tractor's line.

        >>> ToolGeometry(12.0, side=1.0).edges
        (5.0, -7.0)
        """
        return self.width / 2 - self.side, -self.width / 2 - self.side

    def intervals(self, on: Part = (), width: float | None = None) -> Intervals:
        """Return the left and right ends of what works, from the left, m left of the tractor's line.

        Parameters
        ----------
        on : tuple of bool
            Which sections work, from the left; () = all. Flags of another number than there are
            sections stand for as many equal parts: three for the wings of a roller.
        width : float, optional
            Only so much of it works, about the middle of the tool, m.

        Notes
        -----
        Sections side by side are one interval, so a tool that works whole is one.

        >>> ToolGeometry(12.0).intervals((False, True, True))
        ((2.0, -6.0),)
        >>> ToolGeometry(12.0, sections=(6.0, 2.0, 4.0)).intervals((True, False, True))
        ((6.0, 0.0), (-2.0, -6.0))
        >>> ToolGeometry(12.0).intervals(width=3.0)
        ((1.5, -1.5),)
        """
        left, right = self.edges
        if width is not None:
            half = min(max(width, 0.0), self.width) / 2
            return ((half - self.side, -half - self.side),) if half else ()
        if not on or all(on):
            return ((left, right),)
        parts = self.sections if len(on) == len(self.sections) else (self.width / len(on),) * len(on)
        ends = [left, *(left - done for done in itertools.accumulate(parts[:-1])), right]
        runs = itertools.groupby(range(len(on)), key=lambda n: on[n])
        found = [list(run) for works, run in runs if works]
        return tuple((ends[run[0]], ends[run[-1] + 1]) for run in found)

    def share(self, on: Part = (), width: float | None = None) -> float:
        """Return the share of the width that works, 0 to 1.

        >>> ToolGeometry(12.0, sections=(6.0, 2.0, 4.0)).share((True, False, False))
        0.5
        """
        return sum(left - right for left, right in self.intervals(on, width)) / self.width
