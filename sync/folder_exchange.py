"""Exchanges with a watched folder, or with a stick when it is mounted: segments, and bundles of older programs.

Notes: Nothing here waits or starts a thread: call `FolderWatcher.look` every second or two. Any program may write to a
shared folder: a segment is read when its bytes are those its name states, a bundle only after it was the same in two
looks. A stick is used only if it has a folder named ``rollbook``.

A stick may be pulled out at any byte: what is read is in the logbook batch by batch, and each file is written atomically.
FAT and exFAT do not journal the rename; a file found cut off or gone there is written anew by a copy that has its records.
"""

import re
import shutil
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import func, select

from store import Store
from store.durability.carrier_files import CarrierHangs, answered, is_file
from store.durability.integrity_check import top_of
from store.errors import BundleRefused, Message, message, plural
from store.facts.doubled_numbers import doubled
from store.facts.fact_lines import InvalidFact
from store.models import Enrolment, Farm, Own, Peer, SignedPage, TraceTail
from sync.bundle_export import bundle_name, export_bundle, export_version_4
from sync.bundle_file import WRITE_S
from sync.bundle_merge import MergeResult, Progress, bundles_in, merge_bundle, merge_bundles
from sync.removable_media import STICK_FOLDER, meeting_places
from sync.segments.place_reader import PlaceNews, PlaceReader, is_zip_of_segments
from sync.segments.seen_files import SeenFiles
from sync.segments.segment_places import LOCKED, FolderPlace, Mark, PlacedFile, named, refused
from sync.segments.segment_writer import SegmentWriter, seal, write_missing, write_own_head
from sync.trust_news import news_of_trust

HANGS = message("It does not answer. Pull it out, put it in again, and exchange once more.")
LINK = message("It is a link, and nothing is read or written through one. Make a folder of that name on the stick.")
TRACE_S = 300.0  # an open trace is not cut into pieces shorter than this only to be carried


_OF_DEVICE = re.compile(r"-([0-9a-f]{8})\b")


@dataclass
class ExchangeResult:
    """What happened in one folder: the merge, what was written, and what failed."""

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
        found += [sentence for _path, sentence in self.merged.refused] + self.merged.doubled + self.merged.waiting
        found += self.merged.told
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


def remove_own(device: str, folder: Path) -> None:
    """Remove what a device wrote into a folder, which nobody is to read any more."""

    def work() -> None:
        shutil.rmtree(folder / device, ignore_errors=True)
        for path in folder.glob(f"rollbook-*{device[:8]}*"):
            path.unlink(missing_ok=True)

    with suppress(OSError):
        answered(folder, work, WRITE_S)


def _mark(path: Path) -> Mark:
    stat = answered(path, path.stat)
    return stat.st_size, stat.st_mtime_ns


def _opens(file: PlacedFile) -> bool:
    """Return whether the words that are set open a locked file."""
    try:
        file.open().close()
    except InvalidFact:
        return False
    return True


@dataclass(frozen=True)
class _Written:
    """What was there when a folder was last written to, and when that was, s."""

    state: tuple[int, int, int]
    marks: frozenset[tuple[str, Mark]]
    old: frozenset[Path]
    at: float


class FolderWatcher:
    """Exchanges with folders, and with sticks while they are mounted, at each `look`.

    `folders`: used whenever they are there; of one with a folder ``rollbook``, that.
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
        self._seen: dict[Path, Mark] = {}  # size and time of a bundle at the last look
        self._done: dict[Path, Mark] = {}  # the same when it was merged or refused
        self._trust: tuple[str | None, int] = (None, 0)
        self._held: set[Path] = set()  # bundles that wait until somebody is paired
        self._old: set[Path] = set()  # bundles of an older program that were merged
        self._files: SeenFiles | None = None
        self._readers: dict[Path, PlaceReader] = {}
        self._written: dict[Path, _Written] = {}
        self._opened: set[tuple[str, Mark]] = set()  # of what this copy wrote locked: these words open it

    def look(self, progress: Progress | None = None) -> list[ExchangeResult]:
        """Merge and write what is new and return the results; raises nothing on what it finds."""
        sticks = [mount / STICK_FOLDER for mount in self._mounts()] if self._mounts else []
        results, folders = [], []
        for folder in (*self._meeting_places(), *sticks):
            try:
                if folder in sticks and answered(folder, folder.is_symlink):
                    results.append(ExchangeResult(folder, trouble=LINK))
                elif answered(folder, folder.is_dir):
                    folders.append(folder)
            except CarrierHangs:
                results.append(ExchangeResult(folder, trouble=HANGS))
            except OSError:
                pass
        for gone in [f for f in self._readers if f not in folders]:
            del self._readers[gone]  # pulled out: it may hold anything when it comes back
            self._written.pop(gone, None)
        results += [result for f in folders if (result := self._visit(f, progress)).messages]
        if self._files is not None:
            self._files.save()
        return results

    def _meeting_places(self) -> list[Path]:
        found: list[Path] = []
        for folder in self._folders:
            try:
                found += meeting_places(folder)
            except OSError:  # said when it is visited
                found.append(folder)
        return found

    def remove_unlocked(self, folder: Path) -> None:
        """Remove what lies in a folder unlocked, is in the logbook, and so was written there locked at the last look."""
        if self._passphrase is None or self._files is None or folder not in self._written:
            return
        with suppress(CarrierHangs, OSError):
            place = FolderPlace(folder, self._passphrase)
            heads, segments = named(place.files())
            lying = {file.path for file in heads}
            for file in segments:
                if not file.path.endswith(LOCKED) and self._files.knows(file):
                    place.remove(file.path)
            for path in lying:
                if path + LOCKED in lying:
                    place.remove(path)

    def _visit(self, folder: Path, progress: Progress | None) -> ExchangeResult:
        result = ExchangeResult(folder)
        try:
            with news_of_trust(self._store) as told:
                self._exchange(folder, progress, result)
            result.merged.told = told
        except CarrierHangs:
            result.trouble = HANGS
        except OSError as fault:
            result.trouble = message("It cannot be read ({reason}).", reason=fault.strerror or fault)
        return result

    def _exchange(self, folder: Path, progress: Progress | None, result: ExchangeResult) -> None:
        if self._files is None:
            self._files = SeenFiles(self._store)
        place = FolderPlace(folder, self._passphrase)
        reader = self._readers.setdefault(folder, PlaceReader(self._store, self._files))
        news = reader.read(place, progress and (lambda done, of: progress(done, of, folder.name)))
        result.merged = MergeResult(
            news.added, news.known, news.strangers, waiting=news.waiting, other_farms=news.other_farms
        )
        result.merged.refused = [(folder, why) for why in news.refused]
        if news.overlapping:
            with self._store.session() as session:
                result.merged.doubled = [one.said for one in doubled(session, news.overlapping)]
        self._try_held_again()
        if ready := self._ready(folder):
            self._merge(ready, result, progress)
        if not self._store.trouble and not news.arriving:  # if nothing is being saved, the cab says so
            try:
                self._write(place, news, self._files, result)
            except BundleRefused as refusal:
                result.trouble = refusal.message

    def _merge(self, ready: list[Path], result: ExchangeResult, progress: Progress | None) -> None:
        merged = merge_bundles(self._store, ready, progress, self._passphrase)
        wrong = {path for path, _why in merged.refused}
        if merged.strangers:
            self._held |= wrong
            result.merged.strangers |= merged.strangers
        self._old |= {path for path in ready if path not in wrong and not is_zip_of_segments(path)}
        ours = self._ours(result.folder)  # a damaged one of ours is only written anew
        result.merged.refused += [one for one in merged.refused if one[0] != ours]
        result.merged.added += merged.added
        result.merged.known += merged.known
        result.merged.missing = merged.missing
        result.merged.doubled = list(dict.fromkeys([*result.merged.doubled, *merged.doubled]))

    def _write(self, place: FolderPlace, news: PlaceNews, files: SeenFiles, result: ExchangeResult) -> None:
        """Write what the folder lacks, our head, and a bundle that older programs read if there are any."""
        folder, ours = place.path, self._ours(place.path)
        there = is_file(ours)
        if there and self._done.get(ours) != _mark(ours):
            return  # read before it is replaced
        old = self._of_older_programs(folder, news)
        before, state = self._written.get(folder), self._state()
        with self._store.session() as session:
            if session.scalars(select(Farm.id)).first() is None:
                return  # not paired yet: all there is to carry is of its clock
        marks = frozenset((file.path, file.mark) for file in news.segments)
        writer = SegmentWriter(self._store, self._passphrase)
        # one locked with other words, or not at all, may lie beside it
        mine = folder / writer.head_path
        own = next((head for head in news.heads if head.device == self._store.device and head.path == mine), None)
        own = own if is_file(mine) else None
        locks = self._passphrase is not None  # what lies there written the other way does not count
        replaced = self._replaced(news, files)
        lying = [file for file in news.segments if file.path.endswith(LOCKED) == locks and file not in replaced]
        same = (
            own is not None
            and before is not None
            and (before.state[:2], before.marks, before.old) == (state[:2], marks, old)
        )
        if before is not None and same and (state[2] == 0 or time.monotonic() - before.at <= TRACE_S):
            return
        seal(self._store)
        try:
            written = write_missing(writer, self._store, place, lying, files, self._locked_otherwise(place, news))
            head = write_own_head(writer, self._store, place, own)
            for other in [one for one in news.heads if one.device == self._store.device]:
                if other.path.name != writer.head_path and other.path.name.endswith(LOCKED) == locks:
                    place.remove(other.path.name)  # of another name of this machine
            for file in replaced:
                place.remove(file.path)
            if locks:
                place.remove(SegmentWriter(self._store).head_path)
        except CarrierHangs:
            raise
        except OSError as error:
            raise refused(folder, error) from error
        if written or head:
            result.written = folder / writer.head_path
        if old and (written or head or before is None or old != before.old or not there):
            self._write_version_4(folder, old, result)
        elif there and not old and ours in self._old:
            place.remove(ours.name)  # all it holds is in the segments
        segments = frozenset((f.path, f.mark) for f in place.files() if f.name is not None) if written else marks
        self._written[folder] = _Written(self._state(), segments, old, time.monotonic())

    def _locked_otherwise(self, place: FolderPlace, news: PlaceNews) -> bool:
        """Return whether a known copy has locked its head with other words: those here may be wrong, or theirs old."""
        if self._passphrase is None:
            return False
        with self._store.session() as session:
            known = {device[:8] for device in session.scalars(select(Peer.device))}
        read = {head.path.name for head in news.heads}
        locked = [file.path for file in named(place.files())[0] if file.path.endswith(LOCKED) and file.path not in read]
        return any(known & set(_OF_DEVICE.findall(path)) for path in locked)

    def _replaced(self, news: PlaceNews, files: SeenFiles) -> list[PlacedFile]:
        """Return what this copy wrote itself before there was this passphrase, so that it is written anew, locked with it."""
        if self._passphrase is None:
            return []
        with self._store.session() as session:
            top = top_of(session, self._store.device)
        found = []
        for file in news.segments:
            if file.name is None or file.name.device != self._store.device or file.name.last > top:
                continue
            if not file.path.endswith(LOCKED):
                found += [file] if files.knows(file) else []
            elif (file.path, file.mark) not in self._opened:
                if _opens(file):
                    self._opened.add((file.path, file.mark))
                else:
                    found.append(file)
        return found

    def _write_version_4(self, folder: Path, old: frozenset[Path], result: ExchangeResult) -> None:
        try:
            path = export_version_4(self._store, folder, self._passphrase)
        except BundleRefused as refusal:
            result.trouble = message(
                "What is new was not written for the older Rollbook that wrote {names}. Install the newer program there. "
                "{reason}",
                names=sorted(path.name for path in old),
                reason=refusal.message,
            )
        else:
            self._done[path] = self._seen[path] = _mark(path)
            self._old.add(path)
            result.written = path

    def _of_older_programs(self, folder: Path, news: PlaceNews) -> frozenset[Path]:
        """Return the bundles of other devices that have no head there: their program does not read segments."""
        newer = {head.device[:8] for head in news.heads} | {self._store.device[:8]}
        return frozenset(
            path for path in self._old if path.parent == folder and not newer & set(_OF_DEVICE.findall(path.name))
        )

    def _try_held_again(self) -> None:
        """Forget that bundles were left where they are, once a person has paired somebody."""
        with self._store.session() as session:
            enrolments = select(func.count()).select_from(Enrolment)
            trust = session.scalars(select(Own.office)).one(), session.scalars(enrolments).one()
        if trust != self._trust:
            for path in self._held:
                self._done.pop(path, None)
            self._trust, self._held = trust, set()

    def _ready(self, folder: Path) -> list[Path]:
        """Return the bundles that were the same at the last look and are not done yet.

        Notes: One of our own that was not written just now is among them: this logbook may have been put back since.
        """
        other = folder / bundle_name(self._store, self._passphrase is None)  # of ours, but not to be replaced
        ready, there = [], bundles_in(folder)
        self._old = {path for path in self._old if path.parent != folder or path in there}
        for path in there:
            try:
                mark = _mark(path)
            except OSError:
                continue  # removed since
            if path != other and self._done.get(path) != mark and self._seen.get(path) == mark:
                ready.append(path)
                self._done[path] = mark
            self._seen[path] = mark
        return ready

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
