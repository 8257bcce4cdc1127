"""What a logbook stands on: the time, durable transactions, and going on without a disk."""

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from store.db.connection import reading
from store.durability.memory_fallback import RETRY_S, MemoryFallback
from store.errors import StoreRefused
from store.facts import hybrid_clock


class DurableTransactions:
    """An open file, or database on a server, in which a transaction is there for good.

    Attributes
    ----------
    path : Path
    device, device_name : str
        The id of this copy and what people call it.
    mended : str or None
        A sentence when the logbook was found damaged and mended at opening.
    trouble : str or None
        A sentence while nothing can be saved and the logbook goes on in memory; it must be
        shown as long as it stands. Only a store opened to carry on does so.
    """

    def __init__(
        self,
        path: Path,
        engine: Engine,
        device: str,
        device_name: str,
        wall: Callable[[], float] = time.time,
        carry_on: bool = False,
    ):
        self.path = path
        self.device = device
        self.device_name = device_name
        self.mended: str | None = None
        self.trouble: str | None = None
        self.wall = wall
        self._use(engine)
        self._carry_on = carry_on
        self._memory: MemoryFallback | None = None
        self._tried = 0.0
        self._wall_off = 0.0
        # a trace is written beside the thread that writes taps: each waits for the other here
        self._turn = threading.RLock()

    def _use(self, engine: Engine) -> None:
        self._engine, self._writer = engine, engine.execution_options(write=True)

    # --------------------------------------------------------------------- time

    def now(self) -> float:
        """Return POSIX s UTC: the machine's clock, put right by satellite time where heard."""
        return self.wall() + self._wall_off

    def hear_time(self, t: float) -> None:
        """Hear the time a receiver gives just now, POSIX s UTC.

        A receiver that has not counted its weeks right is years off (GPS weeks roll over
        each 1024): a time before this program or after 2100 is not believed.
        """
        if hybrid_clock.FLOOR_MS <= t * 1000 < hybrid_clock.CEILING_MS:
            off = t - self.wall()
            self._wall_off = off if abs(off) > hybrid_clock.CLOCK_OFF_S else 0.0

    @property
    def clock_fault(self) -> str | None:
        """A sentence when satellites say this machine's clock is wrong; None if it is right."""
        return hybrid_clock.fault(self._wall_off)

    # ------------------------------------------------------------------ writing

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Yield a session whose end is one durable commit; on any error nothing is written."""
        with (
            self._in_words(),
            Session(self._writer, expire_on_commit=False) as session,
            session.begin(),
        ):
            yield session

    @contextmanager
    def _connected(self) -> Iterator[Connection]:
        """As `writing`, without the cost of a session: a tap is waited for."""
        with self._in_words(), self._writer.begin() as connection:
            yield connection

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except IntegrityError as error:
            raise ValueError(f"the row does not fit the others: {error.orig}") from error
        except DBAPIError as error:
            raise StoreRefused(
                f"Nothing was written to the logbook {self.path} ({error.orig}). "
                "Look whether the disk is full or the file has been taken away."
            ) from error

    def durably(self, work: Callable[[Any], Any], opened: Callable | None = None) -> Any:
        """Do work(session) in one durable transaction and return its result.

        If the disk cannot be written and this store carries on, the work is done once more, in
        memory, and `trouble` says so; every few seconds the file is tried again. Threads take
        their turn.
        """
        with self._turn:
            return self._durably(work, opened or self.writing)

    def _durably(self, work: Callable[[Any], Any], opened: Callable) -> Any:
        try:
            with opened() as session:
                done = work(session)
        except StoreRefused as refusal:
            if not self._carry_on or self._memory is not None:
                raise
            self.go_on_in_memory(str(refusal.__cause__.orig))
            with opened() as session:
                done = work(session)
        if self._memory is not None and time.monotonic() - self._tried > RETRY_S:
            self.come_home()
        return done

    def go_on_in_memory(self, why: str) -> None:
        """Keep all further rows in memory until the file can be written; see `trouble`."""
        try:
            self._memory = MemoryFallback(self.path)
        except (OSError, sqlite3.Error) as error:
            raise StoreRefused(
                f"The logbook {self.path} can neither be written ({why}) nor read ({error}). "
                "Look whether the disk has been taken away."
            ) from error
        self._home = self._engine
        self._use(self._memory.engine)
        self._tried = time.monotonic()
        self.trouble = (
            f"NOTHING IS BEING SAVED: the logbook cannot be written ({why}). What you do now is "
            "lost if the power goes. Make room, or put the disk back; it is saved by itself then."
        )

    def come_home(self) -> bool:
        """Try to write what is in memory to the file; say whether all is on disk now."""
        with self._turn:
            if self._memory is None:
                return True
            self._tried = time.monotonic()
            try:
                self._memory.come_home()
            except sqlite3.Error:
                return False
            self._memory.close()
            self._use(self._home)
            self._memory = self.trouble = None
            return True

    @contextmanager
    def session(self) -> Iterator[Session]:
        """Yield a SQLAlchemy session that can only read."""
        with reading(self._engine) as connection, Session(connection) as session:
            yield session

    def close(self) -> None:
        """Let go of the file, bringing home what is in memory if it can be."""
        self.come_home()
        self._engine.dispose()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
