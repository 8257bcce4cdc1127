"""Pieces of trace that a damaged logbook has lost: where they are missing, and putting them back."""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from sqlalchemy import select

from store.db.bulk_insert import insert_rows
from store.db.protocols import FactWriter
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import read_page
from store.facts.signed_pages import numbered_lines
from store.facts.timestamp import read_time
from store.models import SignedPage, Stint, TraceChunk
from store.traces.trace_codec import Trace, cut, pack
from store.traces.trace_writer import add_chunks


@dataclass(frozen=True)
class Missing:
    """One missing run of a stint's trace.

    `n`: the index of its first fix.
    `count`: how many fixes; None behind the last piece, where their number is not known.
    `since`, `until`: POSIX s: the fixes lay between these, the ends included only if it is signed.
    `signed`: device, number and line of the piece, where it was signed: it can only come back as it was.
    """

    stint_id: str
    n: int
    count: int | None
    since: float
    until: float
    signed: tuple[str, int, str] | None = None


def missing(store: FactWriter) -> list[Missing]:
    """Return what is missing of every trace; open traces are sealed for it.

    The stretch behind the last piece of each stint is always included, because the logbook does
    not say when the trace ended.
    """
    store.seal_traces()
    found: list[Missing] = []
    with store.session() as session:
        here: dict[str, list[tuple[Any, ...]]] = {}
        ids = set()
        columns = (TraceChunk.n, TraceChunk.count, TraceChunk.first_at, TraceChunk.last_at)
        for row_id, stint_id, *piece in session.execute(select(TraceChunk.id, TraceChunk.stint_id, *columns)):
            here.setdefault(stint_id, []).append(tuple(piece))
            ids.add(row_id)
        for page in session.scalars(select(SignedPage)):
            for lost, count in _lost_of(page, ids):
                found.append(lost)
                here.setdefault(lost.stint_id, []).append((lost.n, count, lost.since, lost.until))
        for stint in session.scalars(select(Stint)):
            n, since = 0, stint.at
            for first, count, first_at, last_at in sorted(here.get(stint.id, ())):
                if first > n:
                    found.append(Missing(stint.id, n, first - n, since, first_at))
                n, since = max(n, first + count), last_at
            found.append(Missing(stint.id, n, None, since, math.inf))
    return found


def _lost_of(page: SignedPage, ids: set[str]) -> Iterator[tuple[Missing, int]]:
    """Yield the pieces of trace whose records stand on a page and which are not here, with their counts."""
    for seq, line in numbered_lines(page):
        if f'"{TraceChunk.__tablename__}"' not in line:
            continue
        record = json.loads(line)
        if record["table"] == TraceChunk.__tablename__ and record["id"] not in ids:
            columns = record["columns"]
            ends = read_time(columns["first_at"]), read_time(columns["last_at"])
            signed = page.device, seq, line
            yield Missing(columns["stint_id"], columns["n"], columns["count"], *ends, signed), columns["count"]


def _same(packed: bytes, _id: str) -> bytes:
    return packed


def put_back(store: FactWriter, lost: Missing, trace: Trace) -> int:
    """Put fixes where they are missing; return how many were.

    A signed piece comes back only as the same record, byte for byte, because other copies may have
    it; else nothing is put. Fixes that were on no page become new records.

    Raises StoreRefused if it could not be written.
    """
    if lost.signed is not None:
        device, seq, line = lost.signed
        for one in (trace, replace(trace, hdop=np.full(len(trace), np.nan))):  # none was kept before version 2
            try:
                rows = read_page(f"{line}\n".encode(), device, seq, partial(_same, pack(one)))
            except InvalidFact:
                continue
            with store.writing() as session:
                insert_rows(session, TraceChunk.__table__, rows[TraceChunk.__tablename__])
            return len(trace)
        return 0
    if lost.count is not None:  # where too many are offered, the later ones
        trace = cut(trace, max(0, len(trace) - lost.count), len(trace))
    with store.writing() as session:
        add_chunks(store, session, lost.stint_id, lost.n, trace)
    return len(trace)
