"""The trace of a stint: appended, made durable each second, sealed every few minutes.

What was appended since the last `TraceWriter.sync` is lost by a power cut; nothing else is.
"""

import math
import threading

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from store.db.protocols import FactWriter
from store.limits import INSTANT_LIMIT_S
from store.models import TraceChunk, TraceTail
from store.traces.trace_codec import (
    MAX_COUNT,
    Trace,
    cut,
    join,
    make_trace,
    pack,
    unpack,
)

SEAL_S = 300.0


class TraceWriter:
    """Appends fixes to one stint; picks up a tail that a crash left behind.

    One writer a stint at a time. `appended` counts every fix so far, synced or not. One thread
    may append while another syncs; of those that sync or seal, one waits for the other.
    """

    def __init__(self, store: FactWriter, stint_id: str):
        self._store = store
        self._stint_id = stint_id
        self._turn = threading.RLock()
        self._buffer: list[tuple[float, float, float, float, int]] = []
        with store.session() as session:
            # not the sum: where a piece was lost, its numbers are not given again
            sealed = select(func.max(TraceChunk.n + TraceChunk.count)).filter_by(stint_id=stint_id)
            runs = _tail_runs(session, stint_id)
            ends = [session.scalar(sealed) or 0, *(n + len(run) for n, run in runs)]
            self._durable = max(ends)
        self._tail_from = float(runs[0][1].t[0]) if runs else None

    @property
    def appended(self) -> int:
        return self._durable + len(self._buffer)

    def append(self, t, lat, lon, sigma=None, quality=None) -> None:
        """Take one fix: POSIX s, degrees (None = no position), sigma m, receiver's quality.

        Raises
        ------
        ValueError
            If the time is not finite or a value is out of range; nothing is then appended.
        """
        lat, lon, sigma = (math.nan if v is None else v for v in (lat, lon, sigma))
        quality = -1 if quality is None else quality
        bad = abs(lat) > 90 or abs(lon) > 180 or sigma < 0 or sigma > 1e6 or quality < -1
        if bad or not abs(t) < INSTANT_LIMIT_S:  # judged here: a fix refused at sync would block the rest
            raise ValueError(f"no fix: t={t}, lat={lat}, lon={lon}, {sigma=}, {quality=}")
        self._buffer.append((t, lat, lon, sigma, quality))

    def sync(self) -> None:
        """Make all that was appended durable, sealing it when five minutes are full.

        Raises
        ------
        StoreRefused
            If it could not be written; what was appended is kept for the next try.
        """
        with self._turn:
            if fresh := tuple(self._buffer):  # more may come while these are written
                self._write(make_trace(*zip(*fresh, strict=True)))

    def _write(self, fresh: Trace) -> None:
        begun = float(fresh.t[0]) if self._tail_from is None else self._tail_from
        full = abs(float(fresh.t[-1]) - begun) >= SEAL_S

        def write(session: Session) -> None:
            for i in range(0, len(fresh), MAX_COUNT):
                piece = pack(cut(fresh, i, i + MAX_COUNT))
                session.add(TraceTail(stint_id=self._stint_id, n=self._durable + i, packed=piece))
            if full:
                _seal(self._store, session, self._stint_id)

        self._store.durably(write)
        del self._buffer[: len(fresh)]
        self._durable += len(fresh)
        self._tail_from = None if full else begun

    def seal(self) -> None:
        """Make durable and seal, so that the next bundle carries all of it."""
        with self._turn:
            self.sync()
            self._store.durably(lambda session: _seal(self._store, session, self._stint_id))
            self._tail_from = None


def read_trace(session: Session, stint_id: str) -> Trace:
    """Return the whole trace of a stint, sealed and not, in the order it was appended."""
    chunks = select(TraceChunk.packed).filter_by(stint_id=stint_id).order_by(TraceChunk.n)
    sealed = [unpack(packed) for packed in session.scalars(chunks)]
    return join([*sealed, _tail(session, stint_id)])


def seal_all(store: FactWriter) -> None:
    """Seal every tail, for instance before a bundle is written."""
    with store.session() as session:
        waiting = list(session.scalars(select(TraceTail.stint_id).distinct()))
    for stint_id in waiting:
        with store.writing() as session:
            _seal(store, session, stint_id)


def _tail(session: Session, stint_id: str) -> Trace:
    return join(run for _n, run in _tail_runs(session, stint_id))


def _tail_runs(session: Session, stint_id: str) -> list[tuple[int, Trace]]:
    """Return the tail without holes as one run from its first index; a damaged one as several."""
    query = select(TraceTail.n, TraceTail.packed).filter_by(stint_id=stint_id)
    runs: list[tuple[int, list[Trace]]] = []
    due = None
    for n, packed in session.execute(query.order_by(TraceTail.n)):
        if n != due:
            runs.append((n, []))
        runs[-1][1].append(unpack(packed))
        due = n + len(runs[-1][1][-1])
    return [(n, join(parts)) for n, parts in runs]


def _seal(store: FactWriter, session: Session, stint_id: str) -> None:
    session.flush()
    for first, run in _tail_runs(session, stint_id):
        for i in range(0, len(run), MAX_COUNT):
            part = cut(run, i, i + MAX_COUNT)
            chunk = TraceChunk(
                stint_id=stint_id,
                n=first + i,
                first_at=float(part.t.min()),
                last_at=float(part.t.max()),
                count=len(part),
                packed=pack(part),
            )
            store.number(session, chunk)
    session.execute(delete(TraceTail).filter_by(stint_id=stint_id))
