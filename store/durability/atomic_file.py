"""Atomic writing of files: the new content is there whole, or the old file is as it was."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path


@contextmanager
def write_atomically(path: Path) -> Iterator[Path]:
    """Yield a temporary path in the same folder; on leaving, move it to `path`.

    Notes: On any error the temporary file is removed and `path` is as it was. FAT does not journal renames, so what is
    read from a stick must carry its own checksums.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield beside
        replace_durably(beside, path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def write_file(path: Path, content: bytes | str) -> None:
    """Write a file atomically, its folder too if there is none; text as UTF-8."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with write_atomically(path) as beside:
        beside.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "replace"))


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
