"""Repairs a damaged logbook from the copy kept beside it and from what the file still yields.

Notes: A power cut at any moment loses nothing: the damaged file and its log are copied aside, a new logbook is built
and synced as ``<name>-mended.sqlite``, and only then are the damaged file and its log replaced. A mended file found at
opening is put in place first.

SQLite's own trees are not rewritten: if the first page of the file or of a table is destroyed, the
rows that page leads to are read from the kept copy alone. What was written since comes back with a
bundle of any copy that has merged it.
"""

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.db import schema_version
from store.db.bulk_insert import insert_rows
from store.db.connection import connect, rebuilding
from store.durability.atomic_file import create_private, write_atomically
from store.durability.creation import put_in_place
from store.durability.integrity_check import holes, tallies
from store.errors import Message, message, plural
from store.facts import reference_changes
from store.facts.fact_lines import InvalidFact, parse_lines
from store.facts.fact_validation import Rows, read_page
from store.facts.signed_pages import numbered_lines, public_key_of
from store.models import FACTS, REFERENCES, Base, Change, Own, Peer, Reference, SignedPage, TraceTail

LARGEST_ROWID = 2**40


def kept_path(path: Path) -> Path:
    """Return where the kept copy of a logbook lies."""
    return path.with_name(f"{path.stem}-kept.sqlite")


def mended_path(path: Path) -> Path:
    """Return where a mended logbook waits to be put in place."""
    return path.with_name(f"{path.stem}-mended.sqlite")


def keep(path: Path) -> None:
    """Keep a copy of a sound logbook beside it, identity and all, in place of the last one."""
    with (
        write_atomically(kept_path(path), private=True) as beside,
        closing(sqlite3.connect(path)) as old,
        closing(sqlite3.connect(beside)) as new,
    ):
        old.backup(new)
        new.execute("PRAGMA journal_mode=DELETE")
        if new.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise sqlite3.DatabaseError("the copy is not whole")


def mend(path: Path, why: str) -> Message:
    """Build a sound logbook, put it in the damaged one's place, and return sentences on the result.

    Raises sqlite3.Error, OSError if it cannot be done; then the damaged file lies where it lay.
    """
    kept = kept_path(path)
    aside = path.with_name(f"{path.stem}-damaged-{datetime.now(UTC):%Y%m%dT%H%M%S%fZ}.sqlite")
    for ending in ("", "-wal"):
        source = path.with_name(path.name + ending)
        if source.exists():
            create_private(aside.with_name(aside.name + ending))
            shutil.copyfile(source, aside.with_name(aside.name + ending))
    with write_atomically(mended_path(path), private=True) as beside:
        if kept.exists():
            shutil.copyfile(kept, beside)
        engine = connect(beside)
        try:
            with rebuilding(engine) as connection:
                schema_version.upgrade(connection)
            before = _count(beside)
            identity = _salvage(aside, beside)
            with Session(engine.execution_options(write=True)) as session, session.begin():
                _from_pages(session)
                for model in REFERENCES.values():
                    reference_changes.apply_changes(session, model, _complete_rows(session, model))
                _restore_identity(session, identity)
                lost = sum(last - first + 1 for ranges in holes(session).values() for first, last in ranges)
        finally:
            engine.dispose()
        with closing(sqlite3.connect(beside)) as raw:
            raw.execute("PRAGMA journal_mode=DELETE")  # one file, no log beside it
        found = _count(beside) - before
    put_in_place(mended_path(path), path)
    return message(
        "The logbook {path} was damaged ({why}) and has been mended. {kept} records came from the copy kept beside it "
        "and {found} from the damaged file, which is kept as {aside}. {identity} {missing} A bundle of another tablet "
        "or of the office brings back all that it has merged from here. Run check to see whether anything is missing.",
        path=path,
        why=why,
        kept=before,
        found=found,
        aside=aside.name,
        identity=message("It is the same device as before.")
        if identity
        else message("Its own number could not be read: it goes on as a new device, and its last records may be lost."),
        missing=plural(
            "{count} record is missing by its number.", "{count} records are missing by their numbers.", lost
        ),
    )


def _count(path: Path) -> int:
    with closing(sqlite3.connect(path)) as raw:
        return sum(raw.execute(f'SELECT count(*) FROM "{t}"').fetchone()[0] for t in FACTS)


def _salvage(damaged: Path, into: Path) -> dict[str, Any] | None:
    """Copy every row that can still be read and is not there yet; return the identity of the file."""
    identity = None
    with closing(sqlite3.connect(into)) as new, closing(sqlite3.connect(damaged)) as old:
        new.execute("PRAGMA foreign_keys=OFF")
        old.row_factory = sqlite3.Row
        new.execute("DELETE FROM trace_tail")  # of the kept copy: long sealed since
        models: list[type[Base]] = [*FACTS.values(), SignedPage, Peer, TraceTail, Own]
        for model in models:
            table = model.__table__
            for row in _readable(old, table.name):
                values = {n: row[n] for n in row.keys() if n in table.columns}  # noqa: SIM118
                if model is Own:
                    identity = values
                    continue
                names, marks = ", ".join(f'"{n}"' for n in values), ", ".join("?" * len(values))
                with suppress(sqlite3.Error):  # a row that lacks what every row has
                    new.execute(
                        f'INSERT OR IGNORE INTO "{table.name}" ({names}) VALUES ({marks})', tuple(values.values())
                    )
        _drop_orphans(new)
        new.commit()
    return identity


def _readable(old: sqlite3.Connection, table: str) -> Iterator[sqlite3.Row]:
    """Yield the rows of a table that can be read, skipping those that cannot."""
    try:
        top = old.execute(f'SELECT max(rowid) FROM "{table}"').fetchone()[0]
    except sqlite3.Error:
        top = None
    place, step = -1, 1
    while place <= (LARGEST_ROWID if top is None else top):
        try:
            query = f'SELECT rowid AS _place, * FROM "{table}" WHERE rowid > ? ORDER BY rowid'
            for row in old.execute(query, (place,)):
                place, step = row["_place"], 1
                yield row
            return
        except sqlite3.Error:
            # With a known end every rowid is tried; without, the steps grow.
            place, step = place + step, step if top is not None else step * 2


def _drop_orphans(new: sqlite3.Connection) -> None:
    while wrong := new.execute("PRAGMA foreign_key_check").fetchall():
        rows = [(t, rowid) for t, rowid, *_ in wrong if rowid is not None and t not in REFERENCES]
        for table, rowid in rows:
            new.execute(f'DELETE FROM "{table}" WHERE rowid = ?', (rowid,))
        if not rows:
            return  # reference rows are written anew from their changes


def _from_pages(session: Session) -> None:
    """Add the facts that are gone from their tables but are on a signed page."""
    known = {row_id for m in FACTS.values() for row_id in session.scalars(select(m.id))}
    lost: Rows = {}
    for page in session.scalars(select(SignedPage)):
        for seq, line in numbered_lines(page):
            data = f"{line}\n".encode()
            with suppress(InvalidFact):  # a piece of trace: its bytes are not on the page
                if parse_lines(data)[0].get("id") not in known:
                    for table, rows in read_page(data, page.device, seq, lambda _id: None).items():
                        lost.setdefault(table, []).extend(rows)
    session.connection().exec_driver_sql("PRAGMA defer_foreign_keys=ON")
    for name, rows in lost.items():
        insert_rows(session, FACTS[name].__table__, rows)


def _complete_rows(session: Session, model: type[Reference]) -> list[str]:
    """Return the rows of a reference table whose changes give every column that has no default."""
    must = reference_changes.own_columns(model).keys() - reference_changes.defaults(model).keys()
    given: dict[str, set[str]] = {}
    for change in session.scalars(select(Change).filter_by(table=model.__tablename__)):
        given.setdefault(change.row_id, set()).update(change.columns)
    return [row_id for row_id, names in given.items() if must <= names]


def _restore_identity(session: Session, found: dict[str, Any] | None) -> None:
    """Keep the identity if the damaged file says which number is next; else drop it for a new one.

    A number given twice would leave the copies different for ever.
    """
    kept = session.scalars(select(Own)).first()
    if found is None or (kept is not None and kept.device != found["device"]):
        if kept is not None:
            session.merge(Peer(device=kept.device, name=kept.name, public_key=public_key_of(kept.private_key)))
            session.delete(kept)
        return
    _count, top = tallies(session).get(found["device"], (0, 0))
    found["next_seq"] = max(found["next_seq"], top + 1)
    session.merge(Own(**found))
