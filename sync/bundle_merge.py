"""Merges bundles into a store, each wholly in one transaction or not at all."""

import gc
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import chain, pairwise
from operator import itemgetter
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.db.bulk_insert import insert_rows
from store.durability.integrity_check import missing_records, tallies
from store.errors import BundleRefused, Message, message
from store.facts import device_identity, hybrid_clock, reference_changes
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import Rows, read_page
from store.facts.signed_pages import holds
from store.models import FACTS, REFERENCES, Change, Enrolment, Fact, Farm, Own, Peer, TraceChunk
from sync import device_trust
from sync.bundle_export import member_of
from sync.bundle_file import RECORDS, Bundle, open_bundle
from sync.bundle_pages import BundlePage, compressed, pages_here, pages_of, store_pages

Progress = Callable[[int, int, str], None]
_DEVICE, _SEQ = 1, 2
_NUMBER, _STAMP = itemgetter(_DEVICE, _SEQ), itemgetter(3)  # a number is a device's
_TABLE, _ROW_ID = (Change.__table__.columns.keys().index(n) for n in ("table", "row_id"))


@dataclass
class MergeResult:
    """Records added, records known already, bundles refused and why, and records still missing."""

    added: int = 0
    known: int = 0
    refused: list[tuple[Path, Message]] = field(default_factory=list)
    missing: list[Message] = field(default_factory=list)


def bundles_in(folder: Path) -> list[Path]:
    """Return the bundles in a folder, by name."""
    return sorted([*folder.glob("rollbook-*.zip"), *folder.glob("rollbook-*.locked")])


def merge_bundles(
    store: Store, paths: Iterable[Path | str], progress: Progress | None = None, passphrase: str | None = None
) -> MergeResult:
    """Merge bundles, and the bundles in folders; the end is the same in any order.

    `paths`: bundles, or folders: of those, every file named ``rollbook-*.zip`` or ``.locked``.
    `progress`: called as progress(done, of, name) before each bundle and once at the end.
    `passphrase`: for those that are encrypted.
    """
    result = MergeResult()
    bundles: list[Path] = []
    for path in map(Path, paths):
        inside = bundles_in(path) if path.is_dir() else [path]
        bundles += inside
        if not inside:
            result.refused.append((path, message("There is no bundle in the folder {path}.", path=path)))
    for done, path in enumerate(bundles):
        if progress:
            progress(done, len(bundles), path.name)
        try:
            added, known = merge_bundle(store, path, passphrase)
        except BundleRefused as refusal:
            result.refused.append((path, refusal.message))
        else:
            result.added += added
            result.known += known
    if progress:
        progress(len(bundles), len(bundles), "")
    with store.session() as session:
        result.missing = missing_records(session)
    return result


def merge_bundle(store: Store, path: Path, passphrase: str | None = None) -> tuple[int, int]:
    """Merge one bundle and return (added, known); BundleRefused if it cannot be: nothing is changed then."""
    with open_bundle(path, passphrase) as bundle, ThreadPoolExecutor(1) as executor, _no_garbage_collection():
        pages = pages_of(bundle)
        with store.session() as session:
            here = pages_here(session)
            chunks = set(session.scalars(select(TraceChunk.id)))
        fresh_pages = [page for page in pages if page.key not in here]
        lines = compressed(fresh_pages, executor)
        records = _records(bundle, fresh_pages, chunks)
        try:
            with store.writing() as session:
                _check_farm(session, bundle)
                enrolments = _named(Enrolment, records)
                _check_signatures(bundle, fresh_pages, device_trust.accepted_keys(session, bundle, enrolments))
                renewed = _renew_if_put_back(session, fresh_pages, records)
                fresh = _fresh(session, bundle, fresh_pages, records)
                _insert(session, fresh, bundle.manifest["farm"]["id"])
                store_pages(session, fresh_pages, lines)
                _update_own(store, session, bundle, fresh_pages, fresh)
        except (ValueError, LookupError) as error:
            raise BundleRefused(
                "{name} was not merged: it builds on records it does not carry and that "
                "are not here. Export it again where it came from.",
                name=path.name,
            ) from error
    if renewed is not None:
        store.go_on_as(renewed, message("another file of it has given the same numbers"))
    added = sum(map(len, fresh.values()))
    return added, sum(map(len, pages)) - added


@contextmanager
def _no_garbage_collection() -> Iterator[None]:
    """Disable garbage collection: the many rows are needed to the end."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def _records(bundle: Bundle, fresh: list[BundlePage], chunks_here: set[str]) -> Rows:
    """Return the records on the fresh pages, each checked, with the bytes of their traces."""
    traces = {n for n in bundle.manifest["members"] if n != RECORDS}
    read = {member_of(row_id) for row_id in chunks_here}

    def packed(row_id: str) -> bytes | None:
        name = member_of(row_id)
        read.add(name)
        return bundle.read(name) if name in traces else None

    records: Rows = {}
    for page in fresh:
        of_page = read_page(page.lines(), page.device, page.first, packed)
        if sum(map(len, of_page.values())) != len(page):
            raise InvalidFact("A page of it does not hold the records it says.")
        for table, rows in of_page.items():
            records.setdefault(table, []).extend(rows)
    if traces - read:
        raise InvalidFact("It carries pieces of trace that no record names.")
    in_order = sorted((page.device, page.first, page.last) for page in fresh)
    if any(a[0] == b[0] and b[1] <= a[2] for a, b in pairwise(in_order)):
        return _once(records)
    return records


def _once(records: Rows) -> Rows:
    """Return records of pages that overlap, each once; those of one number must be the same."""
    known: dict[tuple[Any, ...], tuple[str, tuple[Any, ...]]] = {}
    for table, rows in records.items():
        for row in rows:
            if known.setdefault(_NUMBER(row), (table, row)) != (table, row):
                raise InvalidFact("Two of its records have one number.")
    once: Rows = {}
    for table, row in known.values():
        once.setdefault(table, []).append(row)
    return once


def _named(model: type[Fact], records: Rows) -> list[dict[str, Any]]:
    """Return the records of one table by the names of its columns."""
    names = model.__table__.columns.keys()
    return [dict(zip(names, row, strict=True)) for row in records.get(model.__tablename__, [])]


def _check_farm(session: Session, bundle: Bundle) -> None:
    farm = session.scalars(select(Farm)).first()
    if farm is not None and farm.id != bundle.manifest["farm"]["id"]:
        raise BundleRefused(
            "{name} was not merged: it belongs to the farm '{theirs}', and this logbook to '{ours}'.",
            name=bundle.path.name,
            theirs=bundle.manifest["farm"]["name"],
            ours=farm.name,
        )


def _check_signatures(bundle: Bundle, fresh: list[BundlePage], keys: dict[str, bytes]) -> None:
    """Check every page by the key of the device it says it is from, whoever carries it."""
    places = {"name": bundle.path.name, "carrier": bundle.manifest["device"]["name"]}
    for page in fresh:
        if page.device not in keys:
            raise BundleRefused(
                "{name} was not merged: {carrier} passes on records of a device ({device}) that is not "
                "enrolled on this farm. If it is one of yours, enrol it at the office with its card.",
                **places,
                device=page.device[:8],
            )
        if not holds(*page.key, page.signature, keys[page.device]):
            raise BundleRefused(
                "{name} was not merged: records {first} to {last} in it are not signed by the device they "
                "are said to be from ({device}). Ask who made it; {carrier} carried it.",
                **places,
                first=page.first,
                last=page.last,
                device=page.device[:8],
            )


def _renew_if_put_back(session: Session, pages: list[BundlePage], records: Rows) -> Own | None:
    """Go on as a new device if this one's own pages hold what was never written here, and return it.

    Notes: Then this file was put back from an older one, or another copy of it is in use. Its records from the first
    number given twice go on under the new device. Missing numbers below the next one are a repair's, and only taken.
    """
    own = session.scalars(select(Own)).one()
    theirs = {row[_SEQ]: (table, row) for table, rows in records.items() for row in rows if row[_DEVICE] == own.device}
    if not theirs:
        return None
    first, apart = min(theirs), []
    for name, model in FACTS.items():
        table = model.__table__
        ours = select(table).where(table.c.device == own.device, table.c.seq >= first)
        for row in map(tuple, session.execute(ours)):
            if theirs.get(row[_SEQ], (name, row)) != (name, row):
                apart.append(row[_SEQ])
    if not apart and max(theirs) < own.next_seq:
        return None
    return device_identity.renew(session, min(apart, default=None))


def _fresh(session: Session, bundle: Bundle, pages: list[BundlePage], records: Rows) -> Rows:
    """Return the records that are not here yet; the others must be equal to those here."""
    here: dict[tuple[Any, ...], tuple[str, tuple[Any, ...]]] = {}
    lowest: dict[str, int] = {}
    for page in pages:
        lowest[page.device] = min(page.first, lowest.get(page.device, page.first))
    tops = {device: top for device, (_count, top) in tallies(session).items()} if pages else {}
    for device, first in lowest.items():
        for name, model in FACTS.items() if tops.get(device, 0) >= first else ():
            table = model.__table__
            known = (table.c.device == device) & (table.c.seq >= first)
            for row in map(tuple, session.execute(select(table).where(known))):
                here[_NUMBER(row)] = name, row
    if not here:
        return records
    for name, rows in records.items():
        for row in rows:
            device, seq = _NUMBER(row)
            if here.get((device, seq), (name, row)) != (name, row):
                raise BundleRefused(
                    "{name} was not merged: its record {seq} of device {device} is another than the one "
                    "here. One of the two copies was put back from an old file; run check on both.",
                    name=bundle.path.name,
                    seq=seq,
                    device=device[:8],
                )
    return {t: [row for row in rows if _NUMBER(row) not in here] for t, rows in records.items()}


def _insert(session: Session, fresh: Rows, farm_id: str) -> None:
    changed: Rows = {}
    for row in fresh.get(Change.__tablename__, ()):
        changed.setdefault(row[_TABLE], []).append(row)
    for table, reference in REFERENCES.items():
        changes = changed.get(table, [])
        reference_changes.apply_changes(session, reference, [row[_ROW_ID] for row in changes], changes)
    if session.scalars(select(Farm.id)).all() != [farm_id]:
        raise InvalidFact("It does not hold the one farm it says it is of.")
    for table, model in FACTS.items():
        insert_rows(session, model.__table__, fresh.get(table, []))


def _update_own(store: Store, session: Session, bundle: Bundle, pages: list[BundlePage], fresh: Rows) -> None:
    """Follow the others' clocks, store their names, and never give a number twice."""
    own = session.scalars(select(Own)).one()
    theirs = map(_STAMP, chain.from_iterable(fresh.values()))
    own.stamp = hybrid_clock.receive_stamps(own.stamp, theirs, store.now())
    given = [page.last + 1 for page in pages if page.device == own.device]
    own.next_seq = max([own.next_seq, *given])
    signer = bundle.manifest["device"]
    for device in (*bundle.manifest["devices"], signer):
        if device["id"] == own.device:
            continue
        peer = session.get(Peer, device["id"])
        key = bytes.fromhex(device["public_key"])
        if peer is None:
            session.add(Peer(device=device["id"], name=device["name"], public_key=key))
        elif device is signer:  # a device's own name for itself replaces those others gave it
            peer.name, peer.public_key = device["name"], key
        elif peer.public_key is None:
            peer.public_key = key
