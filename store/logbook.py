"""The logbook: facts added, reference rows put, both durable before the call returns."""

import sqlite3
import uuid
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Select, bindparam, insert, select, update
from sqlalchemy.orm import Session

from store.db.protocols import AnyFact
from store.durability import backup_copy, integrity_check, repair
from store.durability.transactions import DurableTransactions
from store.errors import Message, StoreRefused, message
from store.facts import device_identity, doubled_numbers, hybrid_clock, reference_changes, signed_pages
from store.facts.doubled_numbers import Doubled
from store.facts.record_id import new_id
from store.facts.succession import offices_here
from store.models import AnyRecord, AnyReference, Change, Fact, Farm, Job, Own, Record, Reference, Stint, job_id
from store.traces import trace_writer
from store.traces.trace_codec import Trace
from store.values import sound_rows, value_judge


@cache
def _rows_where(model: type[AnyRecord], columns: tuple[tuple[str, bool], ...]) -> Select[AnyRecord]:
    """The query for rows whose columns are NULL (True) or equal the parameters named as they are, oldest stamp first.

    Notes
    -----
    One statement stands for all values: to build it, and what names it among the compiled ones, took a third of a read.
    """
    wanted = (
        getattr(model, name).is_(None) if null else getattr(model, name) == bindparam(name) for name, null in columns
    )
    return select(model).where(*wanted).order_by(model.stamp, model.device, model.seq, model.id)


_NEXT = select(Own.device, Own.next_seq, Own.stamp)
_SET_NEXT = update(Own.__table__)


class Store(DurableTransactions):
    """One open logbook; see `store.open_store`, and `DurableTransactions` for its state."""

    # ------------------------------------------------------------------ writing

    def number(self, session: Session, row: AnyFact, after: str = "") -> AnyFact:
        """Give a fact its id, this device's next number, and a stamp later than `after`.

        The number is given in the caller's transaction: if that fails, it was never given.
        """
        own = session.scalars(select(Own)).one()
        own.stamp = hybrid_clock.next_stamp(own.stamp, self.now(), own.device)
        row.id = row.id or new_id(own.device)
        row.device, row.seq = own.device, own.next_seq
        row.stamp = own.stamp
        if after >= row.stamp:
            # A stamp of a wild clock: be later than it here without following it elsewhere.
            row.stamp = hybrid_clock.next_stamp(after, self.now(), own.device)
        own.next_seq += 1
        session.add(row)
        return row

    def add(self, row: AnyFact) -> AnyFact:
        """Record a fact durably and return it, detached.

        Raises ValueError if it names a row that is not there, or lacks a column.
        Raises StoreRefused if it could not be written (disk full, file gone).
        """
        if not isinstance(row, Fact) or isinstance(row, Change):
            raise ValueError(f"{type(row).__name__} is not added as a fact; use put")
        given = {n: getattr(row, n) for n in reference_changes.own_columns(type(row)) if n in row.__dict__}
        values = reference_changes.complete(type(row), given)
        value_judge.check(row.__tablename__, given)

        def work(connection: Connection) -> None:
            device, next_seq, stamp = connection.execute(_NEXT).one()
            stamp = hybrid_clock.next_stamp(stamp, self.now(), device)
            connection.execute(_SET_NEXT, {"next_seq": next_seq + 1, "stamp": stamp})
            values.update(id=row.id or new_id(device), device=device, seq=next_seq, stamp=stamp)
            connection.execute(insert(type(row).__table__), values)

        self._durably(work, self._connected)
        for name, value in values.items():
            setattr(row, name, value)
        return row

    def put(self, model: type[AnyReference], id: str | None = None, **columns: Any) -> AnyReference:
        """Create or edit a reference row durably and return it, detached.

        An edit records only what differs; if nothing does, nothing is recorded. A job's id
        follows from its field, operation and season, so starting the same job again finds it.

        Raises ValueError if a column is unknown or lacking, or a second farm is put.
        """
        if not issubclass(model, Reference):
            raise ValueError(f"{model.__name__} is not a reference table; use add")
        if issubclass(model, Job) and id is None:
            id = job_id(columns["field_id"], columns["operation"], columns["season"])
        return self.durably(lambda session: self._put(session, model, id, columns))

    def _put(
        self, session: Session, model: type[AnyReference], id: str | None, columns: dict[str, Any]
    ) -> AnyReference:
        old = session.get(model, id) if id else None
        if old is None:
            if issubclass(model, Farm) and session.scalars(select(Farm.id)).first():
                raise ValueError("this logbook has its farm; edit that one")
            new = reference_changes.complete(model, columns)
        else:
            new = reference_changes.differing(old, columns)
        value_judge.check(model.__tablename__, new)
        if old is not None:
            if not new:
                return old
            if isinstance(old, Job) and new.keys() & {"field_id", "operation", "season"}:
                raise ValueError("a job's field, operation and season are its id; put another job")
        change = Change(table=model.__tablename__, row_id=id or str(uuid.uuid4()), columns=new)
        self.number(session, change, reference_changes.newest(session, change.row_id))
        session.flush()
        reference_changes.apply_changes(session, model, [change.row_id])
        return session.get_one(model, change.row_id)

    def remove(self, model: type[AnyReference], id: str) -> AnyReference:
        """Mark a reference row as `gone`; `put(model, id, gone=False)` restores it.

        Facts that name it keep doing so; no copy ever deletes a row.
        """
        return self.put(model, id, gone=True)

    def trace(self, stint_id: str) -> trace_writer.TraceWriter:
        """Return the writer of a stint's trace, continuing where it ended."""
        return trace_writer.TraceWriter(self, stint_id)

    def seal_traces(self) -> None:
        """Seal every open trace, so that a bundle can carry it."""
        trace_writer.seal_all(self)

    def seal_pages(self) -> None:
        """Sign this device's facts that are not signed yet; see `store.facts.signed_pages`."""
        signed_pages.seal_pages(self)
        self.bind()

    # ------------------------------------------------------------------ reading

    def get(self, model: type[AnyRecord], id: str) -> AnyRecord | None:
        """Return the row with this id, detached, or None."""
        with self.session() as session:
            row = session.get(model, id)
        self._make_sound([row] if row is not None else [])
        return row

    def all(self, model: type[AnyRecord], **equal: Any) -> list[AnyRecord]:
        """Return the rows whose columns equal these values, oldest stamp first, detached.

        Reference rows that are gone are left out unless `gone` is asked for.
        """
        if issubclass(model, Reference):
            equal.setdefault("gone", False)
        query = _rows_where(model, tuple((name, value is None) for name, value in equal.items()))
        with self.session() as session:
            rows = list(session.scalars(query, equal))
        self._make_sound(rows)
        return rows

    def _make_sound(self, rows: Sequence[Record]) -> None:
        """Let rows be read whatever a bundle brought; see `store.values.sound_rows`."""

        def history(row: Record) -> list[dict[str, Any]]:
            with self.session() as session:
                return reference_changes.history(session, row)

        sound_rows.make_sound(rows, history)

    def read_trace(self, stint_id: str) -> Trace:
        """Return a stint's whole trace as arrays, the unsealed tail included."""
        with self.session() as session:
            return trace_writer.read_trace(session, stint_id)

    # -------------------------------------------------------------------- copies

    def backup(self, folder: Path | str, keep: int | None = None) -> Path:
        """Write a verified copy into a folder and return its path; see `store.durability.backup_copy`.

        With `keep`, all but the newest so many backups of this logbook there are removed.
        """
        if self._engine.dialect.name != "sqlite":
            raise StoreRefused(
                "A logbook on a PostgreSQL server is backed up there. Ask who looks after the server, or use pg_dump."
            )
        if self.trouble:
            raise StoreRefused("No backup was written. {trouble}", trouble=self.trouble)
        if keep is not None and keep < 1:
            raise StoreRefused("At least one backup has to be kept; nothing was done.")
        self.seal_traces()  # or two devices would later seal the same tail
        self.seal_pages()  # only this device can sign them
        path = backup_copy.backup(self.path, Path(folder))
        if keep is not None:
            backup_copy.prune_backups(path, self.path.stem, keep)
        return path

    def check(self) -> list[Message]:
        """Return what is wrong with this logbook as sentences; see `store.durability.integrity_check`."""
        with self.session() as session:
            return integrity_check.check(session)

    def missing(self) -> list[Message]:
        """Return which records are missing here as sentences; a backup lacks them too."""
        with self.session() as session:
            return integrity_check.missing_records(session)

    def end_doubled(self) -> list[Message]:
        """End that two machines write as one device (`store.facts.doubled_numbers`); return sentences on each.

        Raises StoreRefused if that is the office's to say, and the office another copy.
        """

        def work(session: Session) -> tuple[list[Doubled], Own | None]:
            own, found, new = session.scalars(select(Own)).one(), doubled_numbers.doubled(session), None
            for one in found:
                if one.device == own.device:
                    new = device_identity.renew(session, self.now(), one.first)
                elif (offices := offices_here(session)) and own.device not in offices:
                    raise StoreRefused("That two machines write as {name} is ended at the office.", name=one.name)
                else:
                    device_identity.retire(session, one.device, one.first, None, self.now())
            return found, new

        found, new = self.durably(work)
        if new is not None:
            self.go_on_as(new, message("another machine has written as the same device"))
        return [
            message(
                "Ended: each machine that has written as {name} ({device}) goes on as a device of its own when it next "
                "exchanges.",
                name=one.name,
                device=one.device[:8],
            )
            for one in found
        ]

    def begin_empty(self, folder: Path) -> Path:
        """Set the farm that was begun here aside, as a backup in a folder, and begin empty as a new device; return the backup.

        Raises StoreRefused if there is work in it, or the backup cannot be written.
        """
        if self.all(Stint):
            raise StoreRefused("There is work in this logbook already, so it is not thrown away.")
        path = self.backup(folder)
        new = self.durably(device_identity.begin_empty)
        self.go_on_as(new, message("the farm begun here was set aside, to join another"))
        self.keep()
        return path

    def keep(self) -> None:
        """Keep a copy beside the logbook, from which it is mended should it be damaged.

        Raises StoreRefused if it cannot be written; the last one is then still there.
        """
        if self._engine.dialect.name != "sqlite" or self._memory is not None:
            return
        try:
            repair.keep(self.path)
        except (OSError, sqlite3.Error) as error:
            raise StoreRefused(
                "No copy of the logbook could be kept beside {path} ({reason}). Look whether the disk is full.",
                path=self.path,
                reason=error,
            ) from error
