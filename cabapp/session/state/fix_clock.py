"""Times of fixes that go on where a receiver's clock is set back: a trace, and the taps dated by it, never run back."""

import logging
from dataclasses import replace

from cabapp.position.fix import Fix
from cabapp.session.state.position_state import AGREE_S, AGREEING

log = logging.getLogger(__name__)


class FixClock:
    """The clock by which fixes are dated while the program runs: the receiver's, as it was before any step back.

    Notes
    -----
    One odd time is no step: `AGREEING` fixes that fit their arrival prove it. Steps on are left alone, for a receiver that
    was silent makes them too. A file is told the same by its reader (`recording.py`).

    >>> clock = FixClock()
    >>> [one.t for n, t in enumerate([100.0, 101.0, 50.0, 51.0, 52.0, 53.0]) for one in clock.dated([Fix(t, 50.0, 10.0)], 7.0 + n)]
    [100.0, 101.0, 50.0, 51.0, 104.0, 105.0]
    """

    def __init__(self) -> None:
        self._off = 0.0
        self._newest: tuple[float, float] | None = None  # time of the newest fix, and when it came, steady s
        self._behind: list[float] = []  # by how much the last fixes lie before when they came, s

    def dated(self, fixes: list[Fix], now: float) -> list[Fix]:
        """Return fixes that came at `now`, s that no setting of a clock moves, each dated."""
        return [self._dated(fix, now) for fix in fixes]

    def _dated(self, fix: Fix, now: float) -> Fix:
        t = fix.t + self._off
        if self._newest is not None and t < self._newest[0]:
            newest, came = self._newest
            self._behind = [*self._behind, t - now][-AGREEING:]
            if len(self._behind) < AGREEING or max(self._behind) - min(self._behind) > AGREE_S:
                return replace(fix, t=t)
            step = newest + now - came - t
            log.warning("the receiver's clock was set back by %.1f s; times go on", step)
            self._off, t = self._off + step, t + step
        self._behind = []
        self._newest = t, now
        return replace(fix, t=t) if self._off else fix
