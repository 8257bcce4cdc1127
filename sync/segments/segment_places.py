"""Where segments and heads lie: a folder, or a zip with the same names in it; locked or not.

Notes: A name is never used as a path but after it was read as a device's id, two numbers and a hash.
"""

import errno
import io
import os
import stat
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from typing import IO, BinaryIO

from store.durability.atomic_file import write_atomically
from store.durability.carrier_files import answered, open_regular, read_regular
from store.errors import BundleRefused
from store.facts.fact_lines import InvalidFact, is_uuid
from sync.bundle_encryption import unlock_part
from sync.bundle_file import WRITE_S
from sync.segments.copy_head import LARGEST_HEAD
from sync.segments.segment_file import LARGEST_HEADER, LARGEST_WEIGHT, SegmentName, read_name

SEGMENT, HEAD, LOCKED = ".rbs", ".head", ".locked"
LARGEST_SEGMENT = LARGEST_WEIGHT + LARGEST_HEADER
MOST_FILES = 200_000
LIST_S = 60.0
"""A carrier whose files are not listed after this long hangs, s."""
_CACHED, _AT_ONCE = 2**25, 2**23
Mark = tuple[int, int]


@dataclass(frozen=True)
class PlacedFile:
    """A file at a place, to be opened unlocked, or as it is.

    `mark`: changes when it is written anew.
    `name`: None for a head.
    """

    path: str
    mark: Mark
    name: SegmentName | None
    open: Callable[[], BinaryIO]
    raw: Callable[[], IO[bytes]]


class _Kept:
    """The bytes of the files read last."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, Mark], bytes] = {}

    def get(self, path: tuple[str, Mark], read: Callable[[], bytes]) -> BinaryIO:
        if path not in self._kept:
            data = read()
            while self._kept and sum(map(len, self._kept.values())) + len(data) > _CACHED:
                del self._kept[next(iter(self._kept))]
            self._kept[path] = data
        return io.BytesIO(self._kept[path])


class FolderPlace:
    """A folder of segments and heads, which any program may write to."""

    def __init__(self, folder: Path, passphrase: str | None = None):
        self.path, self._passphrase, self._kept = folder, passphrase, _Kept()

    def files(self) -> Iterator[PlacedFile]:
        """Yield its heads, and its segments device by device; what is no plain file is passed over.

        Raises CarrierHangs if it does not answer.
        """
        yield from answered(self.path, self._listed, LIST_S)

    def _listed(self) -> list[PlacedFile]:
        found, folders = [], []
        for entry in _entries(self.path):
            if entry.name.startswith("rollbook-") and _stem(entry.name, HEAD) is not None:
                if (mark := _mark(entry)) is not None and mark[0] <= 2 * LARGEST_HEAD:
                    found.append(
                        PlacedFile(entry.name, mark, None, self._opener(entry.name, mark), self._raw(entry.name))
                    )
            elif is_uuid(entry.name) and entry.is_dir(follow_symlinks=False):
                folders.append(entry.name)
        for device in folders:
            for entry in _entries(self.path / device):
                stem = _stem(entry.name, SEGMENT)
                name = None if stem is None else read_name(device, stem)
                if name is not None and (mark := _mark(entry)) is not None and mark[0] <= LARGEST_SEGMENT:
                    path = f"{device}/{entry.name}"
                    found.append(PlacedFile(path, mark, name, self._opener(path, mark), self._raw(path)))
                if len(found) >= MOST_FILES:
                    return found
        return found

    def _opener(self, path: str, mark: Mark) -> Callable[[], BinaryIO]:
        def read() -> bytes:
            data = read_regular(self.path / path, LARGEST_SEGMENT)
            return unlock_part(data, self._passphrase) if path.endswith(LOCKED) else data

        def opened() -> BinaryIO:
            if mark[0] <= _AT_ONCE or path.endswith(LOCKED):
                return self._kept.get((path, mark), read)
            return open_regular(self.path / path, LARGEST_SEGMENT)

        return opened

    def _raw(self, path: str) -> Callable[[], IO[bytes]]:
        return lambda: open_regular(self.path / path, LARGEST_SEGMENT)

    def write(self, path: str, data: bytes) -> None:
        """Write a file atomically, and read it back before it counts; OSError if it cannot be.

        Notes: A link, or anything but a folder, that stands where a device's folder belongs is renamed, so that nothing
        is written elsewhere and nothing there is lost.
        """
        target = self.path / path

        def work() -> None:
            if target.parent != self.path:
                _set_aside(target.parent)
            target.parent.mkdir(parents=True, exist_ok=True)
            with write_atomically(target) as beside:
                beside.write_bytes(data)
                if beside.read_bytes() != data:
                    raise OSError(errno.EIO, "what was written cannot be read back")

        answered(target, work, WRITE_S)

    def remove(self, path: str) -> None:
        """Remove a file that another one here contains."""
        with suppress(OSError):
            answered(self.path, (self.path / path).unlink)


class ZipPlace:
    """A zip with the names of a folder; every member is stored as it is."""

    def __init__(self, path: Path, file: zipfile.ZipFile, passphrase: str | None = None):
        self.path, self._file, self._passphrase, self._kept = path, file, passphrase, _Kept()

    def files(self) -> Iterator[PlacedFile]:
        """Yield its heads and segments; InvalidFact if anything else is in it."""
        seen = set()
        for info in self._file.infolist():
            device, _, last = info.filename.rpartition("/")
            head = not device and _stem(last, HEAD) is not None
            stem = _stem(last, SEGMENT)
            name = None if head or stem is None else read_name(device, stem)
            if (not head and name is None) or info.filename in seen:
                raise InvalidFact("Parts of it are missing or were added.")
            if info.compress_type != zipfile.ZIP_STORED:
                raise InvalidFact("A part of it is packed in a way bundles do not use.")
            if max(info.file_size, info.compress_size) > (2 * LARGEST_HEAD if head else LARGEST_SEGMENT):
                raise InvalidFact("A part of it is larger than it may be.")
            seen.add(info.filename)
            if len(seen) > MOST_FILES:
                raise InvalidFact("It is larger than any bundle may be.")
            raw = partial(self._file.open, info)
            yield PlacedFile(info.filename, (info.file_size, 0), name, self._opener(info), raw)

    def _opener(self, info: zipfile.ZipInfo) -> Callable[[], BinaryIO]:
        def read() -> bytes:
            with self._file.open(info) as part:
                data = part.read(LARGEST_SEGMENT)
            return unlock_part(data, self._passphrase) if info.filename.endswith(LOCKED) else data

        return lambda: self._kept.get((info.filename, (info.file_size, 0)), read)


def named(files: Iterator[PlacedFile]) -> tuple[list[PlacedFile], list[PlacedFile]]:
    """Return the heads and the segments among files."""
    every = list(files)
    return [one for one in every if one.name is None], [one for one in every if one.name is not None]


def refused(path: Path, error: OSError) -> BundleRefused:
    """Return the refusal to write to a folder, with the reason the system gives."""
    return BundleRefused(
        "The bundle could not be written to {folder} ({reason}). "
        "Look whether the stick or folder is there, may be written to, and has room.",
        folder=path,
        reason=error.strerror or error,
    )


def _stem(name: str, ending: str) -> str | None:
    name = name.removesuffix(LOCKED)
    return name[: -len(ending)] if name.endswith(ending) else None


def _set_aside(folder: Path) -> None:
    """Rename what is no folder of its own: a link, or a file."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        free = (folder.with_name(f"{folder.name}.aside-{n}") for n in count(1))
        folder.rename(next(path for path in free if not os.path.lexists(path)))


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as found:
            return sorted(found, key=lambda entry: entry.name)
    except OSError:
        return []


def _mark(entry: os.DirEntry[str]) -> Mark | None:
    """Return the size and time of a plain file; None if it is none, or gone."""
    try:
        found = entry.stat()
    except OSError:
        return None
    return (found.st_size, found.st_mtime_ns) if stat.S_ISREG(found.st_mode) else None
