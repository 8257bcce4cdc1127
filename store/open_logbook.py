"""Opening a logbook file: making it, migrating it, or refusing it with a sentence."""

import re
import sqlite3
import time
import uuid
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import Connection, Engine, insert, select
from sqlalchemy.exc import SQLAlchemyError

from store.db import schema_version
from store.db.connection import connect, connect_server
from store.durability import repair
from store.durability.memory_fallback import MemoryFallback
from store.errors import StoreRefused
from store.logbook import Store
from store.models import Own

KEEP_S = 86_400.0  # how old the copy kept beside a logbook may grow


def open_store(
    path: Path | str,
    device_name: str = "tablet",
    wall: Callable[[], float] = time.time,
    carry_on: bool = False,
) -> Store:
    """Open a logbook, making it (and its folder) if there is none.

    Parameters
    ----------
    path : Path or str
        The SQLite file, or the URL of a PostgreSQL database (``postgresql://...``).
    device_name : str
        What people call this tablet; used only when the file has no device of its own yet.
    wall : callable
        The machine's clock, POSIX seconds UTC; stamps are drawn from it.
    carry_on : bool
        Whether to go on in memory while the disk cannot be written (`Store.trouble`).

    Raises
    ------
    StoreRefused
        If the file is no logbook, is newer than this program, or cannot be read or written.

    Notes
    -----
    The file is checked at every opening. One that is damaged is mended from the copy kept
    beside it and what it still yields, and `Store.mended` says so. Before an older logbook is
    migrated, an exact copy is kept beside it. A migration is one transaction: it happens
    wholly or not at all.
    """
    if str(path).startswith(("postgresql:", "postgresql+")):
        return open_server(str(path), device_name, wall)
    path = Path(path).absolute()
    mended = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if repair.mended_path(path).exists():
            repair.put_in_place(path)
        try:
            revision = _look(path)
        except Damaged as damage:
            mended = repair.mend(path, str(damage))
            revision = _look(path)
        if revision is not None and revision != schema_version.head():
            _keep_copy(path, revision)
        engine = connect(path)
        own = _begin(engine, device_name)
        store = Store(path, engine, own.device, own.name, wall, carry_on)
        if _keep_due(path):
            with suppress(StoreRefused):  # no room for a second copy is no reason not to record
                store.keep()
    except (OSError, sqlite3.Error, SQLAlchemyError) as error:
        if carry_on and (found := _in_memory(path, wall, _reason(error))):
            return found
        raise StoreRefused(
            f"The logbook {path} cannot be opened for writing ({_reason(error)}). "
            "Look whether the folder is there, may be written to, and has room."
        ) from error
    store.mended = mended
    return store


def open_server(url: str, device_name: str, wall: Callable[[], float]) -> Store:
    """Open a logbook in a PostgreSQL database, making its tables if there are none.

    Raises
    ------
    StoreRefused
        If there is no driver, the server cannot be reached, or the logbook is newer.
    """
    shown = url.split("@")[-1].removeprefix("postgresql://")  # never the password
    try:
        engine = connect_server(re.sub(r"^postgresql:", "postgresql+psycopg:", url))
        with engine.connect() as connection:
            revision = schema_version.current(connection)
        if revision is not None and not schema_version.known(revision):
            raise _newer(shown)
        own = _begin(engine, device_name)
    except ImportError as error:
        raise StoreRefused(
            'A logbook on a PostgreSQL server needs the package psycopg. Install it with: pip install "psycopg[binary]"'
        ) from error
    except SQLAlchemyError as error:
        raise StoreRefused(
            f"The logbook on the server {shown} cannot be opened ({_reason(error).strip()}). "
            "Look whether the server runs and the name and password are right."
        ) from error
    return Store(Path(shown), engine, own.device, own.name, wall)


def _begin(engine: Engine, device_name: str):
    with engine.execution_options(write=True).begin() as connection:
        if schema_version.current(connection) != schema_version.head():
            schema_version.upgrade(connection)
        return _own(connection, device_name)


class Damaged(Exception):
    """The file was a logbook, but is not whole; says why."""


def _look(path: Path) -> str | None:
    """Return the file's schema revision without touching it; None if there is nothing yet.

    Raises
    ------
    Damaged
        If it is one of ours and not whole, or a copy kept beside it says it was one.
    """
    kept = repair.kept_path(path).exists()
    if not path.exists() or (path.is_file() and path.stat().st_size == 0):
        wal = path.with_name(path.name + "-wal")
        if not kept or (wal.exists() and wal.stat().st_size):
            return None
        raise Damaged("it was empty or gone")
    if not path.is_file():
        raise StoreRefused(f"{path} is not a file. Name the logbook file itself.")
    not_ours = StoreRefused(f"{path} is not a Rollbook logbook, so it was left alone. Name another file.")
    ours = False
    try:
        # Read-only, so that a stranger's file stays as it is, byte for byte.
        with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as raw:
            ours = raw.execute("PRAGMA application_id").fetchone()[0] == schema_version.APPLICATION_ID
            if not ours:
                raise sqlite3.DatabaseError("it is not one of ours")
            said = raw.execute("PRAGMA quick_check(1)").fetchone()[0]
            if said != "ok":
                raise Damaged(said)
            revision = raw.execute("SELECT version_num FROM alembic_version").fetchone()[0]
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError) and "no such table" not in str(error):
            raise  # ours perhaps, but it cannot be read: no room, no right, locked
        if kept or ours:
            raise Damaged(str(error)) from error
        raise not_ours from error
    if not schema_version.known(revision):
        raise _newer(str(path))
    return revision


def _newer(path: str) -> StoreRefused:
    return StoreRefused(
        f"The logbook {path} was written by a newer Rollbook than this one. "
        "It was left alone. Install the newer program on this machine and open it again."
    )


def _keep_due(path: Path) -> bool:
    """Say whether the kept copy is a day old, or lacking though there is something to keep."""
    kept = repair.kept_path(path)
    if kept.exists():
        return abs(time.time() - kept.stat().st_mtime) > KEEP_S
    with closing(sqlite3.connect(path)) as raw:
        return raw.execute("SELECT count(*) FROM (SELECT 1 FROM change LIMIT 1)").fetchone()[0] > 0


def _in_memory(path: Path, wall: Callable[[], float], why: str) -> Store | None:
    """Return a store that goes on in memory from a file that can only be read; None if it can't."""
    try:
        memory = MemoryFallback(path)
    except (OSError, sqlite3.Error):
        return None
    try:
        (ours,) = memory.ask("PRAGMA application_id")
        (revision,) = memory.ask("SELECT version_num FROM alembic_version")
        own = memory.ask("SELECT device, name FROM own")
    except sqlite3.Error:
        return None
    finally:
        memory.close()
    if ours != schema_version.APPLICATION_ID or revision != schema_version.head() or own is None:
        return None
    store = Store(path, connect(path), *own, wall, carry_on=True)
    store.go_on_in_memory(why)
    return store


def _keep_copy(path: Path, revision: str) -> Path:
    """Keep an exact copy of the file beside it, named by its revision and the time."""
    copy = path.with_name(f"{path.stem}-before-{revision}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite")
    with closing(sqlite3.connect(path)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)
    return copy


def _own(connection: Connection, device_name: str):
    """Return who this copy is, deciding it the first time (or after a backup is put back)."""
    found = connection.execute(select(Own.device, Own.name)).first()
    if found is None:
        connection.execute(
            insert(Own).values(
                device=str(uuid.uuid4()),
                name=device_name,
                private_key=Ed25519PrivateKey.generate().private_bytes_raw(),
            )
        )
        found = connection.execute(select(Own.device, Own.name)).first()
    return found


def _reason(error: Exception) -> str:
    return str(getattr(error, "orig", None) or getattr(error, "strerror", None) or error)
