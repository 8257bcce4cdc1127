"""Files that are there whole or not at all."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def write_atomically(path: Path) -> Iterator[Path]:
    """Yield a temporary path in the same folder; on leaving, sync it and rename it into place.

    On any error the temporary file is removed and `path` is as it was. The limit: a FAT
    stick does not journal renames, so what is read from one must carry its own checksums.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield beside
        with open(beside, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(beside, path)
        sync_folder(path.parent)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder durable where the system lets a folder be synced."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows opens no folders
        return
    try:
        os.fsync(handle)
    except OSError:  # some network folders refuse
        pass
    finally:
        os.close(handle)
