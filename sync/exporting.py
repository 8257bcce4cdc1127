"""From a store to a bundle that carries all of it."""

import re
import time
import unicodedata
from pathlib import Path

from sqlalchemy import select

from store import Store
from store.errors import BundleRefused
from store.models import FACTS, Farm, Own, Peer, TraceChunk
from sync.bundle import RECORDS, write_bundle
from sync.records import member_of, write_line
from sync.times import write_time


def export_bundle(store: Store, directory: Path | str) -> Path:
    """Write everything this logbook knows as one signed bundle and return its path.

    A device has one bundle in a folder: a later one takes the place of the earlier, which it
    contains. Open traces are sealed first, so the bundle carries them up to the last sync.

    Raises
    ------
    BundleRefused
        If there is no farm yet, or the folder cannot be written to.
    """
    try:
        store.seal_traces()
    except ValueError as error:
        raise BundleRefused(
            f"The open trace in {store.path} cannot be sealed ({error}). "
            "Run check, and put the newest backup in its place."
        ) from error
    with store.session() as session:
        farm = session.scalars(select(Farm)).first()
        if farm is None:
            raise BundleRefused(
                "There is nothing to export: this logbook has no farm yet. "
                "Set up the farm, or merge a bundle of it first."
            )
        rows = [row for model in FACTS.values() for row in session.scalars(select(model))]
        rows.sort(key=lambda row: (row.device, row.seq))
        own = session.scalars(select(Own)).one()
        peers = list(session.scalars(select(Peer).order_by(Peer.device)))
    members = {RECORDS: "".join(write_line(row) + "\n" for row in rows).encode()}
    members |= {member_of(row.id): row.packed for row in rows if isinstance(row, TraceChunk)}
    manifest = {
        "written_at": write_time(time.time()),
        "farm": {"id": farm.id, "name": farm.name[:200]},
        "device": {"id": own.device, "name": own.name[:200]},
        "devices": [{"id": peer.device, "name": peer.name} for peer in peers],
    }
    path = Path(directory).absolute() / f"rollbook-{_plain(own.name)}-{own.device[:8]}.zip"
    write_bundle(path, manifest, members, own.private_key)
    return path


def _plain(name: str) -> str:
    """Return a name with only the letters every file system takes.

    Examples
    --------
    >>> _plain("Tablet 1 / Søren")
    'tablet-1-s-ren'
    """
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "replace").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:40] or "tablet"
