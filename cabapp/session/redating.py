"""What was written by a wrong clock, dated again by corrections once the time is known; nothing written is altered."""

from collections.abc import Iterator
from dataclasses import replace

from sqlalchemy import select

from cabapp.common.message import message
from cabapp.jobs.records.corrections import CLOCK, Corrections
from cabapp.jobs.records.dating.event_order import DATED_BEFORE
from cabapp.jobs.records.dating.stint_rows import brought_in
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.new_stint import job_in_season
from cabapp.jobs.records.tap_log import written_taps
from cabapp.session.state.position_state import AGREEING
from cabapp.session.state.session_clock import Era, SessionClock
from store import Store
from store.facts.hybrid_clock import clock_fault
from store.models import ClockEra, Correction, FuelEntry, HandOver, Job, Mark, Own, Stint, Tap

DAY_S = 86400.0
MOST_ERAS = 100
"""Older ones are let go of: their rows stay as they are dated."""
DATED = (Stint, Tap, FuelEntry, Mark, HandOver)


class Redating:
    """The eras of a session's clock, and the corrections that follow when the time becomes known.

    `since`: number of this device from which on rows may have been dated by the tablet's clock as it is now; None: the next.

    Notes: What proved the time is recorded (`ClockEra`) in one transaction with the corrections that follow from it; that
    nothing proves it any more, before the first row that is dated so.
    """

    def __init__(self, store: Store, farm: FarmSettings, clock: SessionClock, since: int | None = None):
        self._store, self._farm, self._clock = store, farm, clock
        self._recorded = clock_recorded(store)
        self._eras = [clock.era(since if since is not None else self._next())]

    def _next(self) -> int:
        with self._store.session() as session:
            return session.scalars(select(Own.next_seq)).one()

    def record_unproven(self) -> None:
        """Record that nothing proves the time, if that is not known of the rows that are written next."""
        if self._recorded is not None and self._recorded.proven and not (self._clock.proven or self._clock.played):
            self._recorded = self._store.add(self._record(self._clock.era(0)))

    def update(self) -> bool:
        """Note how rows are dated from now on; return whether earlier ones were dated again."""
        last, now = self._eras[-1], self._clock.era(0)
        said = self._recorded.proven if self._recorded is not None else None
        news = bool(now.proven) and not now.played and now.proven != said
        if (now.proven, now.played) == (last.proven, last.played) and not last.off(now) and not news:
            return False
        new = Era(self._next(), now.shift, now.proven, now.played)
        offs = [0.0 if self._clock.unsettled else era.off(new) for era in self._eras]
        ends = [era.first for era in self._eras[1:]] + [new.first]
        wrong = [(era.first, end, off) for era, end, off in zip(self._eras, ends, offs, strict=True) if off]
        facts: list[Correction | ClockEra] = [
            one for first, end, off in wrong for one in self._redated(first, end, off)
        ]
        done = bool(facts)
        if news or (done and now.proven):
            facts.append(self._record(new))
        if facts:
            self._store.durably(lambda session: [self._store.number(session, one) for one in facts])
        if facts and isinstance(facts[-1], ClockEra):
            self._recorded = facts[-1]
        dated = [
            replace(era, shift=era.shift + off, proven=era.proven or ("" if era.played else new.proven))
            for era, off in zip(self._eras, offs, strict=True)
        ]
        self._eras = [*dated[-MOST_ERAS:], new]
        return done

    def _record(self, era: Era) -> ClockEra:
        boot = self._clock.boot
        return ClockEra(at=self._clock.time(), proven=era.proven or None, shift_s=round(era.shift, 6), boot=boot)

    def _redated(self, first: int, end: int, off: float) -> Iterator[Correction]:
        """Yield corrections that add seconds to the times of this device's rows from one number to before another."""
        corrections = Corrections(self._store)
        rows = list(self._rows(first, end))
        imported = {row.id for row in rows if isinstance(row, Stint) and brought_in(self._store, row)}
        for row in rows:
            if row.id in imported or getattr(row, "stint_id", None) in imported:
                continue
            if isinstance(row, Tap) and row.kind in DATED_BEFORE[:1]:
                continue  # dated by the fixes
            was = corrections.clocked(row.id).get("at", row.at)
            detail = {"at": round(was + off, 6), CLOCK: -round(off, 3), "was": {"at": was}}
            if isinstance(row, Stint):
                detail |= self._season(row, detail["at"])
            yield Correction(
                corrects_table=row.__tablename__, corrects_id=row.id, operator_id=None,
                at=self._clock.time(), reason=self._reason(off), detail=detail,
            )  # fmt: skip

    def _rows(self, first: int, end: int) -> Iterator[Stint | Tap | FuelEntry | Mark | HandOver]:
        with self._store.session() as session:
            for of in DATED:
                query = select(of).where(of.device == self._store.device, of.seq >= first, of.seq < end)
                yield from session.scalars(query.order_by(of.seq))

    def _season(self, stint: Stint, at: float) -> dict[str, str]:
        """Return the job of the season a stint belongs to, where it is another."""
        job = self._store.get(Job, stint.job_id)
        season = self._farm.local(at).year
        if job is None or job.season == season or job.season != self._farm.local(stint.at).year:
            return {}
        return {"job_id": job_in_season(self._store, job, season).id}

    def _reason(self, off: float) -> str:
        said = clock_fault(off) if self._clock.proven else None
        return str(said or message("The tablet's clock was set; what was written before is dated by it."))


def clock_recorded(store: Store) -> ClockEra | None:
    """Return how this device's clock stood last, as recorded; None if that never was."""
    own = store.all(ClockEra, device=store.device)
    return max(own, key=lambda one: one.seq, default=None)


def unproven_since(store: Store, now: float) -> int | None:
    """Return the number of the first row that only the tablet's clock, as it is now, has dated; None without one.

    Notes: No row written while the time was proven is among them. Of the others the newest stints of the last day count,
    back to one with times that fall or are not before now: those are of a clock that was set since. In a logbook that
    says nothing of the clock, a trace proves the time of its stint.
    """
    recorded = clock_recorded(store)
    if recorded is not None and recorded.proven:
        return None
    corrections, first, since, until = Corrections(store), recorded.seq if recorded else 0, None, now
    for stint in reversed([one for one in store.all(Stint) if one.device == store.device]):
        rows = [stint, *(tap for tap in written_taps(store, stint.id) if tap.kind not in DATED_BEFORE)]
        rows = [row for row in rows if row.seq >= first and row.device == store.device]
        times = [corrections.clocked(row.id).get("at", row.at) for row in rows]
        if not times or times != sorted(times) or times[-1] > until or now - times[0] > DAY_S:
            break
        if recorded is None and len(store.read_trace(stint.id)) >= AGREEING:
            break
        since, until = rows[0].seq, times[0]
    return since
