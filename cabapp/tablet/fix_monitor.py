"""Last place and speed of the tablet, with or without an open stint."""

import itertools
import math

from cabapp.geometry.plane import offset
from cabapp.position.fix import Fix
from cabapp.position.receivers.selected_receiver import SelectedReceiver

SPAN_S = 2.0
STALE_S = 4.0


class FixMonitor:
    """Listens to the selected receiver.

    `track`: when it is a list, every place is appended as (lat, lon): a drive round a field.
    """

    def __init__(self, receiver: SelectedReceiver):
        self._receiver, self._now = receiver, -math.inf
        self.track: list[tuple[float, float]] | None = None
        receiver.listeners.append(self._listen)

    def _listen(self, fixes: list[Fix], now: float) -> None:
        self._now = now
        if self.track is not None:
            self.track += [(fix.lat, fix.lon) for fix in fixes if fix.has_position and fix.quality != 0]

    def _recent(self) -> list[Fix]:
        """Return the places of the last seconds, the newest first."""
        given = reversed(tuple(self._receiver.given))  # copied, because a change of receiver clears it from a thread
        came = itertools.takewhile(lambda one: self._now - one.at <= SPAN_S + STALE_S, given)
        return [one.fix for one in came if one.fix.has_position and one.fix.quality != 0]

    def last(self) -> Fix | None:
        """Return the last fix with a place."""
        return next(iter(self._recent()), None)

    def speed(self) -> float | None:
        """Return the speed over the last seconds, m/s; None when it is not known."""
        recent = self._recent()
        if not recent:
            return None
        end = recent[0]
        start = [fix for fix in recent if end.t - fix.t <= SPAN_S][-1]
        if end.t - start.t < 0.3 * SPAN_S:
            return None
        return math.hypot(*offset(start.lat, start.lon, end.lat, end.lon)) / (end.t - start.t)
