"""A logbook that SQLite cannot find its way in, made legible again for what it still holds.

SQLite keeps the list of tables, with the page each begins on, in the first page of a file and,
where that has no room, in pages it names (sqlite.org/fileformat2.html, 1.3, 1.5 and 1.6). Without
them no row can be reached, though all are there. The kept copy has every table on the same page,
for it is a copy page by page and the schema changes only when a program is installed.

The page a table begins on names the others of that table. If it is destroyed, they are those
that belong to no other table and are not free, and it is written anew (`store.roots`). What it
held itself, while the table was so small as to have no other page, is lost.
"""

import shutil
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

from store.roots import new_root, page_size


def legible(damaged: Path, kept: Path) -> Path:
    """Return the damaged file, or beside it one in which its tables can be found again.

    The one beside it, and what SQLite makes of it, is named ``<damaged>.graft*``.
    """
    if not damaged.exists():
        return damaged
    graft = damaged.with_name(damaged.name + ".graft")
    if _has_tables(damaged):
        _copy(damaged, graft)
        return graft if _rooted(graft) else damaged
    if not kept.exists():
        return damaged
    _copy(damaged, graft)
    old = kept.read_bytes()
    size = page_size(old)
    with open(graft, "r+b") as file:
        for page in _schema_pages(old):
            content = bytearray(old[(page - 1) * size : page * size])
            if page == 1:
                content[18:20] = b"\2\2"  # it has a log
                content[92:96] = bytes(4)  # the size in this header is not that of this file
            file.seek((page - 1) * size)
            file.write(content)
    return graft


def _copy(damaged: Path, graft: Path) -> None:
    shutil.copyfile(damaged, graft)
    wal = damaged.with_name(damaged.name + "-wal")
    if wal.exists():
        shutil.copyfile(wal, graft.with_name(graft.name + "-wal"))


def _rooted(graft: Path) -> bool:
    """Write the first page of the one table that has lost its own; say whether there was one."""
    try:
        with closing(sqlite3.connect(graft, isolation_level=None)) as raw:
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            query = "SELECT rootpage FROM sqlite_master WHERE type = 'table' AND rootpage > 0"
            roots = [root for (root,) in raw.execute(query)]
    except sqlite3.Error:
        return False
    found = new_root(graft.read_bytes(), [1, *roots])
    if found is None:
        return False
    page, content = found
    with open(graft, "r+b") as file:
        file.seek((page - 1) * len(content))
        file.write(content)
    return True


def _has_tables(path: Path) -> bool:
    try:
        with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as raw:
            return len(raw.execute("SELECT name, sql FROM sqlite_master").fetchall()) > 1
    except sqlite3.Error:
        return False


def _schema_pages(data: bytes) -> list[int]:
    """Return the pages of the list of tables: the first, and those it names if it is no leaf."""
    if data[100] != 0x05:
        return [1]
    (cells,) = struct.unpack_from(">H", data, 103)
    places = struct.unpack_from(f">{cells}H", data, 112)
    children = [struct.unpack_from(">I", data, place)[0] for place in places]
    return [1, *children, struct.unpack_from(">I", data, 108)[0]]
