"""Appends a stint's trace: durable each second, sealed every few minutes.

What was appended since the last `TraceWriter.sync` is lost by a power cut; nothing else is.
"""

import math
import threading
from collections.abc import Iterator
from itertools import chain

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from store.db.protocols import FactWriter
from store.limits import INSTANT_LIMIT_S
from store.models import TraceChunk, TraceTail
from store.traces.trace_codec import HDOP_LIMIT, MAX_COUNT, Trace, cut, join, make_trace, pack, unpack

SEAL_S = 300.0


class TraceWriter:
    """Appends fixes to one stint; continues a tail that a crash left.

    One writer a stint at a time. `appended` counts all fixes, synced or not. One thread may append
    while others sync or seal.
    """

    def __init__(self, store: FactWriter, stint_id: str):
        self._store = store
        self._stint_id = stint_id
        self._lock = threading.RLock()
        self._buffer: list[tuple[float, float, float, float, int, float]] = []
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

    def append(
        self, t: float, lat: float | None, lon: float | None, sigma: float | None = None, quality: int | None = None,
        hdop: float | None = None,
    ) -> None:  # fmt: skip
        """Append one fix: POSIX s, degrees (None = no position), sigma m, quality as in NMEA GGA, HDOP.

        Raises ValueError if the time is not finite or a value is out of range; nothing is then appended.
        """
        lat, lon, sigma, hdop = (math.nan if v is None else v for v in (lat, lon, sigma, hdop))
        quality = -1 if quality is None else quality
        bad = abs(lat) > 90 or abs(lon) > 180 or sigma < 0 or sigma > 1e6 or quality < -1 or hdop < 0
        if bad or not abs(t) < INSTANT_LIMIT_S:  # checked here: a fix refused at sync would block the rest
            raise ValueError(f"no fix: t={t}, lat={lat}, lon={lon}, {sigma=}, {quality=}, {hdop=}")
        self._buffer.append((t, lat, lon, sigma, quality, min(hdop, HDOP_LIMIT)))

    def sync(self) -> None:
        """Make all that was appended durable, sealing it when five minutes are full.

        Raises StoreRefused if it could not be written; what was appended is kept for the next try.
        """
        with self._lock:
            if fresh := tuple(self._buffer):  # more may be appended while these are written
                self._write(make_trace(*zip(*fresh, strict=True)))

    def _write(self, fresh: Trace) -> None:
        begun = float(fresh.t[0]) if self._tail_from is None else self._tail_from
        full = abs(float(fresh.t[-1]) - begun) >= SEAL_S

        def write(session: Session) -> None:
            for i, part in _parts(fresh):
                session.add(TraceTail(stint_id=self._stint_id, n=self._durable + i, packed=pack(part)))
            if full:
                _seal(self._store, session, self._stint_id)

        self._store.durably(write)
        del self._buffer[: len(fresh)]
        self._durable += len(fresh)
        self._tail_from = None if full else begun

    def seal(self) -> None:
        """Make durable and seal, so that the next bundle carries all of it."""
        with self._lock:
            self.sync()
            self._store.durably(lambda session: _seal(self._store, session, self._stint_id))
            self._tail_from = None


def read_trace(session: Session, stint_id: str) -> Trace:
    """Return the whole trace of a stint, sealed and not, in the order it was appended.

    Notes: Two copies of one file seal the same end of a trace, each for itself: what is there already is left out.
    """
    chunks = select(TraceChunk.n, TraceChunk.packed).filter_by(stint_id=stint_id)
    parts, due = [], 0
    sealed = ((n, unpack(packed)) for n, packed in session.execute(chunks.order_by(TraceChunk.n, TraceChunk.count)))
    for n, run in chain(sealed, _tail_runs(session, stint_id)):
        parts.append(run if n >= due else cut(run, due - n, len(run)))
        due = max(due, n + len(run))
    return join(parts)


def seal_all(store: FactWriter) -> None:
    """Seal every tail, for instance before a bundle is written."""
    with store.session() as session:
        waiting = list(session.scalars(select(TraceTail.stint_id).distinct()))
    for stint_id in waiting:
        with store.writing() as session:
            _seal(store, session, stint_id)


def add_chunks(store: FactWriter, session: Session, stint_id: str, first: int, trace: Trace) -> None:
    """Number a trace as pieces, the first fix of which is the stint's fix `first`."""
    for i, part in _parts(trace):
        chunk = TraceChunk(
            stint_id=stint_id, n=first + i, count=len(part), packed=pack(part),
            first_at=float(part.t.min()), last_at=float(part.t.max()),
        )  # fmt: skip
        store.number(session, chunk)


def _parts(trace: Trace) -> Iterator[tuple[int, Trace]]:
    """Yield a trace in parts that can be packed, each with the index of its first fix."""
    for i in range(0, len(trace), MAX_COUNT):
        yield i, cut(trace, i, i + MAX_COUNT)


def _tail_runs(session: Session, stint_id: str) -> list[tuple[int, Trace]]:
    """Return the tail as one run from its first index; a damaged one as several, without holes."""
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
        add_chunks(store, session, stint_id, first, run)
    session.execute(delete(TraceTail).filter_by(stint_id=stint_id))
