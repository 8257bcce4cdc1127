"""What every merge does with records that were read and checked: which are new, which contradict, and writing them."""

import gc
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain, pairwise
from operator import itemgetter
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.db.bulk_insert import insert_rows
from store.durability.integrity_check import top_of
from store.errors import Message, message
from store.facts import device_identity, hybrid_clock, reference_changes
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import Rows
from store.models import FACTS, REFERENCES, Change, Enrolment, Fact, Farm, Own, Peer, Retirement, SignedPage
from sync.device_trust import Carrier, Trust

_ID, _DEVICE, _SEQ = 0, 1, 2
_NUMBER, _STAMP = itemgetter(_DEVICE, _SEQ), itemgetter(3)  # a number is a device's
_TABLE, _ROW_ID = (Change.__table__.columns.keys().index(n) for n in ("table", "row_id"))


class Page(Protocol):
    """A page of any file: whose it is, the numbers on it, and what was signed."""

    @property
    def device(self) -> str: ...
    @property
    def first(self) -> int: ...
    @property
    def last(self) -> int: ...
    @property
    def sha256(self) -> str: ...
    @property
    def signature(self) -> str: ...


Words = Callable[[Store, Path, str, int], Message]
"""Says of a file that the records of a device from a number on were set aside."""
MOST_MISSING = 1_000_000
"""Numbers of a device that may be missing before a page; one further beyond would leave a hole that nobody fills."""


def other_farm(name: str, theirs: str, ours: str) -> Message:
    """Return why a file of another farm is not merged; one of the same name was begun twice."""
    if theirs.casefold() == ours.casefold():
        return message(
            "{name} was not merged: two logbooks of '{ours}' were both begun as the farm's first, here and there. Only one "
            "can go on: join the other one from the machine that has no work in it yet.",
            name=name,
            ours=ours,
        )
    return message(
        "{name} was not merged: it belongs to the farm '{theirs}', and this logbook to '{ours}'.",
        name=name,
        theirs=theirs,
        ours=ours,
    )


def first_beyond(pages: Iterable[Page], top: int) -> int | None:
    """Return the first number of the page, of some of one device in order, that lies too far beyond those before it.

    `top`: the highest number that is here.
    """
    for page in pages:
        if page.first > top + MOST_MISSING:
            return page.first
        top = max(top, page.last)
    return None


def beyond_words(store: Store, path: Path, device: str, first: int) -> Message:
    return message(
        "In {path} records of {name} ({device}) from number {first} on were set aside, because a million before them are "
        "not here; all else was merged. Ask what was done on that machine, or bring the records before them.",
        **_set_aside(store, path, device, first),
    )


def _set_aside(store: Store, path: Path, device: str, first: int) -> dict[str, object]:
    """Return what a sentence on records that are not taken says: in which file, whose, and from which number on."""
    with store.session() as session:
        peer = session.get(Peer, device)
    name = peer.name if peer is not None else store.device_name if device == store.device else device[:8]
    return {"path": path.name, "name": name, "device": device[:8], "first": first}


def apart_words(store: Store, path: Path, device: str, first: int) -> Message:
    return message(
        "In {path} records of {name} ({device}) from number {first} on were set aside, because one of them is here with "
        "other content; all else was merged. Ask who has altered them on that machine.",
        **_set_aside(store, path, device, first),
    )


class Apart(Exception):
    """Pages that cannot be taken; `first` is the number of each device from which on they cannot, `words` says why."""

    def __init__(self, first: dict[str, int], words: Words = apart_words):
        super().__init__(first)
        self.first, self.words = first, words


@contextmanager
def no_garbage_collection() -> Iterator[None]:
    """Disable garbage collection: the many rows are needed to the end."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def records_once(records: Rows) -> Rows:
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


def records_of(model: type[Fact], records: Rows) -> list[dict[str, Any]]:
    """Return the records of one table by the names of its columns."""
    names = model.__table__.columns.keys()
    return [dict(zip(names, row, strict=True)) for row in records.get(model.__tablename__, [])]


def renew_if_doubled(store: Store, session: Session, records: Rows, told: Sequence[Retirement] = ()) -> Own | None:
    """Go on as a new device if the records show that another machine writes as this one, and return it.

    `told`: retirements that come with them later.
    """
    own = session.scalars(select(Own.device)).one()
    theirs = [(row[_SEQ], row[_ID]) for rows in records.values() for row in rows if row[_DEVICE] == own]
    retirements = [*told, *(Retirement(**row) for row in records_of(Retirement, records))]
    enrolments = [Enrolment(**row) for row in records_of(Enrolment, records)]
    return device_identity.renew_if_doubled(session, theirs, retirements, enrolments, store.now())


def fresh_records(session: Session, pages: Sequence[Page], records: Rows) -> Rows:
    """Return the records that are not here yet; raise Apart unless the others are equal to those here."""
    here: dict[str, tuple[str, tuple[Any, ...]]] = {}
    lowest: dict[str, int] = {}
    for page in pages:
        lowest[page.device] = min(page.first, lowest.get(page.device, page.first))
    for device, first in lowest.items():
        for name, model in FACTS.items() if top_of(session, device) >= first else ():
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
        raise Apart(apart)
    return {t: [row for row in rows if row[_ID] not in here] for t, rows in records.items()}


def numbered_elsewhere(session: Session, records: Rows) -> dict[str, int]:
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


def insert_records(session: Session, fresh: Rows, farm_id: str) -> None:
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


def store_pages(
    session: Session, fresh: Sequence[Page], compressed: Iterable[bytes], news: set[tuple[str, int]] | None
) -> None:
    """Store those of the pages that bring news, or are not part of one stored already.

    `news`: device and number of the records that were not here before; None: all pages that are not here are stored.

    Notes: Where two machines wrote as one device, its pages overlap and hold other records.
    """
    here: dict[str, list[tuple[int, int, str]]] = {}
    for device in {page.device for page in fresh}:
        here[device] = pages_between(session, [page for page in fresh if page.device == device])

    def is_new(page: Page) -> bool:
        if (page.first, page.last, page.sha256) in here[page.device]:
            return False  # one of ours, signed anew just now: an image was put back
        if news is None or any((page.device, n) in news for n in range(page.first, page.last + 1)):
            return True
        return not any(first <= page.first and page.last <= last for first, last, _sha256 in here[page.device])

    rows = [
        (p.device, p.first, p.last, p.sha256, p.signature, lines)
        for p, lines in zip(fresh, compressed, strict=True)
        if is_new(p)
    ]
    insert_rows(session, SignedPage.__table__, rows)


def pages_between(session: Session, pages: Sequence[Page]) -> list[tuple[int, int, str]]:
    """Return first, last and SHA-256 of the pages here that reach among some pages of one device."""
    least, most = min(page.first for page in pages), max(page.last for page in pages)
    query = select(SignedPage.first, SignedPage.last, SignedPage.sha256).where(
        SignedPage.device == pages[0].device, SignedPage.last >= least, SignedPage.first <= most
    )
    return [(a, b, sha256) for a, b, sha256 in session.execute(query)]


def overlapping_of(session: Session, pages: Sequence[Page]) -> set[str]:
    """Return the devices of which some of these pages overlap others that are here."""
    found = set()
    for device in {page.device for page in pages}:
        here = sorted(pages_between(session, [page for page in pages if page.device == device]))
        if any(b[0] <= a[1] for a, b in pairwise(here)):
            found.add(device)
    return found


def numbers_of(records: Rows) -> set[tuple[str, int]]:
    """Return device and number of each record."""
    return {_NUMBER(row) for rows in records.values() for row in rows}


def follow(store: Store, session: Session, pages: Iterable[Page], fresh: Rows) -> None:
    """Follow the others' clocks, and never give a number twice."""
    own = session.scalars(select(Own)).one()
    theirs = map(_STAMP, chain.from_iterable(fresh.values()))
    own.stamp = hybrid_clock.receive_stamps(own.stamp, theirs, store.now())
    given = [page.last + 1 for page in pages if page.device == own.device]
    own.next_seq = max([own.next_seq, *given])


def keep_peers(session: Session, trust: Trust, carriers: Sequence[Carrier], pages: Sequence[Page]) -> None:
    """Store the names and keys of carriers, and of those whose pages came."""
    signers = {str(one.manifest["device"]["id"]): str(one.manifest["device"]["name"]) for one in carriers}
    names = {device["id"]: device["name"] for one in carriers for device in one.manifest["devices"]} | signers
    for device in {*signers, *(page.device for page in pages)} - {session.scalars(select(Own.device)).one()}:
        key, peer = trust.keys_of(device)[-1], session.get(Peer, device)
        if peer is None:
            session.add(Peer(device=device, name=names.get(device, device[:8]), public_key=key))
        else:
            peer.public_key = key
            peer.name = signers.get(device, peer.name)  # a device's own name for itself replaces those others gave it
