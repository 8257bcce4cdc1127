"""Exchanges bundles with a watched folder, or with a stick when it is mounted.

Notes: Nothing here waits or starts a thread: call `FolderWatcher.look` every second or two. Any program may write to a
shared folder, so a file is read only after it was the same in two looks. A stick is used only if it has a folder named
``rollbook``.

A stick may be pulled out at any byte: reading it is one transaction in the logbook, and a bundle is
written atomically. FAT and exFAT do not journal the rename; a bundle found cut off or gone there
is refused, and written anew.
"""

import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import func, select

from store import Store
from store.durability.carrier_files import CarrierHangs, answered, is_file
from store.errors import BundleRefused, Message, message, plural
from store.models import Enrolment, Farm, Own, SignedPage, TraceTail
from sync.bundle_export import bundle_name, export_bundle
from sync.bundle_merge import MergeResult, Progress, bundles_in, merge_bundle, merge_bundles

STICK_FOLDER = "rollbook"
HANGS = message("It does not answer. Pull it out, put it in again, and exchange once more.")
TRACE_S = 300.0  # an open trace is not cut into pieces shorter than this only to be carried


@dataclass
class ExchangeResult:
    """What happened in one folder: the merge, the bundle written, and what failed."""

    folder: Path
    merged: MergeResult = field(default_factory=MergeResult)
    written: Path | None = None
    trouble: Message | None = None

    @property
    def messages(self) -> list[Message]:
        """Sentences for a person; none if nothing was new."""
        found = []
        if self.merged.added:
            found.append(plural("{count} record taken in.", "{count} records taken in.", self.merged.added))
        if self.written:
            found.append(message("Our records written."))
        found += [sentence for _path, sentence in self.merged.refused] + self.merged.doubled
        return [*found, self.trouble] if self.trouble else found


def write_own(store: Store, folder: Path, passphrase: str | None = None) -> Path:
    """Write our bundle into a folder and return its path, taking in first what stands there under our name.

    Raises BundleRefused if it cannot be written.
    """
    there = folder / bundle_name(store, passphrase is not None)
    if not store.trouble and is_file(there):
        with suppress(BundleRefused):  # damaged, or locked with other words: it is only written anew
            merge_bundle(store, there, passphrase)
    return export_bundle(store, folder, passphrase)


def _mark(path: Path) -> tuple[int, int]:
    stat = answered(path, path.stat)
    return stat.st_size, stat.st_mtime_ns


class FolderWatcher:
    """Exchanges with folders, and with sticks while they are mounted, at each `look`.

    `folders`: used whenever they are there.
    `mounts`: returns where sticks are mounted now; None uses no sticks.
    `passphrase`: encrypts what is written and decrypts what is read.
    """

    def __init__(
        self,
        store: Store,
        folders: Iterable[Path | str] = (),
        mounts: Callable[[], list[Path]] | None = None,
        passphrase: str | None = None,
    ):
        self._store = store
        self._folders = [Path(f) for f in folders]
        self._mounts = mounts
        self._passphrase = passphrase
        self._seen: dict[Path, tuple[int, int]] = {}  # size and time of a file at the last look
        self._done: dict[Path, tuple[int, int]] = {}  # the same when it was merged or refused
        self._held: tuple[tuple[str | None, int], set[Path]] = (
            (None, 0),
            set(),
        )  # whom we trusted, and who waits for that
        self._written: dict[Path, tuple[int, int, int]] = {}
        self._written_at: dict[Path, float] = {}

    def look(self, progress: Progress | None = None) -> list[ExchangeResult]:
        """Merge and write what is new and return the results; raises nothing on what it finds."""
        sticks = [mount / STICK_FOLDER for mount in self._mounts()] if self._mounts else []
        results, folders = [], []
        for folder in (*self._folders, *sticks):
            try:
                if answered(folder, folder.is_dir):
                    folders.append(folder)
            except CarrierHangs:
                results.append(ExchangeResult(folder, trouble=HANGS))
            except OSError:
                pass
        for gone in [f for f in self._written if f not in folders]:
            del self._written[gone]  # pulled out: it may hold anything when it comes back
        return results + [result for f in folders if (result := self._visit(f, progress)).messages]

    def _visit(self, folder: Path, progress: Progress | None) -> ExchangeResult:
        result = ExchangeResult(folder)
        try:
            self._exchange(folder, progress, result)
        except CarrierHangs:
            result.trouble = HANGS
        except OSError as fault:
            result.trouble = message("It cannot be read ({reason}).", reason=fault.strerror or fault)
        return result

    def _exchange(self, folder: Path, progress: Progress | None, result: ExchangeResult) -> None:
        ours = self._ours(folder)
        self._try_held_again()
        if ready := self._ready(folder):
            result.merged = merge_bundles(self._store, ready, progress, self._passphrase)
            self._held[1].update(path for path, _why in result.merged.refused if result.merged.strangers)
            if ours in ready:  # a damaged one of ours is only written anew
                result.merged.refused = [one for one in result.merged.refused if one[0] != ours]
        if self._due(folder):
            try:
                result.written = export_bundle(self._store, folder, self._passphrase)
                self._done[result.written] = self._seen[result.written] = _mark(result.written)
                self._written[folder] = self._state()
                self._written_at[folder] = time.monotonic()
            except BundleRefused as refusal:
                result.trouble = refusal.message

    def _try_held_again(self) -> None:
        """Forget that bundles were left where they are, once a person has paired somebody."""
        with self._store.session() as session:
            enrolments = select(func.count()).select_from(Enrolment)
            trust = session.scalars(select(Own.office)).one(), session.scalars(enrolments).one()
        if trust != self._held[0]:
            for path in self._held[1]:
                self._done.pop(path, None)
            self._held = trust, set()

    def _ready(self, folder: Path) -> list[Path]:
        """Return the bundles that were the same at the last look and are not done yet.

        Notes: One of our own that was not written just now is among them: this logbook may have been put back since.
        """
        other = folder / bundle_name(self._store, self._passphrase is None)  # of ours, but not to be replaced
        ready = []
        for path in bundles_in(folder):
            try:
                mark = _mark(path)
            except OSError:
                continue  # removed since
            if path != other and self._done.get(path) != mark and self._seen.get(path) == mark:
                ready.append(path)
                self._done[path] = mark
            self._seen[path] = mark
        return ready

    def _due(self, folder: Path) -> bool:
        if self._store.trouble:
            return False  # nothing is being saved; the cab says so
        with self._store.session() as session:
            if session.scalars(select(Farm.id)).first() is None:
                return False  # not paired yet: all there is to carry is of its clock
        ours = self._ours(folder)
        there = is_file(ours)
        if there and self._done.get(ours) != _mark(ours):
            return False  # read before it is replaced
        before, now = self._written.get(folder), self._state()
        if before is None or not there:
            return now[0] > 1 or now[1] > 0
        if now[:2] != before[:2]:
            return True
        return now[2] > 0 and time.monotonic() - self._written_at[folder] > TRACE_S

    def _ours(self, folder: Path) -> Path:
        return folder / bundle_name(self._store, self._passphrase is not None)

    def _state(self) -> tuple[int, int, int]:
        """Return what changes when there is something to carry: numbers, pages, open trace."""
        with self._store.session() as session:
            return (
                session.scalars(select(Own.next_seq)).one(),
                session.scalars(select(func.count()).select_from(SignedPage)).one(),
                session.scalars(select(func.count()).select_from(TraceTail)).one(),
            )
