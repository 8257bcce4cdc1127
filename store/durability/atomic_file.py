"""Atomic writing of files: the new content is there whole, or the old file is as it was."""

import os
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PRIVATE = 0o600

LEFT_S = 3600.0
"""A half-written file of another process is left behind after so long, s."""
_swept: set[Path] = set()
_open: set[Path] = set()


@contextmanager
def write_atomically(path: Path, private: bool = False) -> Iterator[Path]:
    """Yield a temporary path in the same folder; on leaving, move it to `path`.

    `private`: whether nobody but its owner may read the file, from its first byte on.

    Notes: On any error the temporary file is removed and `path` is as it was. FAT does not journal renames, so what is
    read from a stick must carry its own checksums.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    if path.parent not in _swept:
        _sweep(path.parent)
    _open.add(beside)
    try:
        if private:
            create_private(beside)
        yield beside
        replace_durably(beside, path)
    except BaseException:
        _swept.discard(path.parent)  # where it could not even be removed, a carrier was pulled out
        beside.unlink(missing_ok=True)
        raise
    finally:
        _open.discard(beside)


def _sweep(folder: Path) -> None:
    """Remove what writers that were killed, or whose carrier was pulled out, left in a folder."""
    with suppress(OSError):
        for left in folder.glob(".*.part"):
            writer = left.name.split(".")[-2]
            own = writer == str(os.getpid())
            if writer.isdecimal() and left not in _open and (own or abs(time.time() - left.stat().st_mtime) > LEFT_S):
                left.unlink(missing_ok=True)
        _swept.add(folder)


def write_file(path: Path, content: bytes | str, private: bool = False) -> None:
    """Write a file atomically, its folder too if there is none; text as UTF-8; `private` as in `write_atomically`."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with write_atomically(path, private) as beside:
        beside.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "replace"))


def create_private(path: Path) -> None:
    """Create an empty file that its owner alone may read and write, in place of one of that name."""
    path.unlink(missing_ok=True)
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE))


def narrow(paths: Iterable[Path]) -> list[Path]:
    """Take from all but the owner the right to read files, and return those others could read until now."""
    narrowed = []
    for path in paths:
        with suppress(OSError):  # somebody else's, or gone
            if os.name == "posix" and path.stat().st_mode & 0o077:
                path.chmod(PRIVATE)
                narrowed.append(path)
    return narrowed


def replace_durably(source: Path, path: Path) -> None:
    """Sync a file, rename it to `path` in the same folder, and sync the folder."""
    with open(source, "rb+") as file:
        os.fsync(file.fileno())
    os.replace(source, path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make renames in a folder durable; Windows and some network folders cannot."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
