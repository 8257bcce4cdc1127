"""Clocks: all of what is asked of one."""

import pytest

from cabapp.common.clock import Clock


def test_a_clock_that_lacks_a_part_cannot_be_made():
    """Steady seconds left out are found where the clock is made, not at the first tick."""

    class Sundial(Clock):
        def now(self) -> float:
            return 0.0

    with pytest.raises(TypeError, match="steady"):
        Sundial()
