"""Files on sticks and in shared folders: only plain files, a bounded number of bytes, and never longer than a while.

Notes: A carrier may hold a link to a device, a pipe or a loop of links, and may stop to answer at any call. No call on one
can be broken off, so each is made on a thread of its own, which is left behind when it hangs; a place with such a thread
is not asked again before that thread ends.
"""

import errno
import io
import os
import stat
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

SILENT_S = 10.0
"""A carrier that gives no answer for so long hangs, s: one that wakes up or is checked takes a few."""
AT_ONCE = 1 << 18
"""Bytes read by one call."""
MOST_LOOKED_AT = 20_000
"""Entries of a carrier's folders that are looked at."""
_MOUNTED = (("/", "run", "media", 2), ("/", "media", 2), ("/", "mnt", 1), ("/", "Volumes", 1))
"""Folders of mounted carriers, and how many parts of a path below are one carrier."""
_hanging: dict[tuple[str, ...], threading.Thread] = {}

Answer = TypeVar("Answer")


class CarrierHangs(TimeoutError):
    """A carrier that does not answer."""

    def __init__(self, path: object = None):
        super().__init__(errno.ETIMEDOUT, "it does not answer; pull it out and put it in again", str(path or ""))


def answered(path: Path, work: Callable[[], Answer], seconds: float | None = None) -> Answer:
    """Return what work on a carrier returns, or raise what it raises.

    `path`: where the work is done.
    `work`: takes and changes nothing that matters when it ends later, or never.
    `seconds`: how long it may take; None: `SILENT_S`.

    Raises CarrierHangs if it takes longer, or if earlier work there has not ended yet.
    """
    place = _place(path)
    if (before := _hanging.get(place)) is not None:
        if before.is_alive():
            raise CarrierHangs(path)
        del _hanging[place]
    done: list[Answer] = []
    failed: list[BaseException] = []

    def run() -> None:
        try:
            done.append(work())
        except BaseException as fault:
            failed.append(fault)

    worker = threading.Thread(target=run, name=f"carrier {path.name}", daemon=True)
    worker.start()
    worker.join(SILENT_S if seconds is None else seconds)
    if failed:
        raise failed[0]
    if not done:
        _hanging[place] = worker
        raise CarrierHangs(path)
    return done[0]


def _place(path: Path) -> tuple[str, ...]:
    """Return what hangs together with a path: its carrier, else its folder."""
    for *above, below in _MOUNTED:
        if path.parts[: len(above)] == tuple(above):
            return path.parts[: len(above) + below]
    return path.parts[:-1]


def is_folder(path: Path) -> bool:
    """Return whether there is a folder that answers."""
    try:
        return answered(path, path.is_dir)
    except OSError:
        return False


def is_file(path: Path) -> bool:
    """Return whether there is a plain file that answers."""
    try:
        return answered(path, path.is_file)
    except OSError:
        return False


def open_regular(path: Path | str, largest: int | None = None) -> BinaryIO:
    """Open a plain file for reading, seekable; each call on it ends in time.

    `largest`: bytes it may hold, and that are read of it, at most.

    Raises OSError if it cannot be opened, is no plain file (nor a link to one), or is larger; CarrierHangs, also at any
    call on the file.
    """
    path = Path(path)
    file, size, whole = answered(path, lambda: _opened(path))
    if largest is not None and size > largest:
        file.close()
        raise OSError(errno.EFBIG, "it is larger than it may be", str(path))
    if whole is not None:
        return io.BytesIO(whole)
    return io.BufferedReader(_Guarded(path, file, largest), AT_ONCE)


def read_regular(path: Path | str, largest: int) -> bytes:
    """Return all bytes of a plain file; see `open_regular`."""
    with open_regular(path, largest) as file:
        return file.read()


def regular_files(
    folder: Path, wanted: Callable[[str], bool], depth: int = 1, most: int = 1000
) -> list[tuple[float, Path]]:
    """Return the plain files in a folder, and in folders below it, with the POSIX times they were written.

    `wanted`: whether a file's name is looked for.
    `depth`: 1: what lies in the folder itself only. Links to folders are not followed.
    `most`: not more are returned, and no more than `MOST_LOOKED_AT` entries looked at.

    Notes: No file is opened. A folder that is gone, or that may not be read, holds none; nor does one that hangs.
    """
    try:
        return answered(folder, lambda: _found(folder, wanted, depth, most))
    except OSError:
        return []


def _found(folder: Path, wanted: Callable[[str], bool], depth: int, most: int) -> list[tuple[float, Path]]:
    found: list[tuple[float, Path]] = []
    level, looked_at = [folder], 0
    for left in range(depth, 0, -1):
        below: list[Path] = []
        for one in level:
            with suppress(OSError), os.scandir(one) as entries:
                for entry in entries:
                    looked_at += 1
                    if looked_at > MOST_LOOKED_AT or len(found) >= most:
                        return found
                    with suppress(OSError):
                        if left > 1 and entry.is_dir(follow_symlinks=False):
                            below.append(Path(entry.path))
                        elif wanted(entry.name) and stat.S_ISREG((is_now := entry.stat()).st_mode):
                            found.append((is_now.st_mtime, Path(entry.path)))
        level = below
    return found


def _opened(path: Path) -> tuple[io.FileIO, int, bytes | None]:
    """Return an open plain file, its size, and all of it if that is read by one call; a device or pipe is not even opened."""
    _check(os.stat(path), path)
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    try:
        now = os.fstat(handle)  # it may have been replaced meanwhile
        _check(now, path)
        file = io.FileIO(handle, "rb")
        if 0 < now.st_size < AT_ONCE:
            whole = file.read(AT_ONCE)
            if len(whole) == now.st_size:
                file.close()
                return file, now.st_size, whole
            file.seek(0)
        return file, now.st_size, None
    except BaseException:
        os.close(handle)
        raise


def _check(now: os.stat_result, path: Path) -> None:
    if stat.S_ISDIR(now.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(now.st_mode):
        raise OSError(errno.EINVAL, "it is no plain file", str(path))


class _Guarded(io.RawIOBase):
    """An open file whose every read ends in time, and that gives no more bytes than it may."""

    def __init__(self, path: Path, file: io.FileIO, largest: int | None):
        self._path, self._file, self._largest, self._lost = path, file, largest, False

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        if whence == os.SEEK_END:  # asks the carrier for the size
            return self._in_time(lambda: self._file.seek(offset, whence))
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readall(self) -> bytes:
        return b"".join(iter(lambda: self.read(AT_ONCE), b""))  # by itself it asks for 8 kB at a time

    def readinto(self, buffer: Any) -> int:
        size = len(buffer)
        data = self._in_time(lambda: self._file.read(size)) or b""
        if self._largest is not None and self._file.tell() > self._largest:  # it grew, or states no size
            raise OSError(errno.EFBIG, "it is larger than it may be", str(self._path))
        buffer[: len(data)] = data
        return len(data)

    def _in_time(self, work: Callable[[], Answer]) -> Answer:
        try:
            return answered(self._path, work)
        except CarrierHangs:
            self._lost = True
            raise

    def close(self) -> None:
        """Close the file; one that hangs is left to the thread that still reads it."""
        if not self.closed:
            super().close()
            if not self._lost:
                self._file.close()


def names_ending(endings: Iterable[str]) -> Callable[[str], bool]:
    """Return whether a name has one of some endings, in letters of any size."""
    known = tuple(one.lower() for one in endings)
    return lambda name: name.lower().endswith(known)
