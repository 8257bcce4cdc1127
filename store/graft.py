"""A logbook whose list of tables is destroyed, made legible with that of the copy kept of it.

SQLite keeps the list of tables, with the page each begins on, in the first page of a file and,
where that has no room, in pages it names (sqlite.org/fileformat2.html, 1.3, 1.5 and 1.6). Without
them no row can be reached, though all are there. The kept copy has every table on the same page,
for it is a copy page by page and the schema changes only when a program is installed.
"""

import shutil
import sqlite3
import struct
from contextlib import closing
from pathlib import Path


def legible(damaged: Path, kept: Path) -> Path:
    """Return the damaged file, or beside it one with the kept copy's list of tables in its place.

    The one beside it, and what SQLite makes of it, is named ``<damaged>.graft*``.
    """
    if not kept.exists() or not damaged.exists() or _has_tables(damaged):
        return damaged
    old = kept.read_bytes()
    size = struct.unpack_from(">H", old, 16)[0]
    size = 65_536 if size == 1 else size
    graft = damaged.with_name(damaged.name + ".graft")
    shutil.copyfile(damaged, graft)
    wal = damaged.with_name(damaged.name + "-wal")
    if wal.exists():
        shutil.copyfile(wal, graft.with_name(graft.name + "-wal"))
    with open(graft, "r+b") as file:
        for page in _schema_pages(old):
            content = bytearray(old[(page - 1) * size : page * size])
            if page == 1:
                content[18:20] = b"\2\2"  # it has a log
                content[92:96] = bytes(4)  # the size in this header is not that of this file
            file.seek((page - 1) * size)
            file.write(content)
    return graft


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
