"""Where "now" comes from: the wall, a replay that may run faster, or a hand.

Knows nothing of time zones; every time is POSIX seconds, UTC.
"""

import time
from abc import abstractmethod
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

SLOWEST, FASTEST = 1.0, 60.0
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
"""A name for each start of the machine (random(4)), which also begins the count of CLOCK_BOOTTIME."""
_SINCE_START: int | None = getattr(time, "CLOCK_BOOTTIME", getattr(time, "CLOCK_MONOTONIC", None))


class Clock(Protocol):
    """Anything that can say what time it is; a clock without one of both cannot be made.

    `boot`: names the moment that `steady` counts from; None where nothing does.
    """

    boot: str | None = None

    @abstractmethod
    def now(self) -> float:
        """Return POSIX seconds, UTC."""

    @abstractmethod
    def steady(self) -> float:
        """Return seconds since some moment, which go on evenly whatever `now` is set to."""


class WallClock(Clock):
    """The tablet's own clock."""

    def __init__(self) -> None:
        with suppress(OSError):  # Linux; elsewhere nothing names it
            self.boot = BOOT_ID.read_text("ascii").strip()

    def now(self) -> float:
        """Return POSIX seconds, UTC; jumps when somebody sets the tablet's clock."""
        return time.time()

    def steady(self) -> float:
        """Return seconds since the machine was started, sleep included."""
        return time.clock_gettime(_SINCE_START) if _SINCE_START is not None else time.monotonic()


class ReplayClock(Clock):
    """A clock that starts at a chosen moment and may run faster than the wall.

    `start_t`: POSIX seconds shown at the moment of making.
    `speed`: how many times faster than the wall, 1 to 60.
    `wall`: gives seconds that never go back.
    Raises ValueError: the speed is outside 1 to 60.

    A change of speed does not make the time jump:

    >>> seconds = iter([0.0, 10.0, 10.0, 11.0])
    >>> clock = ReplayClock(1000.0, wall=lambda: next(seconds))
    >>> clock.now()
    1010.0
    >>> clock.speed = 60.0
    >>> clock.now()
    1070.0
    """

    def __init__(self, start_t: float, speed: float = 1.0, wall: Callable[[], float] = time.monotonic):
        self._wall = wall
        self._shown = float(start_t)
        self._at = wall()
        self._speed = _checked(speed)

    @property
    def speed(self) -> float:
        """How many times faster than the wall; settable, 1 to 60."""
        return self._speed

    @speed.setter
    def speed(self, speed: float) -> None:
        checked = _checked(speed)
        wall = self._wall()
        self._shown += (wall - self._at) * self._speed
        self._at = wall
        self._speed = checked

    def now(self) -> float:
        """Return POSIX seconds, UTC, of the replay."""
        return self._shown + (self._wall() - self._at) * self._speed

    def steady(self) -> float:
        """Return the same: nobody sets it."""
        return self.now()


class ManualClock(Clock):
    """A clock moved by hand, for runs without a wall to wait for.

    >>> clock = ManualClock(1000.0)
    >>> clock.advance(0.5)
    >>> clock.now()
    1000.5
    """

    def __init__(self, t: float):
        self._t = float(t)
        self._set = 0.0

    def advance(self, seconds: float) -> None:
        """Move on by so many seconds; ValueError when that is backwards."""
        if not seconds >= 0:
            raise ValueError(f"time does not go back: {seconds!r} s")
        self._t += seconds

    def step(self, seconds: float) -> None:
        """Set it on or back by so many seconds, in which no time passes."""
        self._set += seconds

    def now(self) -> float:
        """Return POSIX seconds, UTC."""
        return self._t + self._set

    def steady(self) -> float:
        """Return the seconds it was moved on to, without those it was set by."""
        return self._t


def is_played(clock: Clock) -> bool:
    """Return whether a clock's time is that of a recording, which is of another day."""
    return isinstance(clock, ReplayClock) or bool(getattr(clock, "replaying", False))


def _checked(speed: float) -> float:
    if not SLOWEST <= speed <= FASTEST:
        raise ValueError(f"a replay runs {SLOWEST:g} to {FASTEST:g} times as fast, not {speed!r}")
    return float(speed)
