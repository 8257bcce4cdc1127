"""Thread that reads one connection, reconnects for ever and never raises.

Whatever a cable does, the cab goes on: the thread only fills a queue, which the session empties
without waiting.
"""

import logging
import threading
from collections import deque
from typing import Any

from cabapp.common.clock import Clock, WallClock
from cabapp.common.message import N_
from cabapp.position.fix import Fix
from cabapp.position.protocols.byte_decoder import ByteDecoder, TimedFix
from cabapp.position.receivers.connections import Connection
from cabapp.position.recordings.raw_log import RawLog
from store.errors import Message, message

log = logging.getLogger(__name__)

FIRST_WAIT_S, LONGEST_WAIT_S = 0.2, 5.0
SILENT_S = 3.0
MOST_UNPOLLED = 72_000
"""Fixes kept while nobody polls: an hour at 20 a second."""
RECENT = 1200
"""How many of the last fixes are kept for the report: a minute at 20 a second."""


class ReceiverThread:
    """A `Source` that reads one connection.

    Parameters
    ----------
    connection : Connection
        Not yet open; it is this receiver's alone.
    raw_log : RawLog, optional
        Closed with the receiver.
    clock : Clock, optional
        Times of arrival are its steady seconds, put on POSIX s when the connection is opened: no setting of it moves them.

    Attributes
    ----------
    times_opened : int
        How often the connection was opened: one more than it was lost and found again.
    recent : deque of TimedFix
        The last fixes with their times of arrival.
    """

    ended = False

    def __init__(self, connection: Connection, raw_log: RawLog | None = None, clock: Clock | None = None):
        self.times_opened = 0
        self.recent: deque[TimedFix] = deque(maxlen=RECENT)
        self._connection, self._raw_log, self._clock = connection, raw_log, clock or WallClock()
        self._posix = self._clock.now() - self._clock.steady()
        self._fixes: deque[Fix] = deque(maxlen=MOST_UNPOLLED)
        self._stop = threading.Event()
        self._decoder = ByteDecoder()
        self._open_since: float | None = None
        self._byte_at: float | None = None
        self._record_at: float | None = None
        self._thread = threading.Thread(target=self._run, name=f"receiver {connection.name}", daemon=True)
        self._thread.start()

    @property
    def name(self) -> str:
        """The receiver's name on a stint's record."""
        return self._connection.name

    def poll(self, now: float) -> list[Fix]:
        """Return the fixes since the last call, whatever their time is by the tablet's clock."""
        taken = []
        while self._fixes:
            taken.append(self._fixes.popleft())
        return taken

    def close(self) -> None:
        """Stop reading and close the connection; takes some tenths of a second at most."""
        self._stop.set()
        self._thread.join(timeout=5.0)
        self._fixes.clear()
        self.ended = True

    # --- its state ---------------------------------------------------------------------------

    def arrival_now(self) -> float:
        """Return now by the clock that the times of arrival are of, POSIX s."""
        return self._clock.steady() + self._posix

    @property
    def state(self) -> str:
        """One of "absent", "silent", "strange" (bytes but no NMEA sentence with a time), "blind", "good"."""
        now = self.arrival_now()
        if self._open_since is None:
            return "absent"
        if self._byte_at is None or now - self._byte_at > SILENT_S:
            return "silent" if now - self._open_since > SILENT_S else "blind"
        if self._record_at is None or now - self._record_at > SILENT_S:
            return "strange" if now - self._open_since > SILENT_S else "blind"
        newest = self.recent[-1] if self.recent else None
        known = newest is not None and newest.fix.has_position and now - newest.at <= SILENT_S
        return "good" if known else "blind"

    @property
    def status(self) -> Message:
        """The state for a person."""
        return message(_STATUS["closed" if self.ended else self.state], name=self.name)

    @property
    def trouble(self) -> Message | None:
        """Why the raw log is not being written; None while it is."""
        return self._raw_log.trouble if self._raw_log is not None else None

    @property
    def latest(self) -> dict[str, Any]:
        """The newest of all values besides places, by the names `nmea_sentence`'s readers give them."""
        return self._decoder.latest

    # --- the thread --------------------------------------------------------------------------

    def _run(self) -> None:
        wait = FIRST_WAIT_S
        while not self._stop.is_set():
            try:
                self._connection.open()
                self.times_opened += 1
                if self._listen():
                    wait = FIRST_WAIT_S
            except OSError as fault:
                log.debug("%s: %s", self.name, fault)
            except Exception:
                log.exception("reading %s failed", self.name)
            finally:
                self._connection.close()
                self._open_since = None
            self._stop.wait(wait)
            wait = min(2 * wait, LONGEST_WAIT_S)
        if self._raw_log is not None:
            self._raw_log.close()

    def _listen(self) -> bool:
        """Read until stopped or until the connection is lost; return whether any bytes came."""
        self._decoder = decoder = ByteDecoder()
        self._byte_at = self._record_at = None
        self._posix = self._clock.now() - self._clock.steady()
        self._open_since = self.arrival_now()
        if self._raw_log is not None:
            self._raw_log.opened(self._open_since)
        try:
            while not self._stop.is_set():
                data = self._connection.read()
                at = self.arrival_now()
                records = decoder.records
                if data:
                    self._byte_at = at
                timed = decoder.feed(data, at) if data else decoder.idle(at)
                self.recent.extend(timed)
                self._fixes.extend(one.fix for one in timed)
                if decoder.records > records:
                    self._record_at = at
                if data and self._raw_log is not None:
                    self._raw_log.write(data, at)
        except OSError as fault:
            log.info("%s is gone: %s", self.name, fault)
        return decoder.bytes > 0


_STATUS = {
    "closed": N_("{name} is closed."),
    "absent": N_("{name} is not there: not plugged in, or switched off. I keep looking."),
    "silent": N_("{name} says nothing. Look at the receiver's power and its cable."),
    "strange": N_("{name} says nothing I understand. Set the receiver to NMEA 0183."),
    "blind": N_("{name} does not know where it is yet. It needs open sky."),
    "good": N_("{name} knows where it is."),
}
