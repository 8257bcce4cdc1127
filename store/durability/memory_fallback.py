"""A logbook in memory while the disk cannot be written, and writing it back later."""

import shutil
import sqlite3
import tempfile
import uuid
from contextlib import closing
from pathlib import Path
from typing import Any

from store.db.connection import connect_memory
from store.models import FACTS, Base, TraceTail

RETRY_S = 10.0


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
        except (OSError, sqlite3.Error):
            self._alive.close()
            raise
        self.engine = connect_memory(name)

    def first_row(self, query: str) -> Any:
        """Return the first row of a query as a tuple; None if there is none."""
        return self._alive.execute(query).fetchone()

    def write_back(self) -> None:
        """Write all that is new into the file, in one transaction.

        Raises sqlite3.Error if the file still cannot be written; then it is as it was.
        """
        with closing(sqlite3.connect(self.path, isolation_level=None, timeout=0.2)) as file:
            file.execute("PRAGMA synchronous=FULL")
            file.execute("PRAGMA foreign_keys=ON")
            file.execute("BEGIN IMMEDIATE")
            file.execute("PRAGMA defer_foreign_keys=ON")
            for table in Base.metadata.sorted_tables:
                self._write_table(file, table.name, [c.name for c in table.primary_key])
            file.execute("COMMIT")

    def _write_table(self, file: sqlite3.Connection, table: str, keys: list[str]) -> None:
        named = ", ".join(f'"{k}"' for k in keys)
        query = f'SELECT {named} FROM "{table}"'
        there, here = set(file.execute(query)), set(self._alive.execute(query))
        where = " AND ".join(f'"{k}" = ?' for k in keys)
        if table == TraceTail.__tablename__:
            file.executemany(f'DELETE FROM "{table}" WHERE {where}', there - here)
        settled = table in FACTS or table in ("page", TraceTail.__tablename__)
        for key in here - there if settled else here:
            row = self._alive.execute(f'SELECT * FROM "{table}" WHERE {where}', key)
            names = ", ".join(f'"{d[0]}"' for d in row.description)
            marks = ", ".join("?" * len(row.description))
            verb = "INSERT" if settled else "INSERT OR REPLACE"
            file.execute(f'{verb} INTO "{table}" ({names}) VALUES ({marks})', row.fetchone())

    def close(self) -> None:
        self.engine.dispose()
        self._alive.close()


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
