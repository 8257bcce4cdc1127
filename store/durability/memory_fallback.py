"""A logbook in memory while the disk cannot be written, and writing it back later."""

import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Set
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from store.db.connection import connect_memory
from store.facts import reference_changes
from store.models import FACTS, REFERENCES, Base, Peer, SignedPage, TraceTail

RETRY_S = 10.0
Key = tuple[Any, ...]
_OWN = "SELECT device, next_seq, stamp, office FROM own"


class MemoryFallback:
    """A logbook's rows in memory.

    `path`: the file, which must still be readable.
    """

    def __init__(self, path: Path):
        self.path = path
        name = f"file:rollbook-{uuid.uuid4()}?mode=memory&cache=shared"
        self._alive = sqlite3.connect(name, uri=True, check_same_thread=False)
        try:
            _load(path, self._alive)
            self._base: tuple[str, int] = (self.first_row(_OWN) or ("", 0))[:2]
            self._tails = _rows(self._alive, TraceTail.__tablename__)
        except (OSError, sqlite3.Error):
            self._alive.close()
            raise
        self.engine = connect_memory(name)

    def first_row(self, query: str) -> Any:
        """Return the first row of a query as a tuple; None if there is none."""
        return self._alive.execute(query).fetchone()

    def write_back(self, engine: Engine) -> None:
        """Add all that is new to the file, in one transaction; what others wrote there meanwhile stays.

        Raises sqlite3.Error, SQLAlchemyError if the file still cannot be written; then it is as it was.
        """
        with engine.execution_options(write=True).connect() as connection:
            file: Any = connection.connection.driver_connection
            file.execute("PRAGMA busy_timeout=200")
            try:
                with connection.begin(), Session(connection) as session:
                    file.execute("PRAGMA defer_foreign_keys=ON")
                    self._follow_numbers(file)
                    changed = self._new_changes(file)
                    for table in (*FACTS, SignedPage.__tablename__, Peer.__tablename__):
                        self._add_rows(file, table)
                    self._write_tails(file)
                    for name, model in REFERENCES.items():
                        reference_changes.apply_changes(session, model, changed.get(name, ()))
                    session.commit()
            finally:
                with suppress(sqlite3.ProgrammingError):  # an interrupt in the middle of a statement has closed it
                    file.execute("PRAGMA busy_timeout=5000")

    def _follow_numbers(self, file: sqlite3.Connection) -> None:
        """Move the records of memory behind those the file has got, then move the file's next number behind both.

        Notes: No number of memory can be known elsewhere, for nothing is exported from here.
        """
        device, first, *_ = file.execute(_OWN).fetchone()
        was, base = self._base
        shift = first - base
        if (device, shift) != (was, 0):
            with self._alive as memory:
                for table in FACTS:  # by way of negative numbers, for none may be there twice at any time
                    memory.execute(f'UPDATE "{table}" SET seq = -seq WHERE device = ? AND seq >= ?', (was, base))
                    memory.execute(
                        f'UPDATE "{table}" SET seq = ? - seq, device = ?, stamp = substr(stamp, 1, 31) || ? '
                        "WHERE device = ? AND seq < 0",
                        (shift, device, device[:8], was),
                    )
                memory.execute("UPDATE own SET next_seq = next_seq + ?, device = ?", (shift, device))
            self._base = device, first
        _device, next_seq, stamp, office = self.first_row(_OWN)
        file.execute(
            "UPDATE own SET next_seq = ?, stamp = max(stamp, ?), office = coalesce(office, ?)",
            (next_seq, stamp, office),
        )

    def _new_changes(self, file: sqlite3.Connection) -> dict[str, list[str]]:
        """Return the reference rows, by table, that changes of memory are about."""
        there = set(file.execute('SELECT id FROM "change"'))
        found: dict[str, list[str]] = {}
        for key, table, row_id in self._alive.execute('SELECT id, "table", row_id FROM "change"'):
            if (key,) not in there:
                found.setdefault(table, []).append(row_id)
        return found

    def _add_rows(self, file: sqlite3.Connection, table: str, but: Set[Key] = frozenset()) -> None:
        """Write the rows of a table that are in memory only, except some."""
        keys = _keys(table)
        for key in _rows(self._alive, table) - _rows(file, table) - but:
            where = " AND ".join(f'"{k}" = ?' for k in keys)
            row = self._alive.execute(f'SELECT * FROM "{table}" WHERE {where}', key)
            names = ", ".join(f'"{d[0]}"' for d in row.description)
            marks = ", ".join("?" * len(row.description))
            file.execute(f'INSERT INTO "{table}" ({names}) VALUES ({marks})', row.fetchone())

    def _write_tails(self, file: sqlite3.Connection) -> None:
        """Add what was appended to traces in memory, and remove what was sealed there."""
        table = TraceTail.__tablename__
        self._add_rows(file, table, self._tails)
        where = " AND ".join(f'"{k}" = ?' for k in _keys(table))
        file.executemany(f'DELETE FROM "{table}" WHERE {where}', self._tails - _rows(self._alive, table))

    def close(self) -> None:
        self.engine.dispose()
        self._alive.close()


def _keys(table: str) -> list[str]:
    return [column.name for column in Base.metadata.tables[table].primary_key]


def _rows(of: sqlite3.Connection, table: str) -> set[Key]:
    """Return the primary keys of a table's rows."""
    names = ", ".join(f'"{k}"' for k in _keys(table))
    return set(of.execute(f'SELECT {names} FROM "{table}"'))


def _load(path: Path, into: sqlite3.Connection) -> None:
    try:
        with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as old:
            old.backup(into)
    except sqlite3.OperationalError:
        # On read-only media SQLite cannot read a file that has a log; a copy of both it can.
        with tempfile.TemporaryDirectory() as folder:
            for ending in ("", "-wal"):
                source = path.with_name(path.name + ending)
                if source.exists():
                    shutil.copyfile(source, Path(folder) / f"copy{ending}")
            with closing(sqlite3.connect(Path(folder) / "copy")) as old:
                old.backup(into)
