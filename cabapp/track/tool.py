"""Where a tool's working line lies behind an antenna. Knows no time and no ground."""

from dataclasses import dataclass

WINGS = ("all", "left up", "right up")


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
    """

    width: float
    hitch: float = 0.0
    antenna_to_hitch: float = 0.0
    side: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.width < 200:
            raise ValueError(f"a working width of {self.width} m is not a tool")
        if not 0 <= self.hitch < 100 or not -20 < self.antenna_to_hitch < 50:
            raise ValueError(f"distances of {self.antenna_to_hitch} m and {self.hitch} m are not a hitching")
        if not abs(self.side) < 100:
            raise ValueError(f"a side offset of {self.side} m is not a hitching")

    def edges(self, wing: str = "all") -> tuple[float, float]:
        """Return the left and the right end of what works, m left of the tractor's line.

        A wing that is up takes its third of the width out.

        >>> ToolGeometry(12.0, side=1.0).edges()
        (5.0, -7.0)
        >>> ToolGeometry(12.0).edges("left up")
        (2.0, -6.0)
        """
        if wing not in WINGS:
            raise ValueError(f"no such wing: {wing!r}")
        third = self.width / 3
        left = self.width / 2 - self.side - (third if wing == "left up" else 0.0)
        right = -self.width / 2 - self.side + (third if wing == "right up" else 0.0)
        return left, right
