"""Writes all that a logbook knows as one bundle."""

import re
import unicodedata
from pathlib import Path

from sqlalchemy import select

from store import Store
from store.errors import BundleRefused
from store.facts.signed_pages import text_of
from store.facts.timestamp import write_time
from store.models import Farm, Own, Peer, SignedPage, TraceChunk
from store.traces.varint import InvalidEncoding
from sync.bundle_file import LONGEST_NAME, PAGE_PARTS, RECORDS, write_bundle


def member_of(row_id: str) -> str:
    """Return the name of the member that carries a piece of trace."""
    return f"traces/{row_id}.bin"


def export_bundle(store: Store, directory: Path | str, passphrase: str | None = None) -> Path:
    """Write everything this logbook knows as one signed bundle and return its path.

    A device has one bundle in a folder, which a later one replaces. Open traces are sealed first, so
    the bundle carries them up to the last sync. With a passphrase it is encrypted.

    Raises BundleRefused if there is no farm yet, nothing is being saved here, or the folder cannot be written to.
    """
    if store.trouble:  # its numbers may be given again
        raise BundleRefused(
            "Nothing was exported, because nothing is being saved here: what is only in memory must not be met "
            "elsewhere. Make room on the disk of {path}, or put it back.",
            path=store.path,
        )
    try:
        store.seal_traces()
    except InvalidEncoding as error:
        raise BundleRefused(
            "An open trace in {path} cannot be sealed. {reason} Run check, and put the newest backup in its place.",
            path=store.path,
            reason=error.message,
        ) from error
    store.seal_pages()
    with store.session() as session:
        farm = session.scalars(select(Farm)).first()
        if farm is None:
            raise BundleRefused(
                "There is nothing to export: this logbook has no farm yet. "
                "Set up the farm, or merge a bundle of it first."
            )
        own = session.scalars(select(Own)).one()
        peers = select(Peer.device, Peer.name, Peer.public_key).where(Peer.public_key.is_not(None))
        devices = [
            {"id": device, "name": _shown(name), "public_key": key.hex()}
            for device, name, key in session.execute(peers.order_by(Peer.device))
            if key is not None
        ]
        pages = list(session.scalars(select(SignedPage).order_by(SignedPage.device, SignedPage.first)))
        columns = select(TraceChunk.id, TraceChunk.device, TraceChunk.seq, TraceChunk.packed)
        signed = {(p.device, n) for p in pages for n in range(p.first, p.last + 1)}
        traces = {
            member_of(row_id): packed
            for row_id, device, seq, packed in session.execute(columns)
            if (device, seq) in signed
        }
    texts = [text_of(page) for page in pages]
    manifest = {
        "written_at": write_time(store.now()),
        "farm": {"id": farm.id, "name": _shown(farm.name)},
        "device": {"id": own.device, "name": _shown(own.name)},
        "devices": devices,
        "pages": [
            {"bytes": len(text), **{name: getattr(page, name) for name in PAGE_PARTS}}
            for page, text in zip(pages, texts, strict=True)
        ],
    }
    path = Path(directory).absolute() / bundle_name(store, locked=passphrase is not None)
    write_bundle(path, manifest, {RECORDS: b"".join(texts), **traces}, own.private_key, passphrase)
    return path


def bundle_name(store: Store, locked: bool = False) -> str:
    """Return the name of this copy's bundle, the same in every folder."""
    ending = "locked" if locked else "zip"
    return f"rollbook-{_plain(store.device_name)}-{store.device[:8]}.{ending}"


def _shown(name: str) -> str:
    """Return a name as it may be shown to people: short, without control characters."""
    return "".join(c if c.isprintable() else " " for c in name[:LONGEST_NAME])


def _plain(name: str) -> str:
    """Return a name with only the letters every file system takes.

    >>> _plain("Tablet 1 / Søren"), _plain("ขอ")
    ('tablet-1-s-ren', 'tablet')
    """
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "replace").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:40] or "tablet"
