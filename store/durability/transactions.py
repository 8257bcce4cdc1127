"""Durable transactions, time, and memory mode while the disk cannot be written."""

import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import Any, Self

from sqlalchemy import Connection, Engine, select
from sqlalchemy.exc import DBAPIError, IntegrityError, SQLAlchemyError
from sqlalchemy.orm import Session

from store.db.connection import reading
from store.db.protocols import Result
from store.durability import process_lock
from store.durability.machine_binding import binding_of, renewal, write_binding
from store.durability.memory_fallback import RETRY_S, MemoryFallback
from store.errors import Message, StoreRefused, message
from store.models import Own

LOG = logging.getLogger("rollbook.store")


class DurableTransactions:
    """An open file, or database on a server, in which a committed transaction is on disk.

    `device`, `device_name`: the id of this copy and its name for people.
    `mended`: set when the logbook was found damaged and mended at opening.
    `renewed`: set when this copy went on as a new device, because its file was copied or put back.
    `trouble`: set while nothing can be saved and the logbook is in memory mode; it must be shown as long as it is set.
        Only a store opened with ``carry_on`` enters that mode.
    `clock`: tells POSIX s where the time is proven, else None; set by the session, whose clock is where that is known.
    `reads_only`: whether another process has the logbook, so that this store refuses to write.
    """

    def __init__(
        self,
        path: Path,
        engine: Engine,
        device: str,
        device_name: str,
        wall: Callable[[], float] = time.time,
        carry_on: bool = False,
        reads_only: bool = False,
    ):
        self.path = path
        self.reads_only = reads_only
        self._locked = not reads_only and engine.dialect.name == "sqlite"
        self.device = device
        self.device_name = device_name
        self.mended: Message | None = None
        self.renewed: Message | None = None
        self.trouble: Message | None = None
        self.wall = wall
        self.clock: Callable[[], float | None] | None = None
        self._use(engine)
        self._carry_on = carry_on
        self._memory: MemoryFallback | None = None
        self._tried = 0.0
        self._lock = threading.RLock()  # a trace is written by another thread than taps

    def _use(self, engine: Engine) -> None:
        self._engine, self._writer = engine, engine.execution_options(write=True)

    # --------------------------------------------------------------------- time

    def now(self) -> float:
        """Return POSIX s UTC: by `clock` where it knows, else by the machine's clock."""
        known = self.clock() if self.clock is not None else None
        return self.wall() if known is None else known

    # ------------------------------------------------------------------ writing

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Yield a session that ends in one durable commit; on any error nothing is written."""
        with self._refusing(), Session(self._writer, expire_on_commit=False) as session, session.begin():
            yield session

    @contextmanager
    def _connected(self) -> Iterator[Connection]:
        """Yield a writing connection, as `writing` without the cost of a session."""
        with self._refusing(), self._writer.begin() as connection:
            yield connection

    @contextmanager
    def _refusing(self) -> Iterator[None]:
        if self.reads_only:
            raise process_lock.in_use(self.path)
        try:
            yield
        except IntegrityError as error:
            raise ValueError(f"the row does not fit the others: {error.orig}") from error
        except DBAPIError as error:
            raise StoreRefused(
                "Nothing was written to the logbook {path} ({reason}). "
                "Look whether the disk is full or the file has been taken away.",
                path=self.path,
                reason=error.orig,
            ) from error

    def durably(self, work: Callable[[Session], Result]) -> Result:
        """Do work(session) in one durable transaction and return its result.

        If the disk cannot be written and this store carries on, the work is done in memory mode;
        every few seconds the file is tried again. One thread at a time.
        """
        return self._durably(work, self.writing)

    def _durably(self, work: Callable[[Any], Result], opened: Callable[[], AbstractContextManager[Any]]) -> Result:
        with self._lock:
            try:
                with opened() as session:
                    done = work(session)
            except StoreRefused as refusal:
                if not self._carry_on or self._memory is not None:
                    raise
                self.enter_memory_mode(str(refusal.message.values.get("reason", refusal)))
                with opened() as session:
                    done = work(session)
            if self._memory is not None and time.monotonic() - self._tried > RETRY_S:
                self.leave_memory_mode()
            return done

    def enter_memory_mode(self, why: str) -> None:
        """Keep all further rows in memory until the file can be written; see `trouble`."""
        try:
            self._memory = MemoryFallback(self.path)
        except (OSError, sqlite3.Error) as error:
            raise StoreRefused(
                "The logbook {path} can neither be written ({why}) nor read ({reason}). "
                "Look whether the disk has been taken away.",
                path=self.path,
                why=why,
                reason=error,
            ) from error
        self._file_engine = self._engine
        self._use(self._memory.engine)
        self._tried = time.monotonic()
        self.trouble = message(
            "NOTHING IS BEING SAVED: the logbook cannot be written ({why}). What you do now is "
            "lost if the power goes. Make room, or put the disk back; it is saved by itself then.",
            why=why,
        )

    def leave_memory_mode(self) -> bool:
        """Write what is in memory to the file; return whether all is on disk now."""
        with self._lock:
            if self._memory is None:
                return True
            self._tried = time.monotonic()
            try:
                self._memory.write_back(self._file_engine)
            except (sqlite3.Error, SQLAlchemyError):
                return False
            self._memory.close()
            self._use(self._file_engine)
            self._memory = self.trouble = None
            return True

    def bind(self) -> None:
        """Note beside the logbook which number is next here, so that an older file in its place is noticed."""
        if self._locked and self._memory is None:
            with suppress(SQLAlchemyError), self.session() as session:
                device, next_seq = session.execute(select(Own.device, Own.next_seq)).one()
                write_binding(self.path, binding_of(self.path, device, next_seq))

    def go_on_as(self, own: Own, how: Message) -> None:
        """Go on as a new device, which is in the logbook already; `renewed` says so and how that came."""
        self.device, self.device_name = own.device, own.name
        self.renewed = renewal(self.path, own.device, how)
        LOG.warning("%s", self.renewed)
        self.bind()

    @contextmanager
    def session(self) -> Iterator[Session]:
        """Yield a SQLAlchemy session that can only read."""
        with reading(self._engine) as connection, Session(connection) as session:
            yield session

    def close(self) -> None:
        """Close the file, first writing what is in memory to it if possible."""
        self.leave_memory_mode()
        self.bind()
        self._engine.dispose()
        if self._locked:
            self._locked = False
            process_lock.release(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
