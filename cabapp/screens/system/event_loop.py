"""What keeps the running cab going: the beat of its clock, and what becomes of a fault in a handler."""

import logging

from kivy.base import ExceptionHandler, ExceptionManager

from cabapp.common.clock import Clock, is_played
from cabapp.common.message import message

LOG = logging.getLogger("rollbook.cab")
BUG = message("Something went wrong inside Rollbook. Recording goes on.")


class TickClock(Clock):
    """The clock as of the last beat: no time passes within a tick, however long the tick takes.

    `replaying`: whether it is the time of a recording.

    A replay sixty times as fast would otherwise run ahead of the fixes it has just given.
    """

    def __init__(self, clock):
        self._clock, self.boot = clock, clock.boot
        self.take()

    def take(self):
        """Let time pass."""
        self.replaying = is_played(self._clock)
        self._now, self._steady = self._clock.now(), self._clock.steady()

    def now(self) -> float:
        """Return POSIX seconds, UTC, as of the last beat."""
        return self._now

    def steady(self) -> float:
        """Return steady seconds as of the last beat."""
        return self._steady


class Faults(ExceptionHandler):
    """A fault in a handler is logged and said in one sentence; the cab goes on."""

    def __init__(self, cab):
        self._cab = cab

    def handle_exception(self, _fault):
        LOG.exception("a handler failed")
        self._cab.show_refusal(BUG)
        return ExceptionManager.PASS


def only_left(_window, touch):
    """Swallow every mouse button but the first, so that only a finger's tap acts."""
    return "button" in touch.profile and touch.button != "left"
