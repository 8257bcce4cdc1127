"""Whether the position is known, and how well. Pure."""

from collections import deque

from cabapp.position.calibration.fix_error import UNSTATED, sigma_of
from cabapp.position.fix import Fix
from store.facts.hybrid_clock import CEILING_MS, FLOOR_MS

LOST_AFTER_S = 3.0

AGREE_S = 2.0
"""Clocks this close are left alone, s."""
AGREEING = 3
"""So many fixes whose times agree prove the time."""


def trusted(fix: Fix) -> bool:
    """Return whether a fix says where we are at all."""
    return fix.has_position and fix.quality != 0


class PositionState:
    """State of the position, and the newest usable fix of the receiver.

    >>> where = PositionState(receiver=True)
    >>> where.add_fix(Fix(100.0, 50.0, 10.0, sigma=0.3), now=100.0)
    >>> where.state(101.0, width=13.7), where.state(104.0, width=13.7), where.lost_since(104.0)
    ('good', 'lost', 100.0)
    """

    def __init__(self, receiver: bool):
        self.receiver = receiver
        self.fix: Fix | None = None
        self._seen: float | None = None
        self._says_none = False
        self._newest: float | None = None
        self._ahead: deque[float] = deque(maxlen=20)

    def add_fix(self, fix: Fix, now: float) -> None:
        """Add a fix that arrived at ``now``, POSIX s by the session's clock."""
        self._ahead.append(fix.t - now)
        self._newest = fix.t
        self._says_none = not trusted(fix)
        if not self._says_none:
            # when it came counts, not its own time: the tablet's clock may be wrong
            self.fix, self._seen = fix, now

    def step(self, seconds: float) -> None:
        """Follow the session's clock, which was set on or back by so many seconds."""
        self._ahead = deque((one - seconds for one in self._ahead), self._ahead.maxlen)
        self._seen = None if self._seen is None else self._seen + seconds

    def restart(self) -> None:
        """Forget times and fixes: another clock goes on from here."""
        self._ahead.clear()
        self.fix = self._seen = self._newest = None

    @property
    def hears(self) -> bool:
        """Whether any fix has come."""
        return bool(self._ahead)

    @property
    def settled(self) -> bool:
        """Whether the last fixes prove the time: dated in the program's years, all alike."""
        last = list(self._ahead)[-AGREEING:]
        dated = self._newest is not None and FLOOR_MS <= 1000 * self._newest < CEILING_MS
        return dated and len(last) == AGREEING and max(last) - min(last) <= AGREE_S

    def forget(self) -> None:
        """Do without a receiver from now on; its time stays the stint's."""
        self.receiver, self.fix, self._seen = False, None, None

    def time(self, now: float) -> float:
        """Return ``now`` in the receiver's time, never before its newest fix, POSIX s.

        Taps take the receiver's time, because the trace has it: a tablet's clock that is 30 s
        wrong would move the start of work by 80 m. Clocks that agree to 2 s are left alone.
        The newest of the last fixes decides, since a replay hands out fixes some s old.
        """
        ahead = max(self._ahead, default=0.0)
        t = now + ahead if abs(ahead) > AGREE_S else now
        return t if self._newest is None or self._newest - t > AGREE_S else max(t, self._newest)

    def known(self, now: float) -> bool:
        """Return whether there is a trusted fix of the last seconds."""
        return self.receiver and self._seen is not None and not self._says_none and now - self._seen <= LOST_AFTER_S

    def here(self, now: float) -> tuple[float | None, float | None]:
        """Return latitude and longitude, degrees, or (None, None) when not known."""
        fix = self.fix if self.known(now) else None
        return (None, None) if fix is None else (fix.lat, fix.lon)

    def sigma(self) -> float:
        """Return the standard deviation of the last trusted fix, m."""
        return sigma_of(self.fix) if self.fix else UNSTATED

    def lost_since(self, now: float) -> float | None:
        """Return the time of the last trusted fix when lost, else None."""
        return None if self.known(now) or self.fix is None else self.fix.t

    def state(self, now: float, width: float | None) -> str:
        """Return "good", "poor", "lost" or "none".

        Poor: the error of a neighbouring edge (2.33 sigma, one-sided 95 %) is more than a
        third of the tool, so no lap can be judged by it.
        """
        if not self.receiver:
            return "none"
        if not self.known(now):
            return "lost"
        return "poor" if width and 2.33 * self.sigma() > width / 3 else "good"
