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

from store.durability.carrier_files import answered, is_folder
from store.errors import BundleRefused, Message, message
from sync.bundle_encryption import Passphrase, is_locked
from sync.bundle_file import WRITE_S
from sync.device_trust import Card
from sync.enrolment import CARD_FILES, cards_in, is_paired, whose_bundles_are_taken, write_card
from sync.folder_exchange import FolderWatcher, remove_own
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
        self._bare: list[Path] = []
        self._met: list[Path] = []  # what was exchanged with at last
        self._looker: threading.Thread | None = None
        self.offered = False
        self.done = self.of = 0
        self.added = 0
        self.messages: list[Message] = []
        self.other_farms: list[str] = []  # names of farms the last exchange met that are not this logbook's
        self.locked = False  # whether the last exchange met what the passphrase does not open
        self.strangers: dict[str, Card] = {}

    def lock_with(self, passphrase: Passphrase | None, there_too: bool = False) -> None:
        """Lock with a passphrase from now on, and unlock with it; None: no more.

        `there_too`: whether the next exchange removes what lies unlocked beside the same locked.
        """
        self._passphrase, self._lock_what_lies_there = passphrase, there_too and passphrase is not None
        self._folder_watch = FolderWatcher(self._store, [self._folder], None, passphrase)

    def find_sticks_by(self, sticks: Callable[[], list[Path]]) -> None:
        """Take what this returns for the sticks that are in."""
        self._sticks = sticks

    def places(self) -> list[Path]:
        """Return the folders there were to exchange with at the last look."""
        if self._looker is None:
            self._look_for_places()
        return list(self._there)

    def _look_for_places(self) -> None:
        """Look for them on a thread: a stick that hangs must not stop the drawing."""

        def look() -> None:
            try:
                sticks = [stick / STICK_FOLDER for stick in self._sticks()]
            except OSError:
                sticks = []
            there = [place for place in sticks if is_folder(place)]
            self._bare = [] if there else [place for place in sticks if is_folder(place.parent)]
            self._there = [place for place in (*there, self._folder) if is_folder(place)]

        if self._looker is None or not self._looker.is_alive():
            self._looker = threading.Thread(target=look, name="looking for sticks", daemon=True)
            self._looker.start()
            self._looker.join(AT_ONCE_S)

    @property
    def bare(self) -> list[Path]:
        """The folders that an exchange would make first: of sticks that have none, while no other stick is in."""
        return list(self._bare)

    def name_of(self, place: Path) -> Message | str:
        """Return what a person calls a place: the stick's name, or the watched folder."""
        return message("Shared folder") if place == self._folder else place.parent.name

    def look_round(self) -> None:
        """Notice a stick that was put in or pulled out."""
        self._look_for_places()
        now = self.places()
        if self.messages and now != self._met:
            self.messages = []  # of a stick that is not in any more
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
        self._by_itself, self.locked, self.other_farms = False, False, []
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
            unmade = self._make_folders()
            # what was refused is looked at anew whenever a person asks, as by the command
            watch = FolderWatcher(self._store, [self._folder], self._sticks, self._passphrase)
            news = watch.look(self._note)
            time.sleep(STAND_S)
            news += watch.look(self._note)
            self._meet(watch)
            self.added = sum(one.merged.added for one in news)
            self.locked = any(is_locked(why) for one in news for _path, why in one.merged.refused)
            self.other_farms = sorted({name for one in news for name in one.merged.other_farms.values()})
            said = [
                message("{place}: {news}", place=self.name_of(one.folder), news=sentence)
                for one in news
                for sentence in one.messages
            ]
            missing = [sentence for one in news for sentence in one.merged.missing]
            self.messages = [*dict.fromkeys([*unmade, *struck_off(self._store), *said, *missing])] or [NOTHING]
        except Exception:
            LOG.exception("an exchange failed")
            self.messages = [BUG]
        self._looker = None  # what is there is looked at anew
        self._known = self._met = self.places()

    def _make_folders(self) -> list[Message]:
        """Make what sticks lack for an exchange; return what could not be made."""
        unmade = []
        for place in self.bare:
            try:
                answered(place, place.mkdir, WRITE_S)
            except OSError as fault:
                why = fault.strerror or str(fault)
                unmade.append(message("{place}: a folder named rollbook could not be made there ({why}).",
                                      place=self.name_of(place), why=why))  # fmt: skip
        return unmade

    def _meet(self, watch: FolderWatcher):
        """Leave this tablet's card where one that is not paired finds it, no bundle unlocked, and note whose cards are there."""
        for place in self.places():
            if not is_paired(self._store):
                with suppress(BundleRefused):
                    write_card(self._store, place / CARD_FILES.replace("*", self._store.device[:8]))
            if self._lock_what_lies_there:
                watch.remove_unlocked(place)
            self.strangers |= {card.device: card for card in cards_in(place, self._passphrase)}
        self._lock_what_lies_there = False
        self.forget_paired()

    def leave_farm(self) -> None:
        """Set the farm that was begun here aside, with what it left on sticks, so that another one can be joined.

        Raises StoreRefused if there is work in it, or it cannot be kept.
        """
        places, device = self.places(), self._store.device
        self._store.begin_empty(self._store.path.parent / "set-aside")
        for place in places:
            remove_own(device, place)
        self.lock_with(self._passphrase)
        self.messages, self.strangers, self.other_farms = [], {}, []

    def forget_paired(self) -> None:
        """Leave out of `strangers` who is paired by now, and this tablet itself."""
        taken = whose_bundles_are_taken(self._store)
        waiting = {device: card for device, card in self.strangers.items() if device not in taken}
        if len(waiting) < len(self.strangers):
            self.messages = []  # what was said of them holds no more
        self.strangers = waiting

    def _look(self):
        try:
            self.added = sum(one.merged.added for one in self._folder_watch.look())
        except Exception:
            LOG.exception("the watched folder could not be looked into")

    def _note(self, done, of, _name):
        self.done, self.of = done, of
