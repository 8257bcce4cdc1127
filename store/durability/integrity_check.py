"""Checks that a logbook is whole; every fault found is a sentence."""

import hashlib
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import tzinfo
from typing import Any

from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from store.errors import Message, message
from store.facts.doubled_numbers import doubled, overlapping
from store.facts.hybrid_clock import read_stamp
from store.facts.reference_changes import own_columns, sum_of
from store.facts.signed_pages import text_of
from store.facts.timestamp import part_of_day, zone_of
from store.models import FACTS, REFERENCES, Change, Farm, Own, Peer, SignedPage, TraceChunk, TraceTail
from store.traces.trace_codec import unpack
from store.traces.varint import InvalidEncoding

# All facts as (device, seq, stamp), compiled once: building it anew costs more than running it.
_EVERY = " UNION ALL ".join(f'SELECT device, seq, stamp FROM "{name}"' for name in FACTS)
_TALLIES = " UNION ALL ".join(
    f'SELECT device, count(*) AS n, max(seq) AS top FROM "{name}" GROUP BY device' for name in FACTS
)  # each from its index alone
_TALLY = text(f"SELECT device, sum(n), max(top) FROM ({_TALLIES}) AS every GROUP BY device")
_TOP_OF = text(
    "SELECT max(top) FROM ("
    + " UNION ALL ".join(f'SELECT max(seq) AS top FROM "{name}" WHERE device = :device' for name in FACTS)
    + ") AS every"
)
_NUMBERS_OF = text(f"SELECT seq FROM ({_EVERY}) AS every WHERE device = :device ORDER BY seq")
_STAMP_OF = text(f"SELECT stamp FROM ({_EVERY}) AS every WHERE device = :device AND seq = :seq")


def check(session: Session) -> list[Message]:
    """Return the faults of a logbook; an empty list means that none was found.

    Checks the file and its foreign keys by SQLite, sequence numbers, pieces of trace, stamps,
    reference rows against their changes, and signed pages; and that no two machines write as one.
    """
    return _faults(session, missing_records, _doubled)


def damage(session: Session) -> list[Message]:
    """Return the faults of a logbook for which no backup of it is kept.

    Notes: What is missing is no better kept without a backup, and doubled numbers lose nothing: neither is among them.
    """
    return _faults(session)


def _faults(session: Session, *further: Callable[[Session], Iterable[Message]]) -> list[Message]:
    found: list[Message] = []
    checks: list[Callable[[Session], Iterable[Message]]] = [*further, _chunks, _stamps, _references, _pages]
    if session.get_bind().dialect.name == "sqlite":  # a server checks its own files and keys
        checks = [_integrity, _foreign_keys, *checks]
    for faults in checks:
        try:
            found.extend(faults(session))
        except DBAPIError as error:  # too damaged to be checked any further
            return [*found, _damaged(error.orig)]
    return found


def tallies(session: Session) -> dict[str, tuple[int, int]]:
    """Return how many numbers of each device are here, and the highest of them."""
    return {device: (int(count), top) for device, count, top in session.execute(_TALLY)}


def top_of(session: Session, device: str) -> int:
    """Return the highest number of a device that is here; 0 if there is none."""
    return session.scalar(_TOP_OF, {"device": device}) or 0


def holes(session: Session) -> dict[str, list[tuple[int, int]]]:
    """Return the missing sequence numbers of each device as (first, last) ranges."""
    here = tallies(session)
    due = {device: top for device, (_count, top) in here.items()}
    for device, next_seq in session.execute(select(Own.device, Own.next_seq)):
        due[device] = max(due.get(device, 0), next_seq - 1)
    found: dict[str, list[tuple[int, int]]] = {}
    twice = overlapping(session)
    for device, last in due.items():
        if here.get(device, (0, 0))[0] == last and device not in twice:
            continue
        place = 0
        for seq in (*session.scalars(_NUMBERS_OF, {"device": device}), last + 1):
            if seq > place + 1:
                found.setdefault(device, []).append((place + 1, seq - 1))
            place = seq
    return found


def missing_records(session: Session) -> list[Message]:
    """Return the holes as sentences that say when they are from and where to fetch them."""
    names: dict[str, str] = {}
    for model in (Peer, Own):
        names.update((device, name) for device, name in session.execute(select(model.device, model.name)))
    zone = zone_of(session.scalars(select(Farm.timezone)).first())
    return [
        message(
            "{name}, {when}, is missing. Records {numbers} of {name} ({device}) are missing here. "
            "Merge a newer bundle from it, or from a copy that has met it.",
            name=names.get(device) or message("an unnamed device"),
            when=[_when(session, device, a, b, zone) for a, b in ranges[:3]]
            + [message("and more")] * (len(ranges) > 3),
            numbers=[a if a == b else message("{first} to {last}", first=a, last=b) for a, b in ranges],
            device=device[:8],
        )
        for device, ranges in holes(session).items()
    ]


def _when(session: Session, device: str, first: int, last: int, zone: tzinfo) -> Message:
    """Return from when the missing records must be: between the ones on either side."""
    ends: list[Message | None] = []
    for seq in (first - 1, last + 1):
        stamp = session.scalar(_STAMP_OF, {"device": device, "seq": seq})
        try:
            ends.append(part_of_day(read_stamp(stamp or "")[0] / 1000, zone))
        except ValueError:
            ends.append(None)
    since, until = ends
    if since and until:
        return since if since == until else message("{since} to {until}", since=since, until=until)
    if since:
        return message("{since} and later", since=since)
    return message("{until} and earlier", until=until) if until else message("at some time")


def _damaged(reason: object) -> Message:
    return message("SQLite finds the file damaged: {reason}. Put the newest backup in its place.", reason=str(reason))


def _integrity(session: Session) -> Iterator[Message]:
    for (result,) in session.execute(text("PRAGMA integrity_check")):
        if result != "ok":
            yield _damaged(result)


def _foreign_keys(session: Session) -> Iterator[Message]:
    for table, _rowid, target, _n in session.execute(text("PRAGMA foreign_key_check")):
        yield message("A row of {table} names a row of {target} that is not there.", table=table, target=target)


def _doubled(session: Session) -> Iterable[Message]:
    return (one.said for one in doubled(session))


def _chunks(session: Session) -> Iterator[Message]:
    due: dict[str, int] = {}
    for chunk in session.scalars(select(TraceChunk).order_by(TraceChunk.stint_id, TraceChunk.n)):
        end = chunk.n + chunk.count
        where = {"stint": chunk.stint_id[:8], "first": chunk.n, "last": end - 1}
        try:
            if len(unpack(chunk.packed)) != chunk.count:
                yield message(
                    "The trace of stint {stint}, fixes {first} to {last}, does not hold as many fixes as it says.",
                    **where,
                )
        except InvalidEncoding as error:
            yield message(
                "The trace of stint {stint}, fixes {first} to {last}, cannot be read. {reason}",
                **where,
                reason=error.message,
            )
        if chunk.n > due.get(chunk.stint_id, 0):
            yield message(
                "The trace of stint {stint}, fixes {first} to {last}, does not follow on the piece before it.", **where
            )
        due[chunk.stint_id] = max(end, due.get(chunk.stint_id, 0))
    for tail in session.scalars(select(TraceTail)):
        try:
            unpack(tail.packed)
        except InvalidEncoding as error:
            yield message(
                "The open trace of stint {stint} cannot be read. {reason}",
                stint=tail.stint_id[:8],
                reason=error.message,
            )


def _stamps(session: Session) -> Iterator[Message]:
    for name, model in FACTS.items():
        for row_id, stamp in session.execute(select(model.id, model.stamp)):
            try:
                read_stamp(stamp)
            except ValueError:
                yield message("Row {row} of {table} has a stamp that cannot be read.", row=row_id[:8], table=name)


def _references(session: Session) -> Iterator[Message]:
    for table, model in REFERENCES.items():
        changes: dict[str, list[Sequence[Any]]] = {}
        columns = (Change.stamp, Change.device, Change.seq, Change.id, Change.columns)
        for row_id, *change in session.execute(select(Change.row_id, *columns).where(Change.table == table)):
            changes.setdefault(row_id, []).append(change)
        for row in session.scalars(select(model)):
            due = sum_of(model, changes.get(row.id, ()))
            off = [n for n in own_columns(model) if due.get(n) != getattr(row, n)]
            if off:
                yield message(
                    "{table} {row} is not what its changes say in {columns}.", table=table, row=row.id[:8], columns=off
                )


def _pages(session: Session) -> Iterator[Message]:
    for page in session.scalars(select(SignedPage)):
        try:
            sound = hashlib.sha256(text_of(page)).hexdigest() == page.sha256
        except zlib.error:
            sound = False
        if not sound:
            yield message(
                "The signed page {first} to {last} of {device} is damaged.",
                first=page.first,
                last=page.last,
                device=page.device[:8],
            )
