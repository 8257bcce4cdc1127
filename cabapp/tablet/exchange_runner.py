"""Exchanging records with a stick or a watched folder, on a thread, while the tractor stands. No Kivy.

SQLite has one writer. While a bundle is merged nothing else writes: the cab holds the fixes that
come and hands them to the session afterwards, and no tap is taken. A stick is exchanged with at a
tap; a watched folder, which any file-sharing program may carry, by itself while nobody has taken over,
and a tap then waits for the end of it.
"""

import logging
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from store.durability.carrier_files import is_folder
from store.errors import BundleRefused, Message, message
from sync.bundle_encryption import Passphrase
from sync.device_trust import Card
from sync.enrolment import CARD_FILES, cards_in, is_paired, whose_bundles_are_taken, write_card
from sync.folder_exchange import FolderWatcher
from sync.removable_media import STICK_FOLDER, mounts
from sync.trust_news import struck_off

LOG = logging.getLogger("rollbook.exchange")
FOLDER_S = 60.0
AT_ONCE_S = 0.1
MOMENT_S = 3.0
"""So long a tap waits for a look into the watched folder, which nobody asked for; mostly it takes a tenth of that."""
STAND_S = 1.2
"""A file is taken only when it has stood still between two looks (`sync.folder_exchange`)."""
NOTHING = message("There is nothing new on either side.")
BUSY = message("Records are being exchanged. Try again in a moment.")
STANDING = message("Stop first. Records are exchanged standing still.")
BUG = message("The exchange failed. Nothing was changed here; try it again.")


class Exchange:
    """One tablet's exchange.

    `store`: store.Store.
    `folder`: a watched folder, used when it is there: any file-sharing program can carry it.
    `sticks`: returns where sticks are mounted.
    `passphrase`: locks what is written and unlocks what is read.
    `strangers`: cards of those whose bundles or cards were met and who are not paired, by device.
    """

    def __init__(
        self, store, folder: Path, sticks: Callable[[], list[Path]] = mounts, passphrase: Passphrase | None = None
    ):
        self._store, self._folder, self._sticks = store, folder, sticks
        self.lock_with(passphrase)
        self._looked = float("-inf")
        self._worker: threading.Thread | None = None
        self._by_itself = False
        self._known: list[Path] = []
        self._there: list[Path] = []
        self._looker: threading.Thread | None = None
        self.offered = False
        self.done = self.of = 0
        self.added = 0
        self.messages: list[Message] = []
        self.strangers: dict[str, Card] = {}

    def lock_with(self, passphrase: Passphrase | None, there_too: bool = False) -> None:
        """Lock with a passphrase from now on, and unlock with it; None: no more.

        `there_too`: whether the next exchange removes what lies unlocked beside the same locked.
        """
        self._passphrase, self._lock_what_lies_there = passphrase, there_too and passphrase is not None
        self._watch = FolderWatcher(self._store, [self._folder], self._sticks, passphrase)
        self._folder_watch = FolderWatcher(self._store, [self._folder], None, passphrase)

    def places(self) -> list[Path]:
        """Return the folders there were to exchange with at the last look."""
        if self._looker is None:
            self._look_for_places()
        return list(self._there)

    def _look_for_places(self) -> None:
        """Look for them on a thread: a stick that hangs must not stop the drawing."""

        def look() -> None:
            try:
                there = [stick / STICK_FOLDER for stick in self._sticks()]
            except OSError:
                there = []
            self._there = [place for place in (*there, self._folder) if is_folder(place)]

        if self._looker is None or not self._looker.is_alive():
            self._looker = threading.Thread(target=look, name="looking for sticks", daemon=True)
            self._looker.start()
            self._looker.join(AT_ONCE_S)

    def name_of(self, place: Path) -> Message | str:
        """Return what a person calls a place: the stick's name, or the watched folder."""
        return message("Shared folder") if place == self._folder else place.parent.name

    def look_round(self) -> None:
        """Notice a stick that was put in or pulled out."""
        self._look_for_places()
        now = self.places()
        if any(place not in self._known for place in now if place != self._folder):
            self.offered = True
        elif not now:
            self.offered = False
        self._known = now

    @property
    def busy(self) -> bool:
        """Whether records are being exchanged just now."""
        return self._worker is not None

    def begin(self) -> None:
        """Exchange with every place that is there; `busy` until `finish` says it is over."""
        if self.busy:
            return
        self.offered, self.messages, self.added, self.done, self.of = False, [], 0, 0, 0
        self._by_itself = False
        self._worker = threading.Thread(target=self._run, name="exchange", daemon=True)
        self._worker.start()

    def begin_by_itself(self) -> None:
        """Look into the watched folder, if there is one and it is time to."""
        if self.busy or time.monotonic() - self._looked < FOLDER_S or self._folder not in self.places():
            return
        self._looked, self.added, self._by_itself = time.monotonic(), 0, True
        self._worker = threading.Thread(target=self._look, name="exchange", daemon=True)
        self._worker.start()

    def wait_a_moment(self) -> None:
        """Wait, `MOMENT_S` at most, for what was begun by itself: whoever taps now did not ask for it."""
        if self._worker is not None and self._by_itself:
            self._worker.join(MOMENT_S)

    def finish(self) -> bool:
        """Say, once, that the exchange that was begun is over."""
        if self._worker is None or self._worker.is_alive():
            return False
        self._worker = None
        return True

    def close(self) -> None:
        """Wait for an exchange that is going on: a merge is one transaction."""
        if self._worker is not None:
            self._worker.join()

    def _run(self):
        try:
            news = self._watch.look(self._note)
            time.sleep(STAND_S)
            news += self._watch.look(self._note)
            self._meet()
            self.added = sum(one.merged.added for one in news)
            said = [
                message("{place}: {news}", place=self.name_of(one.folder), news=sentence)
                for one in news
                for sentence in one.messages
            ]
            missing = [sentence for one in news for sentence in one.merged.missing]
            self.messages = [*dict.fromkeys([*struck_off(self._store), *said, *missing])] or [NOTHING]
        except Exception:
            LOG.exception("an exchange failed")
            self.messages = [BUG]

    def _meet(self):
        """Leave this tablet's card where one that is not paired finds it, no bundle unlocked, and note whose cards are there."""
        for place in self.places():
            if not is_paired(self._store):
                with suppress(BundleRefused):
                    write_card(self._store, place / CARD_FILES.replace("*", self._store.device[:8]))
            if self._lock_what_lies_there:
                self._watch.remove_unlocked(place)
            self.strangers |= {card.device: card for card in cards_in(place, self._passphrase)}
        self._lock_what_lies_there = False
        self.forget_paired()

    def forget_paired(self) -> None:
        """Leave out of `strangers` who is paired by now, and this tablet itself."""
        taken = whose_bundles_are_taken(self._store)
        self.strangers = {device: card for device, card in self.strangers.items() if device not in taken}

    def _look(self):
        try:
            self.added = sum(one.merged.added for one in self._folder_watch.look())
        except Exception:
            LOG.exception("the watched folder could not be looked into")

    def _note(self, done, of, _name):
        self.done, self.of = done, of
