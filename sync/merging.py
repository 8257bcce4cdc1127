"""From bundles into a store: each wholly, in one transaction, or not at all."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store, changes, clock
from store.bulk import insert_rows
from store.check import holes_in_words, tallies
from store.errors import BundleRefused
from store.judging import Record, read_lines
from store.lines import Unfit
from store.models import FACTS, REFERENCES, Change, Farm, Own, Peer, TraceChunk
from store.pages import holds
from sync import trust
from sync.bundle import RECORDS, Bundle, open_bundle
from sync.exporting import member_of
from sync.slices import Slice, kept, pages_here, slices


@dataclass
class MergeResult:
    """What merging did: records added, records known already, bundles refused and why.

    `missing` names in words the records of other devices that have not come yet.
    """

    added: int = 0
    known: int = 0
    refused: list[tuple[Path, str]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def bundles_in(folder: Path) -> list[Path]:
    """Return the bundles lying in a folder, by name."""
    return sorted([*folder.glob("rollbook-*.zip"), *folder.glob("rollbook-*.locked")])


def merge_bundles(
    store: Store,
    paths: Iterable[Path | str],
    progress: Callable[[int, int, str], None] | None = None,
    passphrase: str | None = None,
) -> MergeResult:
    """Merge bundles, and the bundles in folders, in the order given; the end is the same in any.

    Parameters
    ----------
    store : Store
        Where they go.
    paths : iterable of Path or str
        Bundles, or folders: of those, every file named ``rollbook-*.zip`` or ``.locked``.
    progress : callable, optional
        Called as progress(done, of, words) before each bundle and once at the end.
    passphrase : str, optional
        For those that are locked.
    """
    result = MergeResult()
    bundles: list[Path] = []
    for path in map(Path, paths):
        inside = bundles_in(path) if path.is_dir() else [path]
        bundles += inside
        if not inside:
            result.refused.append((path, f"There is no bundle in the folder {path}."))
    for done, path in enumerate(bundles):
        if progress:
            progress(done, len(bundles), path.name)
        try:
            added, known = merge_bundle(store, path, passphrase)
        except BundleRefused as refusal:
            result.refused.append((path, str(refusal)))
        else:
            result.added += added
            result.known += known
    if progress:
        progress(len(bundles), len(bundles), "")
    with store.session() as session:
        result.missing = holes_in_words(session)
    return result


def merge_bundle(store: Store, path: Path, passphrase: str | None = None) -> tuple[int, int]:
    """Merge one bundle and return (added, known); on any refusal nothing was touched.

    Raises
    ------
    BundleRefused
        With a sentence that says why and what to do.
    """
    with open_bundle(path, passphrase) as bundle:
        every = slices(bundle)
        with store.session() as session:
            here = pages_here(session)
            chunks = set(session.scalars(select(TraceChunk.id)))
        fresh_slices = [s for s in every if s.key not in here]
        records = _records(bundle, fresh_slices, chunks)
        try:
            with store.writing() as session:
                _same_farm(session, bundle)
                words = [_named(r) for r in records if r.table == "enrolment"]
                _judge_pages(bundle, fresh_slices, trust.believed(session, bundle, words))
                fresh = _fresh(session, bundle, fresh_slices, records)
                _insert(session, fresh, bundle.manifest["farm"]["id"])
                session.add_all(kept(session, fresh_slices))
                _own_affairs(store, session, bundle, fresh)
        except Unfit:
            raise
        except (ValueError, LookupError) as error:
            raise BundleRefused(
                f"{path.name} was not merged: it builds on records it does not carry and that "
                "are not here. Export it again where it came from."
            ) from error
    return len(fresh), sum(s.last - s.first + 1 for s in every) - len(fresh)


def _records(bundle: Bundle, fresh: list[Slice], chunks_here: set[str]) -> list[Record]:
    """Return the records on the fresh pages, each judged, with the bytes of their traces."""
    traces = {n for n in bundle.manifest["members"] if n != RECORDS}
    read = {member_of(row_id) for row_id in chunks_here}

    def packed(row_id: str) -> bytes | None:
        name = member_of(row_id)
        read.add(name)
        return bundle.read(name) if name in traces else None

    records: dict[tuple[str, int], Record] = {}
    for page in fresh:
        told = read_lines(page.text(), packed)
        due = [(page.device, n) for n in range(page.first, page.last + 1)]
        if [r.key for r in told] != due:
            raise Unfit("a page of it does not hold the records it says")
        for record in told:
            if records.setdefault(record.key, record) != record:
                raise Unfit("two of its records have one number")
    if traces - read:
        raise Unfit("it carries pieces of trace that no record names")
    return list(records.values())


def _named(record: Record) -> dict:
    """Return a record's values by the names of their columns."""
    return dict(zip(FACTS[record.table].__table__.columns.keys(), record.row, strict=True))


def _same_farm(session: Session, bundle: Bundle) -> None:
    farm = session.scalars(select(Farm)).first()
    if farm is not None and farm.id != bundle.manifest["farm"]["id"]:
        raise BundleRefused(
            f"{bundle.path.name} was not merged: it belongs to the farm "
            f"{bundle.manifest['farm']['name']!r}, and this logbook to {farm.name!r}."
        )


def _judge_pages(bundle: Bundle, fresh: list[Slice], keys: dict[str, bytes]) -> None:
    """Hold every page to the key of the device it says it is from, whoever carries it."""
    carrier = bundle.manifest["device"]["name"]
    for page in fresh:
        if page.device not in keys:
            raise BundleRefused(
                f"{bundle.path.name} was not merged: {carrier} passes on records of a device "
                f"({page.device[:8]}) that is not enrolled on this farm. "
                "If it is one of yours, enrol it at the office with its card."
            )
        mark = (page.device, page.first, page.last, page.sha256, page.signature)
        if not holds(*mark, keys[page.device]):
            raise BundleRefused(
                f"{bundle.path.name} was not merged: records {page.first} to {page.last} in it "
                f"are not signed by the device they are said to be from ({page.device[:8]}). "
                f"Ask who made it; {carrier} carried it."
            )


def _fresh(
    session: Session, bundle: Bundle, pages: list[Slice], records: list[Record]
) -> list[Record]:
    """Return the records that are not here yet; the others must be exactly what is here."""
    if not pages:
        return []
    here: dict[tuple[str, int], Record] = {}
    lowest: dict[str, int] = {}
    for page in pages:
        lowest[page.device] = min(page.first, lowest.get(page.device, page.first))
    tops = {device: top for device, (_count, top) in tallies(session).items()}
    for device, first in lowest.items():
        for name, model in FACTS.items() if tops.get(device, 0) >= first else ():
            table = model.__table__
            known = (table.c.device == device) & (table.c.seq >= first)
            for row in session.execute(select(table).where(known)):
                here[row.device, row.seq] = Record(name, tuple(row))
    for record in records:
        if record.key in here and here[record.key] != record:
            device, seq = record.key
            raise BundleRefused(
                f"{bundle.path.name} was not merged: its record {seq} of device {device[:8]} is "
                "another than the one here. One of the two copies was put back from an old file; "
                "run check on both."
            )
    return [record for record in records if record.key not in here]


def _insert(session: Session, fresh: list[Record], farm_id: str) -> None:
    by_table: dict[str, list[tuple]] = {}
    for record in fresh:
        by_table.setdefault(record.table, []).append(record.row)
    changed = by_table.pop(Change.__tablename__, [])
    insert_rows(session, Change.__table__, changed)
    touched: dict[str, list[str]] = {}
    for _id, _device, _seq, _stamp, table, row_id, _columns in changed:
        touched.setdefault(table, []).append(row_id)
    for table, model in REFERENCES.items():
        changes.fold(session, model, touched.get(table, ()))
    if session.scalars(select(Farm.id)).all() != [farm_id]:
        raise Unfit("it does not hold the one farm it says it is of")
    for table, model in FACTS.items():
        insert_rows(session, model.__table__, by_table.get(table, []))


def _own_affairs(store: Store, session: Session, bundle: Bundle, fresh: list[Record]) -> None:
    """Follow the others' clocks, remember their names, and never give a number twice."""
    own = session.scalars(select(Own)).one()
    wall = store.now()
    for stamp in sorted((r.row[3] for r in fresh), reverse=True):
        followed = clock.seen(own.stamp, stamp, wall)
        if followed != own.stamp or stamp <= own.stamp:  # the newest that is not too wild
            own.stamp = followed
            break
    ours = [seq for device, seq in (r.key for r in fresh) if device == own.device]
    own.next_seq = max([own.next_seq, *(seq + 1 for seq in ours)])
    signer = bundle.manifest["device"]
    for device in (*bundle.manifest["devices"], signer):
        if device["id"] == own.device:
            continue
        peer = session.get(Peer, device["id"])
        key = bytes.fromhex(device["public_key"])
        if peer is None:
            session.add(Peer(device=device["id"], name=device["name"], public_key=key))
        elif device is signer:  # its own word on its name counts; others' only until then
            peer.name, peer.public_key = device["name"], key
        elif peer.public_key is None:
            peer.public_key = key
