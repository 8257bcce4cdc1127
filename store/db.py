"""The connection to one SQLite file: durable, checked, and the same on every connection."""

import json
from contextlib import contextmanager
from functools import partial
from pathlib import Path

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL

# FULL, because with WAL and NORMAL the last commits may vanish at a power cut.
PRAGMAS = (
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=FULL",
    "PRAGMA foreign_keys=ON",
    "PRAGMA busy_timeout=5000",
)


def connect(path: Path) -> Engine:
    """Return an engine whose every connection has `PRAGMAS` set.

    Transactions begin explicitly, so that schema changes roll back too. One opened with the
    execution option ``write=True`` takes the write lock at once instead of failing half-way.
    """
    engine = create_engine(
        URL.create("sqlite", database=str(path)),
        json_serializer=partial(json.dumps, allow_nan=False, ensure_ascii=False),
    )

    @event.listens_for(engine, "connect")
    def _set(raw, _record):
        raw.isolation_level = None  # the driver must not begin or commit by itself
        for pragma in PRAGMAS:
            raw.execute(pragma)

    @event.listens_for(engine, "begin")
    def _begin(connection):
        write = connection.get_execution_options().get("write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


@contextmanager
def reading(engine: Engine):
    """Yield a connection on which any attempt to write fails."""
    with engine.connect() as connection:
        raw = connection.connection.driver_connection
        raw.execute("PRAGMA query_only=ON")
        try:
            yield connection
        finally:
            connection.rollback()
            raw.execute("PRAGMA query_only=OFF")
