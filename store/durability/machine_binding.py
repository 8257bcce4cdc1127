"""Binds a logbook to its machine and place, so that a copied or restored file is noticed at opening.

Notes: Beside the logbook lies ``<name>-bound.json``: its device, where it lies, on what, and which number is next. The
file itself says only that it is bound (SQLite's user version 1). A file without its binding, or with one that does not
fit, was copied or put back, and its numbers may be given elsewhere too.

What a machine is, where it can be read: the serial number of the disk the logbook lies on, which a card takes with it
into another tablet and a cloned card does not share; else the system's machine id (machine-id(5), Windows' MachineGuid).
Where neither can be read (some containers, Android) place and number decide. On a PostgreSQL server it is the cluster, its
timeline, the database and the table (`bind_server`).
"""

import hashlib
import json
import os
import sqlite3
import sys
from contextlib import closing, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path

from sqlalchemy import Connection

from store.durability.atomic_file import write_file
from store.errors import Message, message

BOUND = 1  # SQLite's user version of a logbook that is bound
MACHINE_IDS = (Path("/etc/machine-id"), Path("/var/lib/dbus/machine-id"))
BLOCK_DEVICES = Path("/sys/dev/block")


@dataclass(frozen=True)
class Binding:
    """Where a logbook of a device belongs.

    `place`: its file.
    `next_seq`: the next number it would have given when this was written.
    `machine`: hashes of what names the machine: "disk", "system"; what cannot be read is left out.
    """

    device: str
    place: str
    next_seq: int
    machine: dict[str, str] = field(default_factory=dict)


def binding_path(path: Path) -> Path:
    """Return where the binding of a logbook lies."""
    return path.with_name(f"{path.stem}-bound.json")


def binding_of(path: Path, device: str, next_seq: int) -> Binding:
    """Return the binding of a logbook to where it lies now."""
    return Binding(device, str(path.resolve()), next_seq, machine_of(path))


def write_binding(path: Path, binding: Binding) -> bool:
    """Write a binding beside a logbook and return whether it is there; a full disk is no reason not to record."""
    if read_binding(path) != binding:
        try:
            write_file(binding_path(path), json.dumps(asdict(binding), indent=1) + "\n", private=True)
        except OSError:
            return False
    return True


def read_binding(path: Path) -> Binding | None:
    """Return the binding of a logbook; None if there is none that can be read."""
    try:
        with binding_path(path).open("rb") as file:
            found = Binding(**json.loads(file.read(65_536)))
    except (OSError, ValueError, TypeError):
        return None
    sound = isinstance(found.next_seq, int) and isinstance(found.machine, dict) and isinstance(found.place, str)
    return found if sound else None


def strayed(path: Path, here: Binding) -> Message | None:
    """Return how a bound logbook came here that does not belong here; None if it does.

    `here`: its binding as it would be written now.
    """
    there = read_binding(path)
    if there is None or there.device != here.device:
        return message("it was copied here, or put back")
    if _is_other(there.machine, here.machine):
        return message("it comes from another machine or disk")
    if there.next_seq > here.next_seq:
        return message("an older file was put in its place")
    if there.place != here.place and _device_at(Path(there.place)) == here.device:
        return message("it is a copy of {place}", place=there.place)
    return None


def server_binding(connection: Connection) -> str:
    """Return what names where a logbook lies on a PostgreSQL server: its cluster and timeline, database and table.

    Notes: A dump that is restored makes another table, mostly in another database or cluster; a second server that is
    promoted from a base backup is on another timeline (pg_control_system and pg_control_checkpoint, PostgreSQL 9.6 on).
    """
    found = connection.exec_driver_sql(
        "SELECT system_identifier, timeline_id, 'own'::regclass::oid, "
        "(SELECT oid FROM pg_database WHERE datname = current_database()) "
        "FROM pg_control_system(), pg_control_checkpoint()"
    ).one()
    return hashlib.sha256(" ".join(map(str, found)).encode()).hexdigest()[:16]


def bind_server(connection: Connection) -> Message | None:
    """Bind a logbook to its place on the server; return how one came here that is bound to another place.

    Notes: The binding is the comment of its table's key, which a dump carries with it.
    """
    here = server_binding(connection)
    there = connection.exec_driver_sql(
        "SELECT obj_description(oid, 'pg_constraint') FROM pg_constraint "
        "WHERE conname = 'pk_own' AND conrelid = 'own'::regclass"
    ).scalar_one()
    if there != here:
        connection.exec_driver_sql(f"COMMENT ON CONSTRAINT pk_own ON own IS '{here}'")  # of hex letters only
    return message("it was restored from a dump, or its server was copied") if there not in (None, here) else None


def renewal(path: Path, device: str, how: Message) -> Message:
    """Return the sentences that say that a logbook goes on as a new device, and how that came."""
    return message(
        "The logbook {path} goes on as a new device ({device}): {how}. All its records are kept. "
        "Others go on exchanging with it; if one does not, pair the two again.",
        path=path,
        device=device[:8],
        how=how,
    )


def _is_other(there: dict[str, str], here: dict[str, str]) -> bool:
    for what in ("disk", "system"):
        if what in there and what in here:
            return there[what] != here[what]
    return False


def _device_at(path: Path) -> str | None:
    """Return the device of the logbook at a place; None if there is none."""
    with suppress(sqlite3.Error, OSError, ValueError):
        if path.is_file():
            with closing(sqlite3.connect(path.as_uri() + "?mode=ro", uri=True)) as raw:
                return str(raw.execute("SELECT device FROM own").fetchone()[0])
    return None


def machine_of(path: Path) -> dict[str, str]:
    """Return hashes of what names the machine a file lies on."""
    found = {"disk": _disk(path.parent), "system": _system()}
    return {what: hashlib.sha256(f"{what} {name}".encode()).hexdigest()[:16] for what, name in found.items() if name}


def _system() -> str:
    if sys.platform == "win32":
        import winreg

        with suppress(OSError), winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, r"SOFTWARE\Microsoft\Cryptography") as key:
            return str(winreg.QueryValueEx(key, "MachineGuid")[0])
    return next(filter(None, map(_text, MACHINE_IDS)), "")


def _disk(folder: Path) -> str:
    """Return the serial number of the disk a folder lies on, as the Linux kernel shows it; "" if it does not."""
    try:
        number = folder.stat().st_dev
        block = (BLOCK_DEVICES / f"{os.major(number)}:{os.minor(number)}").resolve(strict=True)
        while slaves := sorted((block / "slaves").glob("*")):  # encrypted, or a logical volume
            block = slaves[0].resolve(strict=True)
        if (block / "partition").exists():
            block = block.parent
    except (OSError, AttributeError, RuntimeError):
        return ""
    return next(filter(None, (_text(block / "device" / name) for name in ("cid", "serial", "wwid"))), "")


def _text(path: Path) -> str:
    try:
        return path.read_text("ascii", "ignore").strip()
    except OSError:
        return ""
