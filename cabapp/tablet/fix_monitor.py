"""A receiver overheard: where the tablet is and how fast it goes, also when no stint is open."""

import math
from collections import deque
from collections.abc import Callable

from cabapp.common.clock import ReplayClock
from cabapp.position.fix import Fix, Source

SPAN_S = 2.0
STALE_S = 4.0
_METRES = 111_195.0  # in a degree of latitude, near enough for a walking pace


def unless_played(clock, hear: Callable[[float], None]) -> Callable[[float], None]:
    """Return what passes times on to `hear`, but not while the clock plays a recording: its time is
    of another day."""

    def pass_on(t: float) -> None:
        if not isinstance(clock, ReplayClock) and not getattr(clock, "replaying", False):
            hear(t)

    return pass_on


class FixMonitor:
    """Hands a source's fixes on unchanged and keeps the last seconds of them.

    Parameters
    ----------
    source : Source
    hear : callable, optional
        Told the time of each fix as it comes; for a live receiver, never for a replay.

    Attributes
    ----------
    track : list or None
        When it is a list it is given every place as (lat, lon); for driving round a field.
    """

    def __init__(self, source: Source, hear: Callable[[float], None] | None = None):
        self._source, self._lately, self.track = source, deque(), None
        self._hear, self._held = hear, []

    @property
    def name(self) -> str:
        """As the source is called."""
        return self._source.name

    @property
    def words(self) -> str:
        """The state of the source in words."""
        return self._source.words

    @property
    def ended(self) -> bool:
        """Whether no fix can come any more."""
        return self._source.ended

    def poll(self, now: float) -> list[Fix]:
        """Return the source's fixes, those held first, and remember them."""
        self.hold(now)
        fixes, self._held = self._held, []
        return fixes

    def hold(self, now: float) -> None:
        """Take in what the source gives and hold it until it is polled for."""
        fixes = self._source.poll(now)
        for fix in fixes:
            if fix.has_position and fix.quality != 0:
                self._lately.append(fix)
                if self.track is not None:
                    self.track.append((fix.lat, fix.lon))
        while self._lately and now - self._lately[0].t > SPAN_S + STALE_S:
            self._lately.popleft()
        if fixes and self._hear:
            self._hear(fixes[-1].t)
        self._held += fixes

    def close(self) -> None:
        """Let go of the source."""
        self._source.close()

    def last(self) -> Fix | None:
        """Return the last fix with a place."""
        return self._lately[-1] if self._lately else None

    def speed(self) -> float | None:
        """Return the pace over the last seconds, m/s; None when it cannot be told."""
        if len(self._lately) < 2:
            return None
        end = self._lately[-1]
        start = next((fix for fix in self._lately if end.t - fix.t <= SPAN_S), end)
        if end.t - start.t < 0.3 * SPAN_S:
            return None
        east = (end.lon - start.lon) * math.cos(math.radians(end.lat))
        return math.hypot(east, end.lat - start.lat) * _METRES / (end.t - start.t)
