"""A backup: a whole, checked copy that becomes a device of its own when it is opened."""

import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import create_engine
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from store.durability.atomic_file import write_atomically
from store.durability.integrity_check import damage
from store.errors import Message, StoreRefused
from store.facts.signed_pages import public_key_of


def backup(path: Path, folder: Path) -> Path:
    """Write a verified copy of the logbook at `path` into a folder and return its path.

    Raises StoreRefused if it cannot be written, or the copy is not whole; then no file is left.

    Notes: The copy has every record but not this device's name and signing key: put back with them, it would give
    numbers a second time. It is opened as a new device.
    """
    now = datetime.now(UTC)
    folder = Path(folder).absolute()
    target = folder / f"{path.stem}-backup-{now:%Y%m%dT%H%M%S}{now.microsecond:06d}Z.sqlite"
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with write_atomically(target, private=True) as beside:
            with closing(sqlite3.connect(path)) as old, closing(sqlite3.connect(beside)) as new:
                old.backup(new)
                new.execute("PRAGMA secure_delete=ON")
                for device, name, key in new.execute("SELECT device, name, private_key FROM own"):
                    new.execute("INSERT OR REPLACE INTO peer VALUES (?, ?, ?)", (device, name, public_key_of(key)))
                new.execute("DELETE FROM own")
                new.commit()
                new.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
            if faults := _faults(beside):
                raise StoreRefused("The backup was not kept, because the copy is not whole. {fault}", fault=faults[0])
    except (OSError, sqlite3.Error, SQLAlchemyError) as error:
        raise StoreRefused(
            "The backup could not be written to {folder} ({reason}). "
            "Look whether the folder is there, may be written to, and has room.",
            folder=folder,
            reason=error,
        ) from error
    return target


def prune_backups(newest: Path, stem: str, keep: int) -> None:
    """Remove all but the newest `keep` backups of a logbook beside `newest`, which was verified."""
    found = sorted(newest.parent.glob(f"{stem}-backup-*Z.sqlite"))  # the time is in the name
    for old in [path for path in found if path != newest][: -(keep - 1) or None]:
        old.unlink(missing_ok=True)


def _faults(copy: Path) -> list[Message]:
    # Read without the pragmas that would write beside it.
    uri = copy.as_uri() + "?mode=ro"
    engine = create_engine("sqlite://", creator=lambda: sqlite3.connect(uri, uri=True))
    try:
        with Session(engine) as session:
            return damage(session)
    finally:
        engine.dispose()
