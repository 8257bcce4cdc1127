"""Pieces of trace that a damaged logbook has lost: where they are missing, and putting them back."""

import json
import math
import zlib
from dataclasses import dataclass

from sqlalchemy import select

from store.db.bulk_insert import insert_rows
from store.db.protocols import FactWriter
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import read_page
from store.facts.timestamp import read_time
from store.models import SignedPage, Stint, TraceChunk
from store.traces.trace_codec import MAX_COUNT, Trace, cut, pack


@dataclass(frozen=True)
class Missing:
    """One piece, or run of pieces, of a stint's trace that is not there.

    Attributes
    ----------
    stint_id : str
    n : int
        The index of its first fix.
    count : int or None
        How many fixes; None behind the last piece, where nothing says how many there were.
    since, until : float
        POSIX s: the fixes lay between these, themselves included if it is signed, else not.
    signed : tuple or None
        Device, number and line of the piece, where it was signed: it can only come back as it was.
    """

    stint_id: str
    n: int
    count: int | None
    since: float
    until: float
    signed: tuple[str, int, str] | None = None


def missing(store: FactWriter) -> list[Missing]:
    """Return what is missing of every trace; open traces are sealed for it.

    The stretch behind the last piece of each stint is always among them: only whoever knows when
    the stint ended can say whether anything belongs there.
    """
    store.seal_traces()
    found: list[Missing] = []
    with store.session() as session:
        here = {}
        columns = (TraceChunk.n, TraceChunk.count, TraceChunk.first_at, TraceChunk.last_at)
        for stint_id, *piece in session.execute(select(TraceChunk.stint_id, *columns)):
            here.setdefault(stint_id, []).append(tuple(piece))
        ids = set(session.scalars(select(TraceChunk.id)))
        for page in session.scalars(select(SignedPage)):
            found += list(_lost_of(page, ids))
        for lost in found:
            piece = (lost.n, lost.count, lost.since, lost.until)
            here.setdefault(lost.stint_id, []).append(piece)
        for stint in session.scalars(select(Stint)):
            n, since = 0, stint.at
            for first, count, first_at, last_at in sorted(here.get(stint.id, ())):
                if first > n:
                    found.append(Missing(stint.id, n, first - n, since, first_at))
                n, since = max(n, first + count), last_at
            found.append(Missing(stint.id, n, None, since, math.inf))
    return found


def _lost_of(page: SignedPage, ids: set[str]) -> list[Missing]:
    """Return the pieces of trace whose records stand on a page and which are not here."""
    try:
        lines = zlib.decompress(page.squeezed).decode().split("\n")[:-1]
        said = [(n, line, json.loads(line)) for n, line in enumerate(lines, page.first)
                if f'"{TraceChunk.__tablename__}"' in line]  # fmt: skip
    except (zlib.error, ValueError):
        return []
    return [
        Missing(
            columns["stint_id"], columns["n"], columns["count"],
            read_time(columns["first_at"]), read_time(columns["last_at"]), (page.device, seq, line),
        )
        for seq, line, record in said
        if record["table"] == TraceChunk.__tablename__ and record["id"] not in ids
        for columns in (record["columns"],)
    ]  # fmt: skip


def put_back(store: FactWriter, lost: Missing, trace: Trace) -> int:
    """Put fixes where they are missing; return how many were.

    A signed piece comes back only as the very same record, byte for byte, for other copies may
    have it; else nothing is put. Fixes that were on no page become new records.

    Raises
    ------
    StoreRefused
        If it could not be written.
    """
    if lost.signed is not None:
        device, seq, line = lost.signed
        data = pack(trace)
        try:
            rows = read_page(f"{line}\n".encode(), device, seq, lambda _id: data)
        except InvalidFact:
            return 0
        with store.writing() as session:
            insert_rows(session, TraceChunk.__table__, rows[TraceChunk.__tablename__])
        return len(trace)
    if lost.count is not None:  # where too many are offered, the later ones
        trace = cut(trace, max(0, len(trace) - lost.count), len(trace))
    with store.writing() as session:
        for i in range(0, len(trace), MAX_COUNT):
            part = cut(trace, i, i + MAX_COUNT)
            chunk = TraceChunk(
                stint_id=lost.stint_id, n=lost.n + i, count=len(part), packed=pack(part),
                first_at=float(part.t.min()), last_at=float(part.t.max()),
            )  # fmt: skip
            store.number(session, chunk)
    return len(trace)
