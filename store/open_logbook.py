"""Opens a logbook: makes it, migrates it, mends it, or refuses it with a sentence."""

import glob
import logging
import re
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, insert, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from store.db import schema_version
from store.db.connection import connect, connect_server, rebuilding
from store.durability import creation, machine_binding, process_lock, repair
from store.durability.atomic_file import create_private, narrow
from store.durability.memory_fallback import MemoryFallback
from store.errors import Message, StoreRefused
from store.facts import device_identity
from store.logbook import Store
from store.models import Own

LOG = logging.getLogger("rollbook.store")
KEEP_S = 86_400.0  # greatest age of the copy kept beside a logbook


def open_store(
    path: Path | str, device_name: str = "tablet", wall: Callable[[], float] = time.time, carry_on: bool = False
) -> Store:
    """Open a logbook, making it (and its folder) if there is none.

    `path`: the SQLite file, or the URL of a PostgreSQL database (``postgresql://...``).
    `device_name`: name of this tablet for people; used only when the file has no device of its own yet.
    `wall`: the machine's clock, POSIX seconds UTC.
    `carry_on`: whether to enter memory mode while the disk cannot be written (`Store.trouble`).

    Raises StoreRefused if the file is no logbook, is newer than this program, cannot be read or written, or, with
        `carry_on`, is open in another process. Without, it is then opened for reading (`Store.reads_only`).

    Notes: A file that was copied or put back goes on as a new device (`store.durability.machine_binding`), and
    `Store.renewed` says so. A logbook is made whole or not at all, and a half-made one of an earlier program is made again
    (`store.durability.creation`). The file is checked at every opening. A damaged one is mended (`store.durability.repair`), and `Store.mended`
    says so. Before an older logbook is migrated, in one transaction, an exact copy is kept beside it.
    """
    if str(path).startswith(("postgresql:", "postgresql+")):
        return open_server(str(path), device_name, wall)
    path = Path(path).absolute()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        new = not process_lock.lock_path(path).exists()
        if not process_lock.acquire(path):
            return _beside_another(path, wall, carry_on)
    except OSError as error:
        raise _not_opened(path, error) from error
    try:
        return _open(path, device_name, wall, carry_on)
    except BaseException as error:
        process_lock.release(path, remove=new)
        if isinstance(error, (OSError, sqlite3.Error, SQLAlchemyError)):
            raise _not_opened(path, error) from error
        raise


def _open(path: Path, device_name: str, wall: Callable[[], float], carry_on: bool) -> Store:
    """Open a logbook whose lock is held."""
    mended = None
    try:
        if repair.mended_path(path).exists():
            creation.put_in_place(repair.mended_path(path), path)
        try:
            revision = _revision(path)
        except Damaged as damage:
            mended = repair.mend(path, str(damage))
            revision = _revision(path)
        if revision is None:
            creation.make_logbook(path, lambda connection: _identity(connection, device_name))
        elif revision != schema_version.head():
            _keep_copy(path, revision)
        engine = connect(path)
        if revision not in (None, schema_version.head()):
            with rebuilding(engine) as connection:
                schema_version.upgrade(connection)
        own, how = _bound(path, engine, device_name)
        store = Store(path, engine, own.device, own.name, wall, carry_on)
        if how is not None:
            store.go_on_as(own, how)
        _keep_private(path)
        if _keep_due(path):
            with suppress(StoreRefused):  # no room for a second copy is no reason not to record
                store.keep()
    except (OSError, sqlite3.Error, SQLAlchemyError) as error:
        if carry_on and (found := _in_memory(path, wall, _reason(error))):
            return found
        raise
    store.mended = mended
    return store


def _beside_another(path: Path, wall: Callable[[], float], carry_on: bool) -> Store:
    """Open a logbook that another process has, for reading.

    Raises StoreRefused if it is to be carried on with, or the other process has not opened it yet.
    """
    if carry_on:
        raise process_lock.in_use(path)
    try:
        with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as raw:
            found = _own_of(lambda query: raw.execute(query).fetchone())
    except sqlite3.Error:
        found = None
    if found is None:
        raise process_lock.in_use(path)
    return Store(path, connect(path), *found, wall, reads_only=True)


def _not_opened(path: Path, error: Exception) -> StoreRefused:
    return StoreRefused(
        "The logbook {path} cannot be opened for writing ({reason}). "
        "Look whether the folder is there, may be written to, and has room.",
        path=path,
        reason=_reason(error),
    )


def open_server(url: str, device_name: str, wall: Callable[[], float]) -> Store:
    """Open a logbook in a PostgreSQL database, making its tables if there are none.

    Raises StoreRefused if there is no driver, the server cannot be reached, or the logbook is newer.
    """
    shown = url.split("@")[-1].removeprefix("postgresql://")  # without the password
    try:
        engine = connect_server(re.sub(r"^postgresql:", "postgresql+psycopg:", url))
        with engine.connect() as connection:
            revision = schema_version.current(connection)
        if revision is not None and not schema_version.known(revision):
            raise _newer(shown)
        store = Store(Path(shown), engine, *_begin(engine, device_name), wall)
        _bind_server(store, engine)
    except ImportError as error:
        raise StoreRefused(
            'A logbook on a PostgreSQL server needs the package psycopg. Install it with: pip install "psycopg[binary]"'
        ) from error
    except SQLAlchemyError as error:
        raise StoreRefused(
            "The logbook on the server {server} cannot be opened ({reason}). "
            "Look whether the server runs and the name and password are right.",
            server=shown,
            reason=_reason(error).strip(),
        ) from error
    return store


def _bind_server(store: Store, engine: Engine) -> None:
    """Bind a logbook to its place on a server; one that does not belong there goes on as a new device."""
    with Session(engine.execution_options(write=True), expire_on_commit=False) as session, session.begin():
        how, own = machine_binding.bind_server(session.connection()), session.scalars(select(Own)).one()
        renewed = device_identity.renew(session, store.now()) if how and own.next_seq > 1 else None
    if how and renewed is not None:
        store.go_on_as(renewed, how)


def _bound(path: Path, engine: Engine, device_name: str) -> tuple[Own, Message | None]:
    """Bind a logbook to its machine and place; return who it is, and how it came here if it goes on as a new device."""
    how = None
    with Session(engine.execution_options(write=True), expire_on_commit=False) as session, session.begin():
        own = session.scalars(select(Own)).first()
        if own is None:  # a backup
            session.add(own := device_identity.new_own(device_name))
            session.flush()
        here = machine_binding.binding_of(path, own.device, own.next_seq)
        pragma = session.connection().exec_driver_sql
        bound = pragma("PRAGMA user_version").scalar() == machine_binding.BOUND
        if bound and (how := machine_binding.strayed(path, here)):
            own = device_identity.renew(session)
            here = machine_binding.binding_of(path, own.device, own.next_seq)
        if machine_binding.write_binding(path, here) and not bound:
            pragma(f"PRAGMA user_version={machine_binding.BOUND}")
    return own, how


def _begin(engine: Engine, device_name: str) -> tuple[str, str]:
    """Bring the schema of a server's logbook up to date; return the device and name of this copy, made if it has none yet."""
    with rebuilding(engine) as connection:
        return _identity(connection, device_name)


def _identity(connection: Connection, device_name: str) -> tuple[str, str]:
    schema_version.upgrade(connection)
    if (found := connection.execute(select(Own.device, Own.name)).first()) is None:
        own = device_identity.new_own(device_name)
        connection.execute(insert(Own).values(device=own.device, name=own.name, private_key=own.private_key))
        return own.device, own.name
    return found.device, found.name


class Damaged(Exception):
    """The file was a logbook, but is not whole; the text says why."""


def _revision(path: Path) -> str | None:
    """Return the file's schema revision, reading only; None if there is nothing yet.

    Raises Damaged if it is a logbook and not whole, or a kept copy shows that it was one.
    """
    kept = repair.kept_path(path).exists()
    if not path.exists() or (path.is_file() and path.stat().st_size == 0):
        wal = path.with_name(path.name + "-wal")
        if not kept or (wal.exists() and wal.stat().st_size):
            return None
        raise Damaged("it was empty or gone")
    if not path.is_file():
        raise StoreRefused("{path} is not a file. Name the logbook file itself.", path=path)
    ours, half_made = False, not kept and creation.half_made(path)
    if half_made and path.with_name(path.name + "-journal").exists():
        return None  # a first start cut off so early that SQLite takes its first page back
    try:
        if schema_version.is_ours(path):
            creation.take_back(path)
        # Read-only, so that another program's file stays as it is, byte for byte.
        with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as raw:
            ours = raw.execute("PRAGMA application_id").fetchone()[0] == schema_version.APPLICATION_ID
            if not ours and half_made:
                return None
            if not ours:
                raise sqlite3.DatabaseError("it is not one of ours")
            result = raw.execute("PRAGMA quick_check(1)").fetchone()[0]
            if result != "ok":
                raise Damaged(result)
            revision = str(raw.execute("SELECT version_num FROM alembic_version").fetchone()[0])
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError) and "no such table" not in str(error):
            raise  # ours perhaps, but it cannot be read: no room, no right, locked
        if kept or ours:
            raise Damaged(str(error)) from error
        if half_made:
            return None
        raise StoreRefused(
            "{path} is not a Rollbook logbook, so it was left alone. Name another file.", path=path
        ) from error
    if not schema_version.known(revision):
        raise _newer(str(path))
    return revision


def _newer(path: str) -> StoreRefused:
    return StoreRefused(
        "The logbook {path} was written by a newer Rollbook than this one. "
        "It was left alone. Install the newer program on this machine and open it again.",
        path=path,
    )


def _keep_due(path: Path) -> bool:
    """Return whether the kept copy is a day old, or lacking though there is something to keep."""
    kept = repair.kept_path(path)
    if kept.exists():
        return abs(time.time() - kept.stat().st_mtime) > KEEP_S
    with closing(sqlite3.connect(path)) as raw:
        return raw.execute("SELECT 1 FROM change LIMIT 1").fetchone() is not None


def _in_memory(path: Path, wall: Callable[[], float], why: str) -> Store | None:
    """Return a store in memory mode from a file that can only be read; None if it cannot be."""
    try:
        with closing(MemoryFallback(path)) as memory:
            own = _own_of(memory.first_row)
    except (OSError, sqlite3.Error):
        return None
    if own is None:
        return None
    store = Store(path, connect(path), *own, wall, carry_on=True)
    store.enter_memory_mode(why)
    return store


def _own_of(first_row: Callable[[str], Any]) -> tuple[str, str] | None:
    """Return the device and name of a logbook; None if it is none of this program's."""
    (ours,) = first_row("PRAGMA application_id")
    (revision,) = first_row("SELECT version_num FROM alembic_version")
    own: tuple[str, str] | None = first_row("SELECT device, name FROM own")
    return own if ours == schema_version.APPLICATION_ID and revision == schema_version.head() else None


def _keep_private(path: Path) -> None:
    """Take from all but the owner the right to read a logbook, its key, and what lies beside it."""
    files = [*path.parent.glob(f"{glob.escape(path.name)}*"), *path.parent.glob(f"{glob.escape(path.stem)}-*")]
    if narrowed := narrow(file for file in files if file.is_file() and file.suffix != ".lock"):
        LOG.warning("others could read %s until now", ", ".join(file.name for file in narrowed))


def _keep_copy(path: Path, revision: str) -> None:
    """Keep an exact copy of the file beside it, named by its revision and the time."""
    copy = path.with_name(f"{path.stem}-before-{revision}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}.sqlite")
    create_private(copy)
    with closing(sqlite3.connect(path)) as old, closing(sqlite3.connect(copy)) as new:
        old.backup(new)


def _reason(error: Exception) -> str:
    return str(getattr(error, "orig", None) or getattr(error, "strerror", None) or error)
