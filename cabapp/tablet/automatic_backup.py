"""Backups of the logbook in a second place: written, checked and rolled by the cab itself. No Kivy.

One at each end of a stint, and one a day while nobody has taken over; on a thread, never while
there is work. A place that is not there or full is said as long as it is so, and tried again.
"""

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

from cabapp.common.message import Message, message
from store.durability.carrier_files import is_folder
from store.errors import Refused

LOG = logging.getLogger("rollbook.backup")
KEEP = 7
"""So many backups are kept."""
DAY_S = 86_400.0
CLOSE_S = 60.0
RETRY_S = 300.0
"""After a failure, and to see whether a day is over, it is looked again after this long, s."""
REST = ("idle", "finished", "handed over")
CLOSES = ("finished", "handed over")


class AutomaticBackup:
    """Backs one open logbook up.

    `store`: store.Store.
    `place`: a folder on another disk, a stick or a network; None: no backups.
    `seconds`: POSIX s by the tablet's clock.

    `words`: why there is no backup, while there is none.
    """

    def __init__(self, store, place: Path | str | None, seconds: Callable[[], float] = time.time):
        self._store, self._place, self._seconds = store, Path(place) if place else None, seconds
        self._state: str | None = None
        self._asked, self._not_before, self._done = False, float("-inf"), float("-inf")
        self._worker: threading.Thread | None = None
        self.words: Message | None = None

    def follow(self, state: str) -> None:
        """Begin a backup when the state of the stint asks for one; returns at once."""
        if self._place is None:
            return
        if state in CLOSES and self._state not in (None, state):
            self._asked, self._not_before = True, float("-inf")
        self._state = state
        now = self._seconds()
        busy = self._worker is not None and self._worker.is_alive()
        if state not in REST or busy or self._store.trouble or 0 <= self._not_before - now <= RETRY_S:
            return
        self._not_before = now + RETRY_S
        self._worker = threading.Thread(target=self._back_up, args=(now,), name="backup", daemon=True)
        self._worker.start()

    def _back_up(self, now: float):
        asked, self._asked = self._asked, False  # another may be asked for meanwhile
        try:
            # looked for first: a folder made where a stick should be would lie on the same disk
            if not is_folder(self._place):
                self.words = message(
                    "There is no backup: {place} is not there. Put the stick or disk back; it is tried again by itself.",
                    place=self._place,
                )
                self._asked = True
                return
            if asked or self._is_due(now):
                self._store.backup(self._place, keep=KEEP)
                self._done = now
            self.words = None
        except (Refused, OSError) as fault:
            LOG.warning("no backup was written", exc_info=True)
            self._asked = True
            self.words = fault.message if isinstance(fault, Refused) else Message(str(fault))

    def _is_due(self, now: float) -> bool:
        if 0 <= now - self._done < DAY_S:
            return False
        found = self._place.glob(f"{self._store.path.stem}-backup-*Z.sqlite")
        newest = max((path.stat().st_mtime for path in found), default=float("-inf"))
        return abs(now - newest) >= DAY_S

    def close(self) -> None:
        """Wait for a backup that is being written, but not for a place that hangs."""
        if self._worker is not None:
            self._worker.join(CLOSE_S)
