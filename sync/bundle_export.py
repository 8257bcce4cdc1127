"""Writes all that a logbook knows as one bundle."""

from pathlib import Path

from sqlalchemy import select

from store import Store
from store.facts.signed_pages import text_of
from store.facts.timestamp import write_time
from store.models import ClockEra, Own, Retirement, SignedPage, TraceChunk
from sync import bundle_file
from sync.bundle_file import PAGE_PARTS, RECORDS, write_bundle
from sync.segments.segment_writer import cards_here, farm_here, file_name, seal, shown, write_zip

SINCE_5 = (Retirement.__tablename__, ClockEra.__tablename__)
"""Kinds of records that a program of bundle version 4 does not know."""


def member_of(row_id: str) -> str:
    """Return the name of the member that carries a piece of trace."""
    return f"traces/{row_id}.bin"


def export_bundle(store: Store, directory: Path | str, passphrase: str | None = None) -> Path:
    """Write everything this logbook knows as one file and return its path.

    A device has one bundle in a folder, which a later one replaces. Open traces are sealed first, so
    the bundle carries them up to the last sync. With a passphrase it is locked.

    Raises BundleRefused if there is no farm yet, nothing is being saved here, or the folder cannot be written to.
    """
    seal(store)
    path = Path(directory).absolute() / bundle_name(store, locked=passphrase is not None)
    write_zip(store, path, passphrase)
    return path


def export_version_4(store: Store, directory: Path | str, passphrase: str | None = None) -> Path:
    """Write everything this logbook knows as one signed bundle of version 4, as older programs read it, and return its path.

    One that holds a record of a kind they do not know is of version 5, and they say what to install.

    Raises BundleRefused as `export_bundle`, and if it is larger than such a bundle may be.
    """
    seal(store)
    with store.session() as session:
        farm = farm_here(session)
        own = session.scalars(select(Own)).one()
        pages = list(session.scalars(select(SignedPage).order_by(SignedPage.device, SignedPage.first)))
        columns = select(TraceChunk.id, TraceChunk.device, TraceChunk.seq, TraceChunk.packed)
        signed = {(p.device, n) for p in pages for n in range(p.first, p.last + 1)}
        traces = {
            member_of(row_id): packed
            for row_id, device, seq, packed in session.execute(columns)
            if (device, seq) in signed
        }
        devices = cards_here(session)
    texts = [text_of(page) for page in pages]
    later = any(f'{{"table": "{kind}"'.encode() in text for text in texts for kind in SINCE_5)
    manifest = {
        "version": min(bundle_file.VERSION, 5 if later else 4),
        "written_at": write_time(store.now()),
        "farm": {"id": farm.id, "name": shown(farm.name)},
        "device": {"id": own.device, "name": shown(own.name)},
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
    return file_name(store, ".locked" if locked else ".zip")
