"""Engines for one logbook; every connection gets the same settings."""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL

# FULL, because with WAL and NORMAL the last commits may be lost at a power cut.
PRAGMAS = ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL", "PRAGMA foreign_keys=ON", "PRAGMA busy_timeout=5000")
ONE_WRITER = 0x526F6C6C  # the advisory lock that a writer holds in PostgreSQL
_READS = "query_only"  # of a connection: whether it refuses to write
json_text = partial(json.dumps, allow_nan=False, ensure_ascii=False)


def connect(path: Path) -> Engine:
    """Return an engine whose every connection has `PRAGMAS` set.

    Transactions begin explicitly, so that schema changes roll back too. With the execution option
    ``write=True`` one takes the write lock at once.
    """
    url = URL.create("sqlite", database=str(path))
    return _prepared(create_engine(url, json_serializer=json_text), PRAGMAS)


def connect_memory(name: str) -> Engine:
    """Return an engine on a shared SQLite database in memory, whose readers do not wait for the writer."""

    def open_one() -> sqlite3.Connection:
        return sqlite3.connect(name, uri=True, check_same_thread=False)

    engine = create_engine("sqlite://", creator=open_one, json_serializer=json_text, pool_size=20)
    return _prepared(engine, ("PRAGMA foreign_keys=ON", "PRAGMA read_uncommitted=ON"))


def connect_server(url: str) -> Engine:
    """Return an engine on a PostgreSQL database; a writing transaction waits for its turn."""
    engine = create_engine(url, json_serializer=json_text)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if connection.get_execution_options().get("write", False):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ONE_WRITER})")

    return engine


def _prepared(engine: Engine, pragmas: tuple[str, ...]) -> Engine:
    @event.listens_for(engine, "connect")
    def _set(raw: Any, _record: object) -> None:
        raw.isolation_level = None  # the driver must not begin or commit by itself
        for pragma in pragmas:
            raw.execute(pragma)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        raw: Any = connection.connection.driver_connection
        if not options.get("write", False):
            raw.execute("BEGIN")
            return
        if connection.info.pop(_READS, False):
            raw.execute("PRAGMA query_only=OFF")
        if options.get("rebuild", False):
            raw.execute("PRAGMA foreign_keys=OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


@contextmanager
def rebuilding(engine: Engine) -> Iterator[Connection]:
    """Yield a writing connection on which tables can be rebuilt: SQLite then does not enforce foreign keys."""
    try:
        with engine.execution_options(write=True, rebuild=True).begin() as connection:
            yield connection
    finally:
        engine.dispose()  # later connections enforce them


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """Yield a connection on which any attempt to write fails."""
    with engine.connect() as connection:
        if engine.dialect.name != "sqlite":
            connection.exec_driver_sql("SET TRANSACTION READ ONLY")
            yield connection
            connection.rollback()
            return
        if not connection.info.get(_READS, False):  # it stays so until it is to write
            raw: Any = connection.connection.driver_connection
            raw.execute("PRAGMA query_only=ON")
            connection.info[_READS] = True
        try:
            yield connection
        finally:
            connection.rollback()
