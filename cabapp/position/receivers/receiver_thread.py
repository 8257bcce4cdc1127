"""A receiver at the end of a link: one thread that reads, reconnects for ever and never raises.

The law of this file: whatever a cable does, the cab goes on. The thread only fills a queue; the
session takes from it without waiting.
"""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable

from cabapp.position.fix import Fix
from cabapp.position.protocols.byte_decoder import ByteDecoder, TimedFix
from cabapp.position.receivers.connections import Connection
from cabapp.position.recordings.raw_log import RawLog

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 0.2, 5.0
SILENT_S = 3.0
MOST_UNPOLLED = 72_000
"""Fixes kept when nobody asks for them: an hour at 20 a second."""
RECENT = 1200
"""How many of the last fixes are kept for looking at: a minute at 20 a second."""


class ReceiverThread:
    """A `Source` that listens to one link.

    Parameters
    ----------
    link : Connection
        Not yet open; it is this receiver's alone.
    raw : RawLog, optional
        Where every byte is kept; closed with the receiver.
    clock : callable
        Gives POSIX s; the time of arrival is measured by it.

    Attributes
    ----------
    opened : int
        How often the link was opened: one more than it was lost and found again.
    recent : deque of TimedFix
        The last fixes with their time of arrival, for `health.judge`.
    """

    ended = False

    def __init__(self, link: Connection, raw: RawLog | None = None, clock: Callable[[], float] = time.time):
        self.opened = 0
        self.recent: deque[TimedFix] = deque(maxlen=RECENT)
        self._link, self._raw, self._clock = link, raw, clock
        self._fixes: deque[Fix] = deque(maxlen=MOST_UNPOLLED)
        self._stop = threading.Event()
        self._decoder = ByteDecoder()
        self._open_since: float | None = None
        self._byte_at = self._sentence_at = None
        self._thread = threading.Thread(target=self._run, name=f"receiver {link.name}", daemon=True)
        self._thread.start()

    @property
    def name(self) -> str:
        """What the receiver is called on a stint's record."""
        return self._link.name

    def poll(self, now: float) -> list[Fix]:
        """Return what came since the last call, whatever the tablet's clock makes of its time."""
        taken = []
        while self._fixes:
            taken.append(self._fixes.popleft())
        return taken

    def close(self) -> None:
        """Stop listening and let go of the link; at most some tenths of a second."""
        self._stop.set()
        self._thread.join(timeout=5.0)
        self._fixes.clear()
        self.ended = True

    # --- what it is doing, in words ----------------------------------------------------------

    @property
    def state(self) -> str:
        """One of "absent", "silent", "strange" (bytes but no sentence), "blind", "good"."""
        now = self._clock()
        if self._open_since is None:
            return "absent"
        if self._byte_at is None or now - self._byte_at > SILENT_S:
            return "silent" if now - self._open_since > SILENT_S else "blind"
        if self._sentence_at is None or now - self._sentence_at > SILENT_S:
            return "strange" if now - self._open_since > SILENT_S else "blind"
        newest = self.recent[-1] if self.recent else None
        known = newest is not None and newest.fix.has_position and now - newest.at <= SILENT_S
        return "good" if known else "blind"

    @property
    def words(self) -> str:
        """The state in words for a person."""
        if self.ended:
            return f"{self.name} is closed."
        return _WORDS[self.state].format(self.name)

    @property
    def trouble(self) -> str | None:
        """Why what it says is not being kept, in words; None while it is."""
        return self._raw.trouble if self._raw is not None else None

    @property
    def said(self) -> dict:
        """The newest of all it said besides places, as `sentences.read_sentence` names it."""
        return self._decoder.latest

    # --- the thread --------------------------------------------------------------------------

    def _run(self):
        wait = FIRST_WAIT_S
        while not self._stop.is_set():
            try:
                self._link.open()
                self.opened += 1
                if self._listen():
                    wait = FIRST_WAIT_S
            except OSError as fault:
                log.debug("%s: %s", self.name, fault)
            except Exception:
                log.exception("reading %s failed", self.name)
            finally:
                self._link.close()
                self._open_since = None
            self._stop.wait(wait)
            wait = min(2 * wait, LONGEST_WAIT_S)
        if self._raw is not None:
            self._raw.close()

    def _listen(self) -> bool:
        """Read until told to stop, or until the link is lost after it gave something."""
        self._decoder = decoder = ByteDecoder()
        self._byte_at = self._sentence_at = None
        self._open_since = self._clock()
        if self._raw is not None:
            self._raw.opened(self._open_since)
        try:
            while not self._stop.is_set():
                data = self._link.read()
                at = self._clock()
                sentences = decoder.sentences
                if data:
                    self._byte_at = at
                    found = decoder.feed(data, at)
                else:
                    found = decoder.quiet(at)
                for heard in found:
                    self.recent.append(heard)
                    self._fixes.append(heard.fix)
                if decoder.sentences > sentences:
                    self._sentence_at = at
                if data and self._raw is not None:
                    self._raw.write(data, at)
        except OSError as fault:
            log.info("%s is gone: %s", self.name, fault)
        return decoder.bytes > 0


_WORDS = {
    "absent": "{} is not there: not plugged in, or switched off. I keep looking.",
    "silent": "{} says nothing. Look at the receiver's power and its cable.",
    "strange": "{} says nothing I understand. Set the receiver to NMEA 0183.",
    "blind": "{} does not know where it is yet. It needs open sky.",
    "good": "{} knows where it is.",
}
