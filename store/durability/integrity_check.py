"""Is the logbook whole? Every fault found is a sentence; an empty list means none was found."""

import hashlib
import zlib
from collections.abc import Iterator
from datetime import tzinfo

from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from store.facts.hybrid_clock import read_stamp
from store.facts.reference_changes import defaults, own_columns
from store.facts.signed_pages import text_of
from store.facts.timestamp import part_of_day, zone_of
from store.models import FACTS, REFERENCES, Change, Farm, Own, Peer, SignedPage, TraceChunk, TraceTail
from store.traces.trace_codec import unpack
from store.traces.varint import InvalidEncoding

# All facts as (device, seq, stamp), spelt once: building it anew costs more than running it.
_EVERY = " UNION ALL ".join(f'SELECT device, seq, stamp FROM "{name}"' for name in FACTS)
_TALLIES = " UNION ALL ".join(
    f'SELECT device, count(*) AS n, max(seq) AS top FROM "{name}" GROUP BY device' for name in FACTS
)  # each from its index alone
_TALLY = text(f"SELECT device, sum(n), max(top) FROM ({_TALLIES}) AS every GROUP BY device")
_NUMBERS_OF = text(f"SELECT seq FROM ({_EVERY}) AS every WHERE device = :device ORDER BY seq")
_STAMP_OF = text(f"SELECT stamp FROM ({_EVERY}) AS every WHERE device = :device AND seq = :seq")
_TWICE = text(f"SELECT device, seq FROM ({_EVERY}) AS every GROUP BY device, seq HAVING count(*) > 1")
_DAMAGED = "SQLite finds the file damaged: {}. Put the newest backup in its place."


def check(session: Session) -> list[str]:
    """Return the faults of a logbook as sentences.

    Looks at SQLite's own integrity, foreign keys, holes and doubles in the sequence numbers
    of each device, whether every piece of trace decodes and lines up, whether stamps are
    readable, and whether every reference row is the sum of its changes.
    """
    found: list[str] = []
    for look in (_integrity, _foreign_keys, _sequences, _chunks, _stamps, _references, _pages):
        try:
            found.extend(look(session))
        except DBAPIError as error:  # too damaged to be looked at any further
            return [*found, _DAMAGED.format(error.orig)]
    return found


def tallies(session: Session) -> dict[str, tuple[int, int]]:
    """Return how many numbers of each device are here, and the highest of them."""
    return {device: (int(count), top) for device, count, top in session.execute(_TALLY)}


def holes(session: Session) -> dict[str, list[tuple[int, int]]]:
    """Return the missing sequence numbers of each device as (first, last) ranges."""
    found_here = tallies(session)
    due = {device: top for device, (_count, top) in found_here.items()}
    for device, next_seq in session.execute(select(Own.device, Own.next_seq)):
        due[device] = max(due.get(device, 0), next_seq - 1)
    found: dict[str, list[tuple[int, int]]] = {}
    for device, last in due.items():
        if found_here.get(device, (0, 0))[0] == last:
            continue
        place = 0
        numbers = session.scalars(_NUMBERS_OF, {"device": device})
        for seq in (*numbers, last + 1):
            if seq > place + 1:
                found.setdefault(device, []).append((place + 1, seq - 1))
            place = seq
    return found


def holes_in_words(session: Session) -> list[str]:
    """Return the holes as sentences that say when they are from and from whom to fetch them."""
    names = dict(session.execute(select(Peer.device, Peer.name)).all())
    names |= dict(session.execute(select(Own.device, Own.name)).all())
    zone = zone_of(session.scalars(select(Farm.timezone)).first())
    sentences = []
    for device, ranges in holes(session).items():
        spans = ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in ranges)
        name = names.get(device, "an unnamed device")
        when = "; ".join(_when(session, device, a, b, zone) for a, b in ranges[:3])
        sentences.append(
            f"{name}, {when}{' and more' if len(ranges) > 3 else ''}, is missing. "
            f"Records {spans} of {name} ({device[:8]}) are missing here. "
            "Merge a newer bundle from it, or from a copy that has met it."
        )
    return sentences


def _when(session: Session, device: str, first: int, last: int, zone: tzinfo) -> str:
    """Return from when the missing records must be: between the ones on either side."""
    ends = []
    for seq in (first - 1, last + 1):
        stamp = session.scalar(_STAMP_OF, {"device": device, "seq": seq})
        try:
            ends.append(part_of_day(read_stamp(stamp or "")[0] / 1000, zone))
        except ValueError:
            ends.append(None)
    since, until = ends
    if since and until:
        return since if since == until else f"{since} to {until}"
    return f"{since} and later" if since else f"{until} and earlier" if until else "at some time"


def _integrity(session: Session) -> Iterator[str]:
    if not _is_sqlite(session):
        return  # a server looks after its own files
    for (said,) in session.execute(text("PRAGMA integrity_check")):
        if said != "ok":
            yield _DAMAGED.format(said)


def _foreign_keys(session: Session) -> Iterator[str]:
    if not _is_sqlite(session):
        return  # a server never lets one in
    for table, _rowid, target, _n in session.execute(text("PRAGMA foreign_key_check")):
        yield f"A row of {table} names a row of {target} that is not there."


def _sequences(session: Session) -> Iterator[str]:
    yield from holes_in_words(session)
    for device, seq in session.execute(_TWICE):
        yield f"Number {seq} of device {device[:8]} was given to two records."


def _chunks(session: Session) -> Iterator[str]:
    due: dict[str, int] = {}
    for chunk in session.scalars(select(TraceChunk).order_by(TraceChunk.stint_id, TraceChunk.n)):
        where = f"The trace of stint {chunk.stint_id[:8]}, fixes {chunk.n} to "
        where += f"{chunk.n + chunk.count - 1},"
        try:
            if len(unpack(chunk.packed)) != chunk.count:
                yield f"{where} does not hold as many fixes as it says."
        except InvalidEncoding as error:
            yield f"{where} cannot be read: {error}."
        if chunk.n != due.get(chunk.stint_id, 0):
            yield f"{where} does not follow on the piece before it."
        due[chunk.stint_id] = chunk.n + chunk.count
    for tail in session.scalars(select(TraceTail)):
        try:
            unpack(tail.packed)
        except InvalidEncoding as error:
            yield f"The open trace of stint {tail.stint_id[:8]} cannot be read: {error}."


def _stamps(session: Session) -> Iterator[str]:
    for name, model in FACTS.items():
        for row_id, stamp in session.execute(select(model.id, model.stamp)):
            try:
                read_stamp(stamp)
            except ValueError:
                yield f"Row {row_id[:8]} of {name} has a stamp that cannot be read."


def _references(session: Session) -> Iterator[str]:
    sums: dict[tuple[str, str], dict] = {}
    ordered = select(Change).order_by(Change.stamp, Change.device, Change.seq)
    for change in session.scalars(ordered):
        sums.setdefault((change.table, change.row_id), {}).update(change.columns)
    for table, model in REFERENCES.items():
        for row in session.scalars(select(model)):
            said = {**defaults(model), **sums.get((table, row.id), {})}
            off = [n for n in own_columns(model) if said.get(n) != getattr(row, n)]
            if off:
                yield f"{table} {row.id[:8]} is not what its changes say in {', '.join(off)}."


def _pages(session: Session) -> Iterator[str]:
    for page in session.scalars(select(SignedPage)):
        try:
            sound = hashlib.sha256(text_of(page)).hexdigest() == page.sha256
        except zlib.error:
            sound = False
        if not sound:
            yield f"The signed page {page.first} to {page.last} of {page.device[:8]} is damaged."


def _is_sqlite(session: Session) -> bool:
    return session.get_bind().dialect.name == "sqlite"
