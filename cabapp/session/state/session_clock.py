"""The session's clock: where the tablet's clock and satellite time meet.

Notes: Both are put on the machine's steady seconds, which no setting of a clock changes. Until satellite time is heard,
or a person confirms it, the tablet's clock is followed wherever it is set to, and unproven; from then on it is not
looked at any more. What was written meanwhile can so be dated again: each era keeps by how much it was off.
"""

from dataclasses import dataclass

from cabapp.common.clock import Clock, ReplayClock
from cabapp.session.state.position_state import AGREE_S, PositionState

PROVEN_OFF_S = 60.0
"""A proven time is only doubted by more than this: a crystal drifts a few seconds a day."""


@dataclass(frozen=True, slots=True)
class Era:
    """A stretch in which rows were dated alike: from a number of this device on.

    `shift`: time less steady seconds, s.
    `proven`: satellite time, or confirmed by a person.
    `played`: of a recording, whose time is of another day: never dated again.
    """

    first: int
    shift: float
    proven: bool = False
    played: bool = False

    def off(self, shift: float) -> float:
        """Return what has to be added to times of this era, s, when the right shift is known; 0 where it agrees."""
        change = shift - self.shift
        return 0.0 if self.played or abs(change) <= (PROVEN_OFF_S if self.proven else AGREE_S) else change


class SessionClock:
    """The time of a session.

    `position`: hears the satellites.
    `proven`: whether satellite time was heard or a person confirmed the clock.
    """

    def __init__(self, clock: Clock, position: PositionState):
        self._clock, self._position = clock, position
        self._off = clock.now() - self._steady()
        self.proven = False

    def _steady(self) -> float:
        return self._clock.steady()

    @property
    def played(self) -> bool:
        """Whether the time is that of a recording."""
        return isinstance(self._clock, ReplayClock) or bool(getattr(self._clock, "replaying", False))

    @property
    def unsettled(self) -> bool:
        """Whether fixes have come that do not prove the time yet."""
        return not self.proven and self._position.hears

    def now(self) -> float:
        """Return POSIX s by the tablet's clock, which does not jump once the time is proven."""
        self._follow()
        return self._steady() + self._off

    def time(self) -> float:
        """Return POSIX s: satellite time where the tablet's clock is wrong."""
        return round(self._position.time(self.now()), 6)

    def confirm(self) -> None:
        """Take the present time as right: a person said so."""
        self.proven = True

    def heard(self) -> None:
        """Note that fixes were heard: the time is proven by the third that agrees."""
        self.proven = self.proven or (self._position.settled and not self.played)

    def era(self, first: int) -> Era:
        """Return how rows are dated from now on."""
        return Era(first, self.time() - self._steady(), self.proven, self.played)

    def _follow(self) -> None:
        step = self._clock.now() - self._steady() - self._off
        if step and (self.played or not self.proven):
            self._off += step
            self._position.step(step)
