"""What carries bundles: a watched folder, or a stick that is noticed when it is put in.

Nothing here waits or starts a thread: call `FolderWatcher.look` every second or two. A folder may be
shared by any program, so a file is left alone until it has stood still between two looks. A
stick is used only if it has a folder named ``rollbook``: nobody wants records written on the
card of a camera.

Pulling a stick out is safe at any byte: reading it is one transaction in the logbook, and a
bundle is written beside its place and renamed. FAT and exFAT do not journal that rename; there
a bundle may be found cut off or gone afterwards. It is then refused, and written anew.
"""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import func, select

from store import Store
from store.errors import BundleRefused
from store.models import Own, SignedPage, TraceTail
from sync.bundle_export import bundle_name, export_bundle
from sync.bundle_merge import MergeResult, bundles_in, merge_bundles

STICK_FOLDER = "rollbook"
TRACE_S = 300.0  # an open trace is not cut into pieces shorter than this only to be carried


@dataclass
class ExchangeResult:
    """What happened in one folder: what was merged, what was written, in words."""

    folder: Path
    merged: MergeResult = field(default_factory=MergeResult)
    written: Path | None = None
    trouble: str | None = None

    @property
    def words(self) -> str:
        """One line for a person."""
        said = []
        if self.merged.added:
            said.append(f"{self.merged.added} records taken in")
        if self.written:
            said.append("our records written")
        said += [sentence for _path, sentence in self.merged.refused]
        said += [self.trouble] if self.trouble else []
        return f"{self.folder}: " + (". ".join(said) or "nothing new")


class FolderWatcher:
    """Folders, and sticks as they come, looked at again and again.

    Parameters
    ----------
    store : Store
        The logbook that takes in what is new and writes what it knows.
    folders : iterable of Path
        Always looked at, when they are there.
    mounts : callable, optional
        Returns where sticks are now; None watches no sticks.
    passphrase : str, optional
        Locks what is written and unlocks what is read.
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
        self._seen: dict[Path, tuple] = {}  # a file's mark at the last look
        self._done: dict[Path, tuple] = {}  # its mark when it was merged or refused
        self._written: dict[Path, tuple] = {}
        self._written_at: dict[Path, float] = {}

    def look(self, progress: Callable[[int, int, str], None] | None = None) -> list[ExchangeResult]:
        """Take in and write what is new, and say what was; never raises on what it finds."""
        folders = [f for f in (*self._folders, *self._sticks()) if f.is_dir()]
        for gone in [f for f in self._written if f not in folders]:
            del self._written[gone]  # pulled out: who knows what is on it when it comes back
        return [news for f in folders if (news := self._visit(f, progress))]

    def _sticks(self) -> list[Path]:
        return [m / STICK_FOLDER for m in self._mounts()] if self._mounts else []

    def _visit(self, folder: Path, progress) -> ExchangeResult | None:
        news = ExchangeResult(folder)
        ready = self._ready(folder)
        if ready:
            news.merged = merge_bundles(self._store, ready, progress, self._passphrase)
        if self._due(folder):
            try:
                news.written = export_bundle(self._store, folder, self._passphrase)
                self._written[folder] = self._state()
                self._written_at[folder] = time.monotonic()
            except BundleRefused as refusal:
                news.trouble = str(refusal)
        told = news.merged.added or news.merged.refused or news.written or news.trouble
        return news if told else None

    def _ready(self, folder: Path) -> list[Path]:
        """Return the bundles of others that stand still and were not dealt with as they are."""
        ours = {folder / bundle_name(self._store, locked) for locked in (False, True)}
        ready = []
        for path in bundles_in(folder):
            try:
                stat = path.stat()
            except OSError:
                continue  # taken away since
            mark = (stat.st_size, stat.st_mtime_ns)
            if path not in ours and self._done.get(path) != mark and self._seen.get(path) == mark:
                ready.append(path)
                self._done[path] = mark
            self._seen[path] = mark
        return ready

    def _due(self, folder: Path) -> bool:
        there = (folder / bundle_name(self._store, self._passphrase is not None)).exists()
        before = self._written.get(folder)
        if before is None or not there:
            return self._state()[0] > 1 or self._state()[1] > 0
        now = self._state()
        if now[:2] != before[:2]:
            return True
        return now[2] > 0 and time.monotonic() - self._written_at[folder] > TRACE_S

    def _state(self) -> tuple[int, int, int]:
        """Return what changes when there is something to carry: numbers, pages, open trace."""
        with self._store.session() as session:
            return (
                session.scalar(select(Own.next_seq)),
                session.scalar(select(func.count()).select_from(SignedPage)),
                session.scalar(select(func.count()).select_from(TraceTail)),
            )
