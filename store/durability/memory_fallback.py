"""Going on in memory when the disk cannot be written, and coming home when it can again."""

import shutil
import sqlite3
import tempfile
import uuid
from contextlib import closing
from pathlib import Path

from sqlalchemy import Engine

from store.db.connection import connect_memory
from store.models import FACTS, Base, TraceTail

RETRY_S = 10.0


class MemoryFallback:
    """A logbook's rows in memory, to be brought back to its file later.

    Parameters
    ----------
    path : Path
        The file, which must still be readable.
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
        self.engine: Engine = connect_memory(name)

    def ask(self, query: str) -> tuple | None:
        """Return the first row of a query."""
        return self._alive.execute(query).fetchone()

    def come_home(self) -> None:
        """Write all that is new into the file, in one transaction.

        Raises
        ------
        sqlite3.Error
            If the file still cannot be written; then it is as it was.
        """
        with closing(sqlite3.connect(self.path, isolation_level=None, timeout=0.2)) as home:
            home.execute("PRAGMA synchronous=FULL")
            home.execute("PRAGMA foreign_keys=ON")
            home.execute("BEGIN IMMEDIATE")
            home.execute("PRAGMA defer_foreign_keys=ON")
            for table in Base.metadata.sorted_tables:
                self._bring(home, table.name, [c.name for c in table.primary_key])
            home.execute("COMMIT")

    def _bring(self, home: sqlite3.Connection, table: str, keys: list[str]) -> None:
        named = ", ".join(f'"{k}"' for k in keys)
        ask = f'SELECT {named} FROM "{table}"'
        there = set(home.execute(ask))
        here = set(self._alive.execute(ask))
        where = " AND ".join(f'"{k}" = ?' for k in keys)
        if table == TraceTail.__tablename__:
            home.executemany(f'DELETE FROM "{table}" WHERE {where}', there - here)
        settled = table in FACTS or table in ("page", TraceTail.__tablename__)
        for key in here - there if settled else here:
            row = self._alive.execute(f'SELECT * FROM "{table}" WHERE {where}', key)
            names = ", ".join(f'"{d[0]}"' for d in row.description)
            marks = ", ".join("?" * len(row.description))
            verb = "INSERT" if settled else "INSERT OR REPLACE"
            home.execute(f'{verb} INTO "{table}" ({names}) VALUES ({marks})', row.fetchone())

    def close(self) -> None:
        """Let go of what is in memory."""
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
