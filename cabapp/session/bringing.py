"""A day recorded by another logger, written into the logbook as stints after a person agreed.

The guessing is done in ``cabapp.position.guessing``; here fields are laid under the trace and what
was agreed is written: taps marked as guessed, and the trace as it was recorded.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import shape

from cabapp.coverage.plane import Plane
from cabapp.position.guessing import Stretch, Visit, guess
from cabapp.position.trace import TraceFile
from cabapp.session import rules
from cabapp.session.count import taps_of
from cabapp.session.taking import FarmWays, open_stint
from store import Store
from store.errors import TraceRefused
from store.models import Field, Stint, Tap


@dataclass(frozen=True)
class Day:
    """One trace with what was guessed of it.

    Attributes
    ----------
    trace : TraceFile
    rows : ndarray of int, shape (n,)
        Which fixes of the trace the guesses count: those with a position, in rising time.
    fields : tuple of Field
        What `Visit.field` and `Stretch.field` point to.
    stretches, visits
        As `guess` gives them, over `rows`.
    mark : str
        Made from the trace alone, so that the same day is known again.
    """

    trace: TraceFile
    rows: np.ndarray
    fields: tuple[Field, ...]
    stretches: list[Stretch]
    visits: list[Visit]
    mark: str

    @property
    def worked(self) -> list[Visit]:
        """The visits in which something was done."""
        return [visit for visit in self.visits if visit.spells]


def look_at(store: Store, trace: TraceFile) -> Day:
    """Cut a trace into the logbook's fields and guess what was done there.

    Raises
    ------
    TraceRefused
        The trace has no dates, or no field of the logbook has a boundary.
    """
    if not trace.dated:
        raise TraceRefused(
            f"{trace.name} carries no date, only times of day, so nobody can say which day it was. "
            "Record RMC or ZDA sentences too."
        )
    fields = tuple(field for field in store.all(Field) if field.boundary is not None)
    if not fields:
        raise TraceRefused("No field in this logbook has a boundary. Draw or read in one first.")
    usable = np.isfinite(trace.lat) & (trace.quality != 0)
    rows = np.flatnonzero(usable)
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(trace.t[rows])) > 0])
    rows = rows[rising]
    plane = Plane(float(np.median(trace.lat[rows])), float(np.median(trace.lon[rows])))
    grounds = [
        shapely.transform(shape(f.boundary), lambda ll: plane.to_xy(ll[:, 1], ll[:, 0]))
        for f in fields
    ]
    xy = plane.to_xy(trace.lat[rows], trace.lon[rows])
    stretches, visits = guess(trace.t[rows], xy, grounds)
    told = np.column_stack([trace.t[rows], trace.lat[rows], trace.lon[rows]]).round(7)
    mark = hashlib.sha256(np.ascontiguousarray(told).tobytes()).hexdigest()[:12]
    return Day(trace, rows, fields, stretches, visits, mark)


def bring_in(
    store: Store, day: Day, visit: Visit, operator_id: str, tractor_id: str, tool_id: str,
    operation: str,
) -> Stint:  # fmt: skip
    """Write one visit as a finished stint; its taps are marked as guessed.

    Raises
    ------
    TraceRefused
        This visit is in the logbook already, or a stint is open on this tablet.
    TapRefused
        Somebody or something named is not in this logbook.
    """
    field = day.fields[visit.field]
    rows = day.rows[visit.first : visit.last + 1]
    t = day.trace.t
    receiver = f"{day.trace.name} ({day.mark})"
    _check_closed(store)
    begun = float(t[rows[0]])
    for stint in store.all(Stint):
        if stint.receiver and day.mark in stint.receiver and abs(stint.at - begun) < 1e-3:
            raise TraceRefused(
                f"The work on {field.name} in {day.trace.name} is in this logbook already. "
                "Nothing was written."
            )
    stint = open_stint(
        store, FarmWays(store), begun, receiver,
        operator_id, tractor_id, tool_id, field.id, operation,
    )  # fmt: skip
    writer = store.trace(stint.id)
    # with the fixes without a position between them: those tell where reception was lost
    for n in range(rows[0], rows[-1] + 1):
        lat, lon = float(day.trace.lat[n]), float(day.trace.lon[n])
        known = lat == lat
        sigma, quality = float(day.trace.sigma[n]), int(day.trace.quality[n])
        writer.append(
            float(t[n]),
            lat if known else None,
            lon if known else None,
            sigma if sigma == sigma else None,
            quality if quality >= 0 else None,
        )
    writer.seal()
    kind = "start"
    for begin, end in visit.spells:
        _tap(store, stint, kind, begin)
        _tap(store, stint, "stop", end)
        kind = "restart"
    _tap(store, stint, "finish", float(t[rows[-1]]))
    return stint


def _tap(store, stint, kind, at):
    store.add(Tap(stint_id=stint.id, kind=kind, at=at, detail={"guessed": True}))


def _check_closed(store):
    own = [stint for stint in store.all(Stint) if stint.device == store.device]
    last = max(own, key=lambda one: one.seq, default=None)
    if last and rules.standing(last.at, taps_of(store, last.id)).state in rules.OPEN:
        raise TraceRefused(
            "A stint is open on this tablet. Finish it or hand it over, then bring the day in."
        )
