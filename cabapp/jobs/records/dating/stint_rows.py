"""Which stints and hand-overs a job has: a correction may have moved them, with their season, to another."""

from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import in_order, order_of
from store import Store
from store.models import HandOver, Stint, Tap, TraceChunk
from store.values.sound_rows import copied


def stints_of(store: Store, job: str, corrections: Corrections) -> list[Stint]:
    """Return the stints that belong to a job now, as they were written and in that order; none that is taken back."""
    rows = [row for row in store.all(Stint, job_id=job) if corrections.moved.get(row.id, job) == job]
    known = {row.id for row in rows}
    others = [store.get(Stint, id) for id, now in corrections.moved.items() if now == job and id not in known]
    return in_order(corrections.standing([*rows, *(row for row in others if row is not None)]))


def jobs_by_stint(store: Store, corrections: Corrections) -> dict[str, str]:
    """Return the id of the job that each stint belongs to now, by the stint's id; none that is taken back."""
    return {row.id: corrections.moved.get(row.id, row.job_id) for row in corrections.standing(store.all(Stint))}


def brought_in(store: Store, stint: Stint) -> bool:
    """Return whether a stint was written from a recording: its whole trace first, then its taps."""
    chunks, taps = store.all(TraceChunk, stint_id=stint.id), store.all(Tap, stint_id=stint.id)
    return bool(chunks and taps) and max(map(order_of, chunks)) < min(map(order_of, taps))


def handovers_of(store: Store, corrections: Corrections, job: str | None = None) -> list[HandOver]:
    """Return the hand-overs of a job, or of all, in the order they were written, as they count now."""
    rows = store.all(HandOver) if job is None or corrections.moved else store.all(HandOver, job_id=job)
    found = []
    for row in rows:
        now = corrections.moved.get(row.stint_id, row.job_id)
        if job in (None, now):
            found.append(corrections.apply(row if now == row.job_id else copied(row, job_id=now)))
    return in_order(found)
