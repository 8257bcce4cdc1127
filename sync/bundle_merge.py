"""Merges bundles into a store, each in one transaction or not at all; pages that contradict it are set aside."""

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
from store.durability.carrier_files import is_folder, regular_files
from store.durability.integrity_check import missing_records, tallies
from store.errors import BundleRefused, Message, message
from store.facts import device_identity, doubled_numbers, hybrid_clock, reference_changes
from store.facts.doubled_numbers import doubled
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import Rows, read_page
from store.facts.signed_pages import holds
from store.models import FACTS, REFERENCES, Change, Fact, Farm, Own, Peer, Retirement, TraceChunk
from sync.bundle_export import member_of
from sync.bundle_file import RECORDS, Bundle, open_bundle
from sync.bundle_pages import BundlePage, compressed, pages_here, pages_of, store_pages
from sync.device_trust import Card, Trust, Unpaired, card_in, trust_in

Progress = Callable[[int, int, str], None]
MOST_STRANGERS = 50  # that are shown to a person
_ID, _DEVICE, _SEQ = 0, 1, 2
_NUMBER, _STAMP = itemgetter(_DEVICE, _SEQ), itemgetter(3)  # a number is a device's
_TABLE, _ROW_ID = (Change.__table__.columns.keys().index(n) for n in ("table", "row_id"))


@dataclass
class MergeResult:
    """Records added and known already, what was refused and why, and records still missing.

    `strangers`: cards of those who are not paired, so that their bundles wait.
    `doubled`: sentences on devices as which two machines write, of which something came.
    """

    added: int = 0
    known: int = 0
    strangers: dict[str, Card] = field(default_factory=dict)
    refused: list[tuple[Path, Message]] = field(default_factory=list)
    missing: list[Message] = field(default_factory=list)
    doubled: list[Message] = field(default_factory=list)


def bundles_in(folder: Path) -> list[Path]:
    """Return the bundles in a folder, by name."""
    found = regular_files(folder, lambda name: name.startswith("rollbook-") and name.endswith((".zip", ".locked")))
    return sorted(path for _, path in found)


def merge_bundles(
    store: Store, paths: Iterable[Path | str], progress: Progress | None = None, passphrase: str | None = None
) -> MergeResult:
    """Merge bundles, and the bundles in folders; the end is the same in any order.

    `paths`: bundles, or folders: of those, every file named ``rollbook-*.zip`` or ``.locked``.
    `progress`: called as progress(done, of, name) before each bundle and once at the end.
    `passphrase`: for those that are encrypted.
    """
    result = MergeResult()
    overlapping: set[str] = set()
    bundles: list[Path] = []
    for path in map(Path, paths):
        inside = bundles_in(path) if is_folder(path) else [path]
        bundles += inside
        if not inside:
            result.refused.append((path, message("There is no bundle in the folder {path}.", path=path)))
    for done, path in enumerate(bundles):
        if progress:
            progress(done, len(bundles), path.name)
        try:
            added, known, devices = _merge_but_apart(store, path, passphrase, result.refused)
        except BundleRefused as refusal:
            result.refused.append((path, refusal.message))
            if isinstance(refusal, Unpaired) and len(result.strangers) < MOST_STRANGERS:
                result.strangers[refusal.card.device] = refusal.card
        else:
            result.added += added
            result.known += known
            overlapping |= devices
    if progress:
        progress(len(bundles), len(bundles), "")
    with store.session() as session:
        result.missing = missing_records(session)
        result.doubled = [one.said for one in doubled(session, overlapping)]
    return result


class _Apart(Exception):
    """Pages contradict what is here; `first` is the number of each device from which they do."""

    def __init__(self, first: dict[str, int]):
        super().__init__(first)
        self.first = first


def merge_bundle(store: Store, path: Path, passphrase: str | None = None) -> tuple[int, int]:
    """Merge one bundle and return (added, known); BundleRefused if it cannot be: nothing is changed then."""
    return _merge_but_apart(store, path, passphrase, None)[:2]


def _merge_but_apart(
    store: Store, path: Path, passphrase: str | None, aside: list[tuple[Path, Message]] | None
) -> tuple[int, int, set[str]]:
    """Merge one bundle and return added, known, and devices of which it brought pages that overlap others.

    `aside`: gets a sentence on the pages of each device that contradict what is here; without it, the bundle is refused.

    Notes: An id then names two different records, which no honest device writes. The pages of that device are left out
    from the first that contradicts; those of all others are taken, for they are signed by their own devices.
    """
    apart: dict[str, int] = {}
    while True:
        try:
            done = _merge(store, path, passphrase, apart)
        except _Apart as found:
            apart |= {d: min(n, apart.get(d, n)) for d, n in found.first.items()}
            if aside is None:
                raise BundleRefused(_apart_words(store, path, *min(apart.items()))) from found
        else:
            if aside is not None:
                aside += [(path, _apart_words(store, path, *one)) for one in sorted(apart.items())]
            return done


def _apart_words(store: Store, path: Path, device: str, first: int) -> Message:
    with store.session() as session:
        peer = session.get(Peer, device)
        name = peer.name if peer is not None else store.device_name if device == store.device else device[:8]
    return message(
        "In {path} records of {name} ({device}) from number {first} on were set aside, because one of them is here with "
        "other content; all else was merged. Ask who has altered them on that machine.",
        path=path.name,
        name=name,
        device=device[:8],
        first=first,
    )


def _merge(store: Store, path: Path, passphrase: str | None, apart: dict[str, int]) -> tuple[int, int, set[str]]:
    """Merge one bundle but for the pages that reach a number of `apart`; raise _Apart if more contradict."""
    with open_bundle(path, passphrase) as bundle, ThreadPoolExecutor(1) as executor, _no_garbage_collection():
        pages = [page for page in pages_of(bundle) if page.last < apart.get(page.device, page.last + 1)]
        with store.session() as session:
            here = pages_here(session)
            chunks = set(session.scalars(select(TraceChunk.id)))
            fresh_pages = [page for page in pages if page.key not in here]
            trust = trust_in(session, bundle, fresh_pages)
        _check_signatures(bundle, fresh_pages, trust)
        lines = compressed(fresh_pages, executor)
        records = _records(bundle, fresh_pages, chunks, whole=not apart)
        try:
            with store.writing() as session:
                _check_farm(session, bundle)
                renewed = _renew_if_doubled(store, session, records)
                fresh = _fresh(session, fresh_pages, records)
                _insert(session, fresh, bundle.manifest["farm"]["id"])
                store_pages(session, fresh_pages, lines, {_NUMBER(row) for rows in fresh.values() for row in rows})
                _update_own(store, session, bundle, fresh_pages, fresh, trust)
                overlapping = doubled_numbers.overlapping(session) & {page.device for page in fresh_pages}
        except (ValueError, LookupError) as error:
            with store.session() as session:
                if elsewhere := _numbered_elsewhere(session, records):
                    raise _Apart(elsewhere) from error
            raise BundleRefused(
                "{name} was not merged: it builds on records it does not carry and that "
                "are not here. Export it again where it came from.",
                name=path.name,
            ) from error
    if renewed is not None:
        store.go_on_as(renewed, message("another machine has written as the same device"))
    added = sum(map(len, fresh.values()))
    return added, sum(map(len, pages)) - added, overlapping


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


def _records(bundle: Bundle, fresh: list[BundlePage], chunks_here: set[str], whole: bool = True) -> Rows:
    """Return the records on the fresh pages, each checked, with the bytes of their traces.

    `whole`: whether `fresh` are all of its pages that are not here.
    """
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
    if whole and traces - read:
        raise InvalidFact("It carries pieces of trace that no record names.")
    in_order = sorted((page.device, page.first, page.last) for page in fresh)
    if any(a[0] == b[0] and b[1] <= a[2] for a, b in pairwise(in_order)):
        return _once(records)
    return records


def _once(records: Rows) -> Rows:
    """Return records of pages that overlap, each once; those of one id must be the same."""
    known: dict[str, tuple[str, tuple[Any, ...]]] = {}
    for table, rows in records.items():
        for row in rows:
            if known.setdefault(row[_ID], (table, row)) != (table, row):
                raise InvalidFact("Two different records in it have one id.")
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


def _check_signatures(bundle: Bundle, fresh: list[BundlePage], trust: Trust) -> None:
    """Check every page by the key of the device it says it is from, whoever carries it."""
    places = {"name": bundle.path.name, "carrier": bundle.manifest["device"]["name"]}
    for page in fresh:
        keys = trust.keys_of(page.device)
        if not keys:
            raise Unpaired(
                "{name} was left where it is: {carrier} passes on records of a device ({device}) that is not paired. "
                "Nothing is lost: pair {carrier} once more with the farm's office, and it is taken in.",
                card_in(bundle, trust),
                **places,
                device=page.device[:8],
            )
        if not any(holds(*page.key, page.signature, key) for key in keys):
            raise BundleRefused(
                "{name} was not merged: records {first} to {last} in it are not signed by the device they "
                "are said to be from ({device}). Ask who made it; {carrier} carried it.",
                **places,
                first=page.first,
                last=page.last,
                device=page.device[:8],
            )


def _renew_if_doubled(store: Store, session: Session, records: Rows) -> Own | None:
    """Go on as a new device if the records show that another machine writes as this one, and return it."""
    own = session.scalars(select(Own.device)).one()
    theirs = [(row[_SEQ], row[_ID]) for rows in records.values() for row in rows if row[_DEVICE] == own]
    retirements = [Retirement(**row) for row in _named(Retirement, records)]
    return device_identity.renew_if_doubled(session, theirs, retirements, store.now())


def _fresh(session: Session, pages: list[BundlePage], records: Rows) -> Rows:
    """Return the records that are not here yet; raise _Apart unless the others are equal to those here."""
    here: dict[str, tuple[str, tuple[Any, ...]]] = {}
    lowest: dict[str, int] = {}
    for page in pages:
        lowest[page.device] = min(page.first, lowest.get(page.device, page.first))
    tops = {device: top for device, (_count, top) in tallies(session).items()} if pages else {}
    for device, first in lowest.items():
        for name, model in FACTS.items() if tops.get(device, 0) >= first else ():
            table = model.__table__
            known = (table.c.device == device) & (table.c.seq >= first)
            for row in map(tuple, session.execute(select(table).where(known))):
                here[row[_ID]] = name, row
    if not here:
        return records
    apart: dict[str, int] = {}
    for name, rows in records.items():
        for row in rows:
            if here.get(row[_ID], (name, row)) != (name, row):
                device, seq = _NUMBER(row)
                apart[device] = min(seq, apart.get(device, seq))
    if apart:
        raise _Apart(apart)
    return {t: [row for row in rows if row[_ID] not in here] for t, rows in records.items()}


def _numbered_elsewhere(session: Session, records: Rows) -> dict[str, int]:
    """Return the first number of each device whose record is here under another device's number."""
    found: dict[str, int] = {}
    for name, rows in records.items():
        table = FACTS[name].__table__
        numbers = {
            id: (device, seq) for id, device, seq in session.execute(select(table.c.id, table.c.device, table.c.seq))
        }
        for id, device, seq, *_ in rows:
            if numbers.get(id, (device, seq)) != (device, seq):
                found[device] = min(seq, found.get(device, seq))
    return found


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


def _update_own(
    store: Store, session: Session, bundle: Bundle, pages: list[BundlePage], fresh: Rows, trust: Trust
) -> None:
    """Follow the others' clocks, store their names and keys, and never give a number twice."""
    own = session.scalars(select(Own)).one()
    theirs = map(_STAMP, chain.from_iterable(fresh.values()))
    own.stamp = hybrid_clock.receive_stamps(own.stamp, theirs, store.now())
    given = [page.last + 1 for page in pages if page.device == own.device]
    own.next_seq = max([own.next_seq, *given])
    signer = bundle.manifest["device"]
    names = {device["id"]: device["name"] for device in (*bundle.manifest["devices"], signer)}
    for device in {signer["id"], *(page.device for page in pages)} - {own.device}:
        key, peer = trust.keys_of(device)[-1], session.get(Peer, device)
        if peer is None:
            session.add(Peer(device=device, name=names.get(device, device[:8]), public_key=key))
        else:
            peer.public_key = key
            if device == signer["id"]:  # a device's own name for itself replaces those others gave it
                peer.name = signer["name"]
