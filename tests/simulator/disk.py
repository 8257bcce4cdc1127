"""A disk under control: every write of SQLite and every sync is a step at which power or room may go.

Notes: After a power cut the disk holds what was synced; of the rest each file, and each 512-byte sector of SQLite's log
and file, is there, lacking, or the old one, by the seed. A killed process loses nothing it has written. The limit: files
exist once they are made.
"""

import os
import sqlite3
from contextlib import contextmanager
from pathlib import Path
from random import Random
from unittest.mock import patch

SECTOR = 512
WRITES = ("INSERT", "UPDATE", "DELETE", "CREATE", "REPLACE", "ALTER", "DROP", "BEGIN IMMEDIATE")
NOT_KEPT = ("-shm", ".lock")  # made anew by whoever opens the file


class PowerCut(BaseException):
    """Nothing runs on that machine any more."""


class Disk:
    """One machine's disk.

    `folder`: where its files lie.
    `dead`: whether all has ended on that machine.
    `power`: whether the last cut was one of the power, which ends the machine too.
    `mounted`: folders of others that it may write to now: sticks.
    """

    def __init__(self, folder: Path, chance: Random):
        self.folder, self.full = folder, False
        self._mounted: list[Path] = []
        self.steps = 0
        self._chance = chance
        self._at: int | None = None
        self.power = self.dead = False
        self._left: dict[Path, bytes] = {}
        self._synced: dict[Path, bytes] = {}
        self._renamed: dict[Path, bytes | None] = {}

    def arm(self, after: int, power: bool) -> None:
        """Cut it off at a step from now: the power, or only the process."""
        self._at, self.power = self.steps + after, power
        self._synced, self._renamed = self.files(), {}

    def disarm(self) -> bool:
        """Put things back as the cut left them, if there was one, and return whether there was."""
        cut, self.dead, self._at = self.dead, False, None
        if cut:
            self.put(self._left, self.places)
        return cut

    @property
    def mounted(self) -> list[Path]:
        return self._mounted

    @mounted.setter
    def mounted(self, folders: list[Path]) -> None:
        self._mounted = folders
        if self._at is not None:  # what lies on a stick that is put in was synced before
            self._synced |= self.files(folders)

    @property
    def places(self) -> list[Path]:
        return [self.folder, *self.mounted]

    def files(self, places: list[Path] | None = None) -> dict[Path, bytes]:
        """Return the content of every file."""
        found = [
            path
            for place in (self.places if places is None else places)
            for path in sorted(place.rglob("*"))
            if path.is_file()
        ]
        return {path: path.read_bytes() for path in found if not path.name.endswith(NOT_KEPT)}

    @staticmethod
    def put(files: dict[Path, bytes], places: list[Path]) -> None:
        """Make files all there is in some folders."""
        for place in places:
            for path in place.rglob("*"):
                if path.is_file():
                    path.unlink()
        for path, content in files.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
            path.chmod(0o600)

    # --- what the product does --------------------------------------------------------------------

    def step(self, room: bool = True) -> bool:
        """Count a step and return whether it is the one at which all ends.

        Raises PowerCut after that one, OSError or sqlite3.OperationalError by the caller for want of room.
        """
        if self.dead:
            raise PowerCut
        self.steps += 1
        return self._at is not None and self.steps >= self._at

    def write(self) -> None:
        """A statement that writes: into memory until the commit."""
        if self.step():
            self._end(self.files())

    def commit(self, commit, rollback) -> None:
        """Commit, before which, after which or in the midst of which all may end."""
        last = self.step()
        if self.full:
            rollback()
            raise sqlite3.OperationalError("database or disk is full")
        if not last:
            commit()
            return
        before = self.files()
        commit()
        after = self.files()
        how = self._chance.choice(("before", "after", "log", "file") if self.power else ("before", "after"))
        if how in ("before", "after"):
            self._end(before if how == "before" else after)
        mixed = {path: content if path in after else b"" for path, content in before.items()}
        for path in after:
            if path.name.endswith("-wal"):  # synced before the file itself is written to
                mixed[path] = self._torn(before.get(path, b""), after[path]) if how == "log" else after[path]
            elif how == "file":
                mixed[path] = self._torn(before.get(path, b""), after[path])
        self._end(mixed)

    def sync(self, path: Path) -> None:
        """A file or folder is synced."""
        last = self.step()
        if self.full and path.is_file() and self.folder in path.parents:
            raise OSError(28, "No space left on device", str(path))
        if last:
            self._end(self.files())
        if self._at is None:
            return
        if path.is_dir():
            self._renamed = {name: old for name, old in self._renamed.items() if name.parent != path}
        elif path.is_file():
            self._synced[path] = path.read_bytes()

    def replace(self, old: Path, new: Path) -> None:
        """A file is about to be renamed."""
        if self.step():
            self._end(self.files())
        if self._at is not None:
            self._renamed.setdefault(new, self._synced.get(new))
            if old in self._synced:
                self._synced[new] = self._synced.pop(old)

    # --- the end ----------------------------------------------------------------------------------

    def _end(self, left: dict[Path, bytes]) -> None:
        if self.power:
            left = self._without_unsynced(left)
        self._left, self.dead = left, True
        raise PowerCut

    def _without_unsynced(self, left: dict[Path, bytes]) -> dict[Path, bytes]:
        kept = {}
        for path, content in sorted(left.items()):
            if path in self._renamed and self._chance.random() < 0.5:
                content = self._renamed[path]
                if content is None:
                    continue
            elif path.suffix != ".sqlite" and not path.name.endswith("-wal") and content != self._synced.get(path):
                content = self._chance.choice((content, content[: len(content) // 2], b""))
            kept[path] = content
        return kept

    def _torn(self, old: bytes, new: bytes) -> bytes:
        """Return a file of which each sector is the old or the new one."""
        whole = old.ljust(len(new), b"\0")
        parts = [
            (new if self._chance.random() < 0.5 else whole)[at : at + SECTOR] for at in range(0, len(whole), SECTOR)
        ]
        return b"".join(parts)


_now: Disk | None = None
"""The disk of the machine that acts now."""


class _Cursor(sqlite3.Cursor):
    def execute(self, sql, *values):
        self.connection.begins(sql)
        return super().execute(sql, *values)

    def executemany(self, sql, *values):
        self.connection.begins(sql)
        return super().executemany(sql, *values)


class _Connection(sqlite3.Connection):
    on_disk, wrote = True, False

    def cursor(self, factory=_Cursor):
        return super().cursor(_Cursor)

    def begins(self, sql):
        if self.on_disk and _now is not None and sql.lstrip().upper().startswith(WRITES):
            self.wrote = True
            _now.write()

    def commit(self):
        wrote, self.wrote = self.wrote, False
        if wrote and _now is not None and self.in_transaction:
            _now.commit(super().commit, super().rollback)
        else:
            super().commit()

    def backup(self, *words, **more):
        if self.on_disk and _now is not None:
            _now.write()
        return super().backup(*words, **more)


def _connecting(connect):
    def connected(database, *words, **more):
        more.setdefault("factory", _Connection)
        made = connect(database, *words, **more)
        if isinstance(made, _Connection):
            made.on_disk = ":memory:" not in str(database) and "mode=memory" not in str(database)
        return made

    return connected


def _syncing(sync):
    def synced(handle):
        if _now is not None:
            _now.sync(Path(os.readlink(f"/proc/self/fd/{handle}")))
        # what a sync is for is left out: in memory it costs, and is no more durable

    return synced


def _replacing(replace):
    def replaced(old, new, **more):
        if _now is not None:
            _now.replace(Path(old), Path(new))
        return replace(old, new, **more)

    return replaced


@contextmanager
def controlled():
    """Every connection, sync and rename of this process goes by the disk that is at work."""
    with (
        patch("sqlite3.connect", _connecting(sqlite3.connect)),
        patch("sqlite3.dbapi2.connect", _connecting(sqlite3.dbapi2.connect)),
        patch("os.fsync", _syncing(os.fsync)),
        patch("os.replace", _replacing(os.replace)),
    ):
        yield


@contextmanager
def at_work(disk: Disk | None):
    """This disk's machine acts."""
    global _now
    before, _now = _now, disk
    try:
        yield
    finally:
        _now = before
