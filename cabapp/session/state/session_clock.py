"""The session's clock: where the tablet's clock and satellite time meet.

Notes: Both are put on the machine's steady seconds, which no setting of a clock changes. Until satellite time is heard,
or a person confirms it, the tablet's clock is followed wherever it is set to, and unproven; from then on it is not
looked at any more. What was written meanwhile can so be dated again: each era keeps by how much it was off.
"""

from dataclasses import dataclass

from cabapp.common.clock import Clock, is_played
from cabapp.common.message import Message
from cabapp.session.state.position_state import AGREE_S, PositionState
from store.facts.hybrid_clock import CLOCK_OFF_S, clock_fault
from store.models import ClockEra

SATELLITES, PERSON = "satellites", "person"

PROVEN_OFF_S = 60.0
"""A proven time is only doubted by more than this: a crystal drifts a few seconds a day."""
AT_ONCE_S, MOST_READINGS = 0.5, 5
"""Two clocks read within this long of each other are read at one moment; so many tries."""


@dataclass(frozen=True, slots=True)
class Era:
    """A stretch in which rows were dated alike: from a number of this device on.

    `shift`: time less steady seconds, s.
    `proven`: what proved the time: "satellites", "person", or "".
    `played`: of a recording, whose time is of another day: never dated again.
    """

    first: int
    shift: float
    proven: str = ""
    played: bool = False

    def off(self, now: "Era") -> float:
        """Return what has to be added to times of this era, s, by a later one; 0 where that agrees or knows no better.

        Notes: What satellites proved stays: the traces of that time have their dates, and taps belong to traces.
        """
        change = now.shift - self.shift
        if self.played or now.played or self.proven == SATELLITES or (self.proven and not now.proven):
            return 0.0
        return 0.0 if abs(change) <= (PROVEN_OFF_S if self.proven else AGREE_S) else change


class SessionClock:
    """The time of a session, and the one home of how much the tablet's clock is off.

    `position`: hears the satellites.
    `known`: how this device's clock stood last; it still holds where the machine was not started since.
    `proven`: what proved the time: "satellites", "person", or "".
    """

    def __init__(self, clock: Clock, position: PositionState, known: ClockEra | None = None):
        self._clock, self._position = clock, position
        self._off = self._offset()
        self._even = self._off
        self._played = self.played
        self.proven = ""
        same_start = known is not None and known.boot is not None and known.boot == clock.boot
        if known is not None and same_start and not self._played and known.at <= clock.steady() + known.shift_s:
            self.proven, self._off = known.proven or "", known.shift_s if known.proven else self._off
        self._shift = self._off

    @property
    def boot(self) -> str | None:
        """The name of the moment that steady seconds count from."""
        return self._clock.boot

    def _offset(self) -> float:
        """Return the tablet's clock less steady seconds, s, read at one moment: a machine may fall asleep between two."""
        for _ in range(MOST_READINGS):
            before, now, after = self._clock.steady(), self._clock.now(), self._clock.steady()
            if after - before <= AT_ONCE_S:
                break
        return now - after

    @property
    def played(self) -> bool:
        """Whether the time is that of a recording."""
        return is_played(self._clock)

    @property
    def unsettled(self) -> bool:
        """Whether fixes have come that do not prove the time yet."""
        return not self.proven and self._position.hears

    def now(self) -> float:
        """Return POSIX s by the tablet's clock, which does not jump once the time is proven, or of the recording played."""
        if self.played != self._played:
            self._played, self.proven = self.played, ""
            self._position.restart()
            self._off = self._offset()
        if self._played:
            return self._clock.now()
        if not self.proven and (step := self._offset() - self._off):
            self._off += step
            self._position.step(step)
        return self._clock.steady() + self._off

    def time(self) -> float:
        """Return POSIX s: satellite time where the tablet's clock is wrong."""
        return round(self._position.time(self.now()), 6)

    def even(self) -> float:
        """Return seconds that no setting of the tablet's clock moves, near POSIX s; of the recording played, POSIX s."""
        return self._clock.now() if self.played else self._clock.steady() + self._even

    def proven_time(self) -> float | None:
        """Return POSIX s, asked from any thread; None while the time is not proven."""
        return self._clock.steady() + self._shift if self.proven and not self.played else None

    @property
    def fault(self) -> Message | None:
        """A sentence when satellites show the tablet's clock to be wrong; None if it is right, or not known to be."""
        known = self.proven_time() if self.proven == SATELLITES else None
        off = 0.0 if known is None else known - self._clock.now()
        return clock_fault(off if abs(off) > CLOCK_OFF_S else 0.0)

    def confirm(self) -> None:
        """Take the present time as right: a person said so."""
        self.proven = self.proven or PERSON
        self._shift = self.time() - self._clock.steady()

    def heard(self) -> None:
        """Note that fixes were heard: the time is proven by the third that agrees."""
        if self._position.settled and not self.played:
            self.proven = SATELLITES
        self._shift = self.time() - self._clock.steady()

    def era(self, first: int) -> Era:
        """Return how rows are dated from now on."""
        return Era(first, self.time() - self._clock.steady(), self.proven, self.played)
