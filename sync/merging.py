"""From bundles into a store: each wholly, in one transaction, or not at all."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from store import Store, changes, clock
from store.check import holes_in_words
from store.errors import BundleRefused
from store.models import FACTS, REFERENCES, Change, Farm, Own, Peer
from sync.bundle import RECORDS, Bundle, read_bundle
from sync.records import Record, Unfit, read_line


@dataclass
class MergeResult:
    """What merging did: records added, records known already, bundles refused and why.

    `missing` names in words the records of other devices that have not come yet.
    """

    added: int = 0
    known: int = 0
    refused: list[tuple[Path, str]] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)


def merge_bundles(
    store: Store,
    paths: Iterable[Path | str],
    progress: Callable[[int, int, str], None] | None = None,
) -> MergeResult:
    """Merge bundles, and the bundles in folders, in the order given; the end is the same in any.

    Parameters
    ----------
    store : Store
        Where they go.
    paths : iterable of Path or str
        Bundles, or folders: of those, every file named ``rollbook-*.zip``.
    progress : callable, optional
        Called as progress(done, of, words) before each bundle and once at the end.
    """
    result = MergeResult()
    bundles: list[Path] = []
    for path in map(Path, paths):
        inside = sorted(path.glob("rollbook-*.zip")) if path.is_dir() else [path]
        bundles += inside
        if not inside:
            result.refused.append((path, f"There is no bundle in the folder {path}."))
    for done, path in enumerate(bundles):
        if progress:
            progress(done, len(bundles), path.name)
        try:
            added, known = merge_bundle(store, path)
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


def merge_bundle(store: Store, path: Path) -> tuple[int, int]:
    """Merge one bundle and return (added, known); on any refusal nothing was touched.

    Raises
    ------
    BundleRefused
        With a sentence that says why and what to do.
    """
    bundle = read_bundle(path)
    try:
        records = _records(bundle)
        with store.writing() as session:
            _trust(session, bundle)
            _same_farm(session, bundle)
            fresh = _fresh(session, bundle, records)
            _insert(session, fresh, bundle.manifest["farm"]["id"])
            _own_affairs(store, session, bundle, fresh)
    except Unfit as error:
        raise BundleRefused(
            f"{path.name} was not merged: {error}. Export it again where it came from."
        ) from error
    except (ValueError, LookupError) as error:
        raise BundleRefused(
            f"{path.name} was not merged: it builds on records it does not carry and that are "
            "not here. Export it again where it came from."
        ) from error
    return len(fresh), len(records) - len(fresh)


def _records(bundle: Bundle) -> list[Record]:
    traces = {n: data for n, data in bundle.members.items() if n != RECORDS}
    try:
        lines = bundle.members[RECORDS].decode().split("\n")
    except UnicodeDecodeError as error:
        raise Unfit("its records are not UTF-8 text") from error
    if lines.pop() != "":
        raise Unfit("its last record is cut off")
    records = [read_line(line, traces) for line in lines]
    if traces:
        raise Unfit("it carries pieces of trace that no record names")
    if len({r.key for r in records}) != len(records):
        raise Unfit("two of its records have one number")
    return records


def _trust(session: Session, bundle: Bundle) -> None:
    """Hold a device to the key it was first seen with."""
    device = bundle.manifest["device"]
    own = session.scalars(select(Own)).one()
    if device["id"] == own.device:
        private = Ed25519PrivateKey.from_private_bytes(own.private_key)
        known = private.public_key().public_bytes_raw()
    else:
        peer = session.get(Peer, device["id"])
        known = peer.public_key if peer else None
    if known is not None and known != bundle.public_key:
        raise BundleRefused(
            f"{bundle.path.name} was not merged: it says it is from {device['name']}, but is not "
            "signed with the key that device has always used here. Ask who made it."
        )


def _same_farm(session: Session, bundle: Bundle) -> None:
    farm = session.scalars(select(Farm)).first()
    if farm is not None and farm.id != bundle.manifest["farm"]["id"]:
        raise BundleRefused(
            f"{bundle.path.name} was not merged: it belongs to the farm "
            f"{bundle.manifest['farm']['name']!r}, and this logbook to {farm.name!r}."
        )


def _fresh(session: Session, bundle: Bundle, records: list[Record]) -> list[Record]:
    """Return the records that are not here yet; the others must be exactly what is here."""
    here = {}
    for name, model in FACTS.items():
        for row in session.execute(select(model.__table__)).mappings():
            here[row["device"], row["seq"]] = Record(name, dict(row))
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
    by_table: dict[str, list[dict]] = {}
    for record in fresh:
        by_table.setdefault(record.table, []).append(record.values)
    changed = by_table.pop(Change.__tablename__, [])
    if changed:
        session.execute(insert(Change), changed)
    touched: dict[str, list[str]] = {}
    for change in changed:
        touched.setdefault(change["table"], []).append(change["row_id"])
    for table, model in REFERENCES.items():
        for row_id in dict.fromkeys(touched.get(table, ())):
            changes.fold(session, model, row_id)
        session.flush()
    if session.scalars(select(Farm.id)).all() != [farm_id]:
        raise Unfit("it does not hold the one farm it says it is of")
    for table, model in FACTS.items():
        if table in by_table:
            session.execute(insert(model), by_table[table])


def _own_affairs(store: Store, session: Session, bundle: Bundle, fresh: list[Record]) -> None:
    """Follow the others' clocks, remember their names, and never give a number twice."""
    own = session.scalars(select(Own)).one()
    wall = store.wall()
    for record in fresh:
        own.stamp = clock.seen(own.stamp, record.values["stamp"], wall)
        if record.values["device"] == own.device:
            own.next_seq = max(own.next_seq, record.values["seq"] + 1)
    signer = bundle.manifest["device"]
    for device in (*bundle.manifest["devices"], signer):
        if device["id"] == own.device:
            continue
        peer = session.get(Peer, device["id"])
        if peer is None:
            peer = Peer(device=device["id"], name=device["name"], public_key=None)
            session.add(peer)
        if device is signer:  # its own word on its name counts; others' only until then
            peer.name, peer.public_key = device["name"], bundle.public_key
