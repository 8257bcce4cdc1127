"""The tablet's own position, where the platform gives one through plyer; good to about 5 m.

plyer knows Android and iOS. Anywhere else, or without plyer, the status says so and no fix comes.
It has never run on a tablet, only against plyer's own class with a platform made up.
"""

import importlib.util
import logging
import math
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from cabapp.position.fix import Fix, is_place
from cabapp.track.receiver_error import KINDS
from store.errors import Message, message

log = logging.getLogger(__name__)

EVERY_MS = 200
OF_68 = math.sqrt(-2 * math.log(0.32))
"""Android states the radius that holds 68 of 100 places (its documentation of Location, from
memory); that is so many standard deviations per axis (Rayleigh)."""
MASTS_S, WORSE = 5.0, 3.0
"""A place so many times worse than the last one is left out for so long, s."""
NOT_HERE = message("This machine gives no position of its own. Plug a receiver in.")
NO_PLYER = message("The tablet's own position needs plyer, which is not installed. Plug a receiver in.")


def why_not_offered() -> Message | None:
    """Return why this machine offers no position of its own; None where it does."""
    if importlib.util.find_spec("plyer") is None:
        return NO_PLYER
    from plyer.utils import platform

    try:
        there = importlib.util.find_spec(f"plyer.platforms.{platform}.gps")
    except ModuleNotFoundError:
        there = None
    return None if there else NOT_HERE


class TabletReceiver:
    """A `Source` of the tablet's own position.

    Parameters
    ----------
    gps : plyer.facades.GPS, optional
        Made by plyer for this platform when not given.
    clock : callable
        POSIX s. plyer passes no time on, so a fix has its time of arrival.
    """

    name = "this tablet"

    def __init__(self, gps: Any = None, clock: Callable[[], float] = time.time):
        self.ended = False
        self._clock, self._gps = clock, None
        self._fixes: deque[Fix] = deque(maxlen=72_000)
        self._came: float | None = None
        self._sigma = math.inf
        self._why = None if gps is not None else why_not_offered()
        if self._why is None:
            self._begin(gps)

    def _begin(self, gps: Any) -> None:
        try:
            if gps is None:
                from plyer import gps as gps_of_plyer

                gps = gps_of_plyer
            gps.configure(on_location=self._take)
            gps.start(minTime=EVERY_MS, minDistance=0)
            self._gps = gps
        except NotImplementedError:
            self._why = NOT_HERE
        except Exception as fault:  # whatever a platform raises, the cab goes on without it
            log.exception("the tablet's own position cannot be had")
            self._why = message(
                "The tablet does not give its position ({why}). Allow it in its settings.", why=str(fault)
            )

    @property
    def status(self) -> Message:
        """The state for a person."""
        if self.ended:
            return message("The tablet's own position is not used any more.")
        if self._why:
            return self._why
        if self._came is None or self._clock() - self._came > 3.0:
            return message(
                "The tablet does not know where it is. Give it open sky, and allow its position in its settings."
            )
        return message("The tablet's own position: good to about 5 m (16 ft). It cannot see a lap that is off.")

    def poll(self, now: float) -> list[Fix]:
        """Return the fixes since the last call."""
        taken = []
        while self._fixes:
            taken.append(self._fixes.popleft())
        return taken

    def close(self) -> None:
        """Stop the position."""
        gps, self._gps, self.ended = self._gps, None, True
        self._fixes.clear()
        if gps is not None:
            try:
                gps.stop()
            except Exception:
                log.exception("the tablet's own position could not be switched off")

    def _take(
        self, lat: float | None = None, lon: float | None = None, accuracy: float | None = None, **_more: Any
    ) -> None:
        """Called by the platform, perhaps from a thread of its own."""
        at = self._clock()
        if self.ended or lat is None or lon is None or not is_place(lat, lon):
            return
        sigma = float(accuracy) / OF_68 if accuracy and accuracy > 0 else KINDS["phone"].absolute
        if self._came is not None:
            # satellites and radio masts may alternate: the worse is left out, and time must go on
            since = at - self._came
            if since <= 0 or (since < MASTS_S and sigma > WORSE * self._sigma):
                return
        self._came, self._sigma = at, sigma
        self._fixes.append(Fix(at, float(lat), float(lon), sigma))
