"""Makes a logbook whole or not at all: it is built beside its place and renamed into it."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection

from store.db.connection import connect, rebuilding
from store.durability.atomic_file import create_private, replace_durably, sync_folder

PAGE = 4096  # bytes of SQLite's first page, which begins with its header
LOGS = ("-wal", "-shm", "-journal")
_EMPTY_TREE = b"\x0d\0\0\0\0"  # a leaf without a cell: no table (SQLite file format, 1.6)


def new_path(path: Path) -> Path:
    """Return where a logbook is built before it is put in its place."""
    return path.with_name(f"{path.stem}-new.sqlite")


def make_logbook(path: Path, fill: Callable[[Connection], object]) -> None:
    """Build a logbook and rename it to `path`; `fill(connection)` writes its content in one transaction.

    Raises sqlite3.Error, SQLAlchemyError, OSError if it cannot be built; then `path` is as it was.
    """
    beside = new_path(path)
    try:
        _remove(beside)  # of a first start that was cut off
        create_private(beside)
        engine = connect(beside)
        with rebuilding(engine) as connection:
            fill(connection)
        put_in_place(beside, path)  # it has no log: SQLite took that in as the last connection closed
    except BaseException:
        _remove(beside)
        raise


def put_in_place(new: Path, path: Path) -> None:
    """Put a whole logbook in the place of another, whose log must go first."""
    for ending in LOGS:  # or SQLite would play the old log into the new file
        path.with_name(path.name + ending).unlink(missing_ok=True)
    sync_folder(path.parent)
    replace_durably(new, path)


def half_made(path: Path) -> bool:
    """Return whether a file is all that an interrupted first start left: at most one page, without a table.

    Notes: Programs before 0.2 made the file in its place. It may still have a log that makes it whole.
    """
    with path.open("rb") as file:
        page = file.read(PAGE + 1)
    if len(page) > PAGE:
        return False
    made_by_us_or_nobody = page[68:72] in (b"", bytes(4))  # the application id
    headed = page.startswith(b"SQLite format 3\0") and page[100:105] == _EMPTY_TREE
    return not any(page) or (headed and made_by_us_or_nobody)


def take_back(path: Path) -> None:
    """Let SQLite undo a change of the file itself that was cut off: a reader may not."""
    if path.with_name(path.name + "-journal").exists() and not half_made(path):
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("SELECT 1 FROM sqlite_master").fetchone()


def _remove(path: Path) -> None:
    for ending in ("", *LOGS):
        path.with_name(path.name + ending).unlink(missing_ok=True)
