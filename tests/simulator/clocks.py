"""Time in a season: the true one, each tablet's clock, and receivers that know the true one while they are heard."""

from dataclasses import dataclass

BEGIN = 1_779_000_000.0  # 17 May 2026, UTC
HOUR, DAY = 3600.0, 86400.0
STEPS = (-400 * DAY, -200 * DAY, -DAY, -2 * HOUR, -60.0, -7.0, -3.0, 3.0, 7.0, 60.0, 2 * HOUR, DAY, 300 * DAY)
DEAD = 0.0  # POSIX s that a clock without its battery begins at


@dataclass
class TrueTime:
    """POSIX s, UTC, that nobody in the season knows but the satellites."""

    t: float = BEGIN


class MachineClock:
    """A tablet's clock: off by some seconds, which a person or the network may change at any moment.

    `boot`: names the start of the machine that `steady` counts from.
    """

    def __init__(self, true: TrueTime):
        self._true, self.off, self._starts = true, 0.0, 0
        self.start()

    def start(self) -> None:
        """Switch the machine off and on."""
        self._starts += 1
        self.boot, self._began = f"start {self._starts}", self._true.t - 40.0

    def now(self) -> float:
        """Return POSIX s by this clock."""
        return self._true.t + self.off

    def steady(self) -> float:
        """Return s since the machine was started."""
        return self._true.t - self._began


class Receiver:
    """Gives fixes of the true time on a straight line, while satellites are found.

    `make_fix`: called with POSIX s, m east and m north.
    """

    name, ended = "a receiver", False

    def __init__(self, true: TrueTime, status, make_fix):
        self._true, self.status, self._make = true, status, make_fix
        self.found = True
        self.east = self.north = self.speed = 0.0
        self._given = true.t

    def turn(self, east: float, north: float, speed: float) -> None:
        """Be at a place, m, and go east from there, m/s."""
        self.east, self.north, self.speed = east, north, speed

    def poll(self, now: float) -> list:
        """Return the fixes of the last whole seconds, ten at most."""
        first = max(self._given, self._true.t - 10.0)
        count = int(self._true.t - first)
        self._given = self._true.t
        fixes = []
        for n in range(count):
            self.east += self.speed
            fixes.append(self._make(first + n + 1.0, self.east, self.north))
        return fixes if self.found else []

    def close(self) -> None:
        """Nothing to let go of."""
