"""What the logbook itself suffers, in words, and the copy kept beside it. No Kivy.

A fault of the logbook is said as long as it stands. That it was mended, or goes on as a new device, is
said until somebody has read it; that is over then.
"""

import logging
import threading
from collections.abc import Callable

from cabapp.common.message import Message
from cabapp.tablet.automatic_backup import CLOSES, AutomaticBackup
from store.errors import Refused

LOG = logging.getLogger("rollbook.keeping")
ACKNOWLEDGED = "acknowledged"
"""The answer to "it was mended": it has been read."""


class LogbookStatus:
    """Looks after one open logbook for the cab.

    `store`: store.Store: opened to carry on, so that its `trouble` can be shown.
    `second`: AutomaticBackup: where backups go by themselves.
    `clock_fault`: returns what is wrong with the tablet's clock, if anything is.
    """

    def __init__(self, store, second=None, clock_fault: Callable[[], Message | None] = lambda: None):
        self._clock_fault = clock_fault
        self._second = second or AutomaticBackup(store, None)
        self._store, self._state = store, None
        self._read: set[Message | None] = {None}
        self._no_copy: Message | None = None
        self._keeper: threading.Thread | None = None

    @property
    def shout(self) -> Message | None:
        """What must be seen whatever else is said: nothing is being saved."""
        return self._store.trouble

    @property
    def words(self) -> Message | None:
        """What should be seen while nothing more urgent is: a wrong clock, a missing copy, a mending, a missing backup."""
        return self._clock_fault() or self._no_copy or self._over or self._second.words

    @property
    def can_be_acknowledged(self) -> bool:
        """Whether what `words` says is over and only wants reading."""
        return bool(self._over) and self.words == self._over

    @property
    def _over(self) -> Message | None:
        """What happened once and was not read yet."""
        return next((said for said in (self._store.mended, self._store.renewed) if said not in self._read), None)

    def acknowledge(self) -> None:
        """It has been read that the logbook was mended, or goes on as a new device."""
        self._read.add(self._over)

    def look(self) -> None:
        """Try the disk again while nothing is saved; without a stint nothing else would."""
        if self._store.trouble:
            self._store.leave_memory_mode()

    def follow(self, state: str) -> None:
        """Keep a copy beside the logbook each time a stint is finished or handed over; see to backups."""
        closed, self._state = state in CLOSES and self._state not in (None, state), state
        if closed:
            self._keeper = threading.Thread(target=self._keep, name="keeping", daemon=True)
            self._keeper.start()
        self._second.follow(state)

    def _keep(self):
        try:
            self._store.keep()
            self._no_copy = None
        except Refused as refusal:
            LOG.warning("no copy was kept", exc_info=True)
            self._no_copy = refusal.message

    def close(self) -> None:
        """Wait for a copy or backup that is being written."""
        if self._keeper is not None:
            self._keeper.join()
        self._second.close()
