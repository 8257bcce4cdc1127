"""One process at a time writes a logbook: a lock beside it, which ends with the process however that ends."""

import threading
from contextlib import suppress
from pathlib import Path

from filelock import FileLock, Timeout

from store.errors import StoreRefused

_held: dict[Path, tuple[FileLock, int]] = {}  # of this process, and how often
_guard = threading.Lock()


def lock_path(path: Path) -> Path:
    """Return the file whose lock is that of a logbook."""
    path = path.resolve()
    return path.with_name(path.name + ".lock")


def acquire(path: Path) -> bool:
    """Take the lock of a logbook; return False if another process has it.

    Notes: The same process may take it several times. Where no lock can be made (a folder that cannot be written to) it
    counts as taken: nothing can be written there either.
    """
    place = lock_path(path)
    with _guard:
        lock, count = _held.get(place) or (FileLock(place, timeout=0, thread_local=False), 0)
        if not count:
            with suppress(OSError, NotImplementedError):
                try:
                    lock.acquire()
                except Timeout:
                    return False
        _held[place] = lock, count + 1
        return True


def release(path: Path, remove: bool = False) -> None:
    """Give the lock back as often as it was taken; `remove` its file too, of what was no logbook."""
    place = lock_path(path)
    with _guard:
        if place not in _held:
            return
        lock, count = _held.pop(place)
        if count > 1:
            _held[place] = lock, count - 1
            return
        with suppress(OSError):
            lock.release()
            if remove:
                place.unlink(missing_ok=True)


def in_use(path: Path) -> StoreRefused:
    """Return the refusal of writing to a logbook that another process has."""
    return StoreRefused(
        "The logbook {path} is open in another program, the cab perhaps, so nothing was written. "
        "Close that first and try again.",
        path=path,
    )
