"""Writes the open stint's fixes; a disk error becomes a message."""

import logging
from collections.abc import Callable
from concurrent.futures import Executor, Future

from cabapp.common.message import Message
from cabapp.position.fix import Fix
from store.errors import Refused
from store.traces.trace_writer import TraceWriter

log = logging.getLogger(__name__)

SYNC_S = 1.0


class FixRecorder:
    """Writes fixes, and makes them durable once a second.

    `beside`: makes them durable in another thread: a disk may take half a second.

    `trouble`: a sentence while the disk refuses them; they are kept for the next try.
    """

    def __init__(self, writer: TraceWriter, beside: Executor | None = None):
        self._writer = writer
        self._beside = beside
        self._syncing: Future | None = None
        self._synced: float | None = None
        self.trouble: Message | None = None

    def append(self, fixes: list[Fix]) -> None:
        """Keep fixes."""
        for fix in fixes:
            try:
                self._writer.append(fix.t, fix.lat, fix.lon, fix.sigma, fix.quality, fix.hdop)
            except ValueError:
                log.exception("a fix that cannot be kept")

    def sync(self, now: float) -> bool:
        """Make them durable once a second; return whether some are known to be.

        A full disk becomes a message.
        """
        written = False
        if self._syncing is not None:
            if not self._syncing.done():
                return False  # a slow disk; what comes meanwhile goes with the next
            written = self._attempt(self._syncing.result)
            self._syncing = None
        if self._synced is not None and 0 <= now - self._synced < SYNC_S:
            return written
        self._synced = now
        if self._beside is None:
            return self._attempt(self._writer.sync)
        self._syncing = self._beside.submit(self._writer.sync)
        return written

    def write(self) -> None:
        """Make them durable before this returns.

        Raises StoreRefused if that cannot be.
        """
        self._writer.sync()

    def let_go(self) -> bool:
        """Make them durable before this returns, and return whether they are; a full disk becomes a message."""
        return self._attempt(self._writer.sync)

    def seal(self) -> None:
        """As `let_go`, and ready for exchange."""
        self._attempt(self._writer.seal)

    def _attempt(self, write: Callable[[], None]) -> bool:
        """Write, or take the result of writing; return whether it succeeded."""
        try:
            write()
        except Refused as refused:
            log.exception("the trace could not be written")
            self.trouble = refused.message
            return False
        self.trouble = None
        return True
