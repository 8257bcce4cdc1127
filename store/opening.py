"""Opening a logbook file: making it, migrating it, or refusing it with a sentence."""

import sqlite3
import time
import uuid
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import Connection, insert, select
from sqlalchemy.exc import SQLAlchemyError

from store import migrate
from store.book import Store
from store.db import connect
from store.errors import StoreRefused
from store.models import Own


def open_store(
    path: Path | str,
    device_name: str = "tablet",
    wall: Callable[[], float] = time.time,
) -> Store:
    """Open a logbook, making it (and its folder) if there is none.

    Parameters
    ----------
    path : Path or str
        The SQLite file.
    device_name : str
        What people call this tablet; used only when the file has no device of its own yet.
    wall : callable
        The machine's clock, POSIX seconds UTC; stamps are drawn from it.

    Raises
    ------
    StoreRefused
        If the file is no logbook, is newer than this program, or cannot be read or written.

    Notes
    -----
    Before an older logbook is migrated, an exact copy is kept beside it. A migration is one
    transaction: it happens wholly or not at all.
    """
    path = Path(path).absolute()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        revision = _look(path)
        if revision is not None and revision != migrate.head():
            _keep_copy(path, revision)
        engine = connect(path)
        with engine.execution_options(write=True).begin() as connection:
            if migrate.current(connection) != migrate.head():
                migrate.upgrade(connection)
            own = _own(connection, device_name)
    except (OSError, sqlite3.Error, SQLAlchemyError) as error:
        raise StoreRefused(
            f"The logbook {path} cannot be opened for writing ({_reason(error)}). "
            "Look whether the folder is there, may be written to, and has room."
        ) from error
    return Store(path, engine, own.device, own.name, wall)


def _look(path: Path) -> str | None:
    """Return the file's schema revision without touching it; None if there is nothing yet."""
    if not path.exists() or (path.is_file() and path.stat().st_size == 0):
        return None
    if not path.is_file():
        raise StoreRefused(f"{path} is not a file. Name the logbook file itself.")
    not_ours = StoreRefused(
        f"{path} is not a Rollbook logbook, so it was left alone. Name another file."
    )
    try:
        # Read-only, so that a stranger's file stays as it is, byte for byte.
        with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as raw:
            ours = raw.execute("PRAGMA application_id").fetchone()[0] == migrate.APPLICATION_ID
            if not ours:
                raise not_ours
            revision = raw.execute("SELECT version_num FROM alembic_version").fetchone()[0]
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError) and "no such table" not in str(error):
            raise  # ours perhaps, but it cannot be read: no room, no right, locked
        raise not_ours from error
    if not migrate.known(revision):
        raise StoreRefused(
            f"The logbook {path} was written by a newer Rollbook than this one. "
            "It was left alone. Install the newer program on this machine and open it again."
        )
    return revision


def _keep_copy(path: Path, revision: str) -> Path:
    """Keep an exact copy of the file beside it, named by its revision and the time."""
    copy = path.with_name(
        f"{path.stem}-before-{revision}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite"
    )
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
