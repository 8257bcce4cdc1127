"""The logbook: facts added, reference rows put, both durable before the call returns."""

import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

from sqlalchemy import Engine, select
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.orm import Session

from store import backup, changes, check, clock, traces
from store.db import reading
from store.errors import StoreRefused
from store.models import Change, Fact, Farm, Job, Own, Reference, Row, job_id
from store.packing import Trace

AnyRow = TypeVar("AnyRow", bound=Row)


class Store:
    """One open logbook file; see `store.open_store`.

    Attributes
    ----------
    path : Path
    device, device_name : str
        The id of this copy and what people call it.
    """

    def __init__(
        self,
        path: Path,
        engine: Engine,
        device: str,
        device_name: str,
        wall: Callable[[], float] = time.time,
    ):
        self.path = path
        self.device = device
        self.device_name = device_name
        self._engine = engine
        self._writer = engine.execution_options(write=True)
        self.wall = wall

    # ------------------------------------------------------------------ writing

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Yield a session whose end is one durable commit; on any error nothing is written."""
        try:
            with Session(self._writer, expire_on_commit=False) as session, session.begin():
                yield session
        except IntegrityError as error:
            raise ValueError(f"the row does not fit the others: {error.orig}") from error
        except DBAPIError as error:
            raise StoreRefused(
                f"Nothing was written to the logbook {self.path} ({error.orig}). "
                "Look whether the disk is full or the file has been taken away."
            ) from error

    def number(self, session: Session, row: Fact, after: str = "") -> Fact:
        """Give a fact its id, this device's next number, and a stamp later than `after`.

        The number is spent in the caller's transaction: if that fails, it was never given.
        """
        own = session.scalars(select(Own)).one()
        own.stamp = clock.next_stamp(own.stamp, self.wall(), self.device)
        row.id = row.id or str(uuid.uuid4())
        row.device, row.seq = self.device, own.next_seq
        row.stamp = own.stamp
        if after >= row.stamp:
            # A stamp from a wild clock was read: beat it here without following it elsewhere.
            row.stamp = clock.next_stamp(after, self.wall(), self.device)
        own.next_seq += 1
        session.add(row)
        return row

    def add(self, row: Fact) -> Fact:
        """Record a fact durably and return it, detached.

        Raises
        ------
        ValueError
            If it names a row that is not there, or lacks a column.
        StoreRefused
            If it could not be written (disk full, file gone).
        """
        if not isinstance(row, Fact) or isinstance(row, Change):
            raise ValueError(f"{type(row).__name__} is not added as a fact; use put")
        given = {n: getattr(row, n) for n in changes.own_columns(type(row)) if n in row.__dict__}
        for name, value in changes.complete(type(row), given).items():
            setattr(row, name, value)
        with self.writing() as session:
            self.number(session, row)
        return row

    def put(self, model: type[AnyRow], id: str | None = None, **columns) -> AnyRow:
        """Create or edit a reference row durably and return it, detached.

        An edit records only what differs; if nothing does, nothing is recorded. A job's id
        follows from its field, operation and season, so starting the same job again finds it.

        Raises
        ------
        ValueError
            If a column is unknown or lacking, or a second farm is put.
        """
        if not issubclass(model, Reference):
            raise ValueError(f"{model.__name__} is not a reference table; use add")
        if model is Job and id is None:
            id = job_id(columns["field_id"], columns["operation"], columns["season"])
        with self.writing() as session:
            old = session.get(model, id) if id else None
            if model is Farm and old is None and session.scalars(select(Farm.id)).first():
                raise ValueError("this logbook has its farm; edit that one")
            said = changes.differing(old, columns) if old else changes.complete(model, columns)
            if old is not None and not said:
                return old
            if old is not None and model is Job and said.keys() - {"target"}:
                raise ValueError("a job's field, operation and season are its id; put another job")
            change = Change(table=model.__tablename__, row_id=id or str(uuid.uuid4()), columns=said)
            after = changes.newest(session, change.row_id)
            self.number(session, change, after)
            session.flush()
            changes.fold(session, model, change.row_id)
            session.flush()
            return session.get(model, change.row_id)

    def trace(self, stint_id: str) -> traces.TraceWriter:
        """Return the writer of a stint's trace, going on where it ended."""
        return traces.TraceWriter(self, stint_id)

    def seal_traces(self) -> None:
        """Seal every open trace, so that a bundle can carry it."""
        traces.seal_all(self)

    # ------------------------------------------------------------------ reading

    @contextmanager
    def session(self) -> Iterator[Session]:
        """Yield a SQLAlchemy session that can only read."""
        with reading(self._engine) as connection, Session(connection) as session:
            yield session

    def get(self, model: type[AnyRow], id: str) -> AnyRow | None:
        """Return the row with this id, detached, or None."""
        with self.session() as session:
            return session.get(model, id)

    def all(self, model: type[AnyRow], **equal) -> list[AnyRow]:
        """Return the rows whose columns equal these values, oldest stamp first, detached."""
        query = select(model).filter_by(**equal).order_by(model.stamp, model.device, model.seq)
        with self.session() as session:
            return list(session.scalars(query))

    def read_trace(self, stint_id: str) -> Trace:
        """Return a stint's whole trace as arrays, the unsealed tail included."""
        with self.session() as session:
            return traces.read_trace(session, stint_id)

    # -------------------------------------------------------------------- keeping

    def backup(self, folder: Path | str) -> Path:
        """Write a verified copy into a folder and return its path; see `store.backup`."""
        self.seal_traces()  # or two devices would later seal the same tail
        return backup.backup(self.path, Path(folder))

    def check(self) -> list[str]:
        """Return what is wrong with this logbook as sentences; see `store.check`."""
        with self.session() as session:
            return check.check(session)

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
