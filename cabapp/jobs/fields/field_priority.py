"""Fields that lack passes in order of closing, and the backlog.

Figures of a field are those its last stop noted, on whichever tablet; a field not begun lacks all passes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from shapely.geometry import shape

from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.plane import Plane, wrap_longitude
from cabapp.jobs.fields.season_history import crop_clock, noted_paces, seeded_at
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.stint_rows import jobs_by_stint, stints_of
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.jobs.records.tap_log import taps_of_kind
from cabapp.planning.capacity import SPEED, field_capacity
from cabapp.planning.fuel_use import EFFICIENCY
from cabapp.planning.work_order import Work, scheduled
from cabapp.position.boundaries.boundary_judge import kept_boundary, kept_part
from store import Store
from store.models import Field, Job, Tool

ROLLING = "rolling"
LATELY_S = 2 * 86400.0
"""Who rolled within so long shares the backlog."""


def season_work(store: Store, season: int, now: float) -> tuple[tuple[FieldWork, ...], Backlog | None]:
    """Return every field with a boundary that lacks passes, and the backlog on seeded ground.

    `now`: POSIX s.

    Notes: The pace is the sum of those who rolled within two days, each operator with each tractor by the middle of
    what was noted; before anybody did, that of the widest tool at 80 %.
    """
    noted = shares_noted(store, season, "share_left", ROLLING)
    hands = _hands(store, season, now)
    pace = math.fsum(hands.values()) or expected_rate(store)
    if not pace:
        return (), None
    grounds = {}
    for field in store.all(Field):
        if kept_boundary(field.boundary) is None:
            continue
        left = noted.get(field.id, 1.0) * field_ground(field).area * field.target
        closes = crop_clock(store, field, season, now)[0]
        grounds[field.id] = field, Work(field.name, left, closes)
    slots = scheduled([work for _, work in grounds.values()], pace, now)
    by_work = {id(work): field for field, work in grounds.values()}
    listed = tuple(
        FieldWork(
            by_work[id(slot.work)].id, slot.work.name, by_work[id(slot.work)].crop,
            by_work[id(slot.work)].target, slot.work.closes, slot.work.left, slot.seconds, slot.late,
        )
        for slot in slots
    )  # fmt: skip
    waits = math.fsum(work.left for field, work in grounds.values() if seeded_at(store, field.id, season) is not None)
    return listed, Backlog(waits, waits / pace, len({who for who, _ in hands}), len({what for _, what in hands}))


def shares_noted(store: Store, season: int, key: str, operation: str | None = None) -> dict[str, float]:
    """Return a share (0 to 1) of each field, as the newest stop, finish or hand-over there noted it.

    `key`: "share_done", of the field at target; or "share_left", of the passes lacking.
    `operation`: of the jobs asked; all of them by default.
    """
    jobs = {job.id: job.field_id for job in store.all(Job, season=season) if operation in (None, job.operation)}
    by_stint = jobs_by_stint(store, Corrections(store))
    fields = {stint: jobs[job] for stint, job in by_stint.items() if job in jobs}
    taps = taps_of_kind(store, *(kind.name for kind in TAP_KINDS.values() if "end_work" in kind.effects))
    return {
        fields[tap.stint_id]: tap.detail[key]
        for tap in taps
        if tap.stint_id in fields and (tap.detail or {}).get(key) is not None
    }


def _hands(store, season, now) -> dict[tuple[str, str], float]:
    """Return the middle pace of each operator with each tractor that rolled lately, m2/s."""
    paces: dict[tuple[str, str], list[float]] = {}
    corrections = Corrections(store)
    for job in store.all(Job, season=season, operation=ROLLING):
        for stint in map(corrections.apply, stints_of(store, job.id, corrections)):
            if now - stint.at <= LATELY_S:
                found = paces.setdefault((stint.operator_id, stint.tractor_id), [])
                found.extend(noted_paces(store, stint, corrections))
    return {pair: float(np.median(found)) for pair, found in paces.items() if found}


def expected_rate(store: Store) -> float | None:
    """Return the rate of the widest roller before any was observed, m2 of passes a second; None without one."""
    width = widest_tool(store)
    return field_capacity(SPEED, width, EFFICIENCY) if width else None


def widest_tool(store: Store) -> float | None:
    """Return the width of the widest roller, m; None without one."""
    return max((tool.width_m for tool in store.all(Tool) if tool.operation == ROLLING), default=None)


def field_ground(field: Field) -> FieldGround:
    """Return a field with a boundary on an equal-area plane of its own."""
    boundary = kept_boundary(field.boundary)
    if boundary is None:
        raise ValueError("a field without a boundary has no ground")
    point = shape(boundary).representative_point()
    plane = Plane(point.y, wrap_longitude(point.x))
    return FieldGround.from_geojson(boundary, plane, field.target, kept_part(field.once_only))


@dataclass(frozen=True, slots=True)
class FieldWork:
    """A field in the order of work: ``left`` m2 of passes lacking, ``needs`` s of work for all who roll,
    ``late`` s of it that would be left when it closes; ``closes`` POSIX s, an estimate."""

    id: str
    name: str
    crop: str | None
    target: int
    closes: float | None
    left: float
    needs: float
    late: float


@dataclass(frozen=True, slots=True)
class Backlog:
    """Passes lacking on seeded ground, m2, the seconds of work they need, and who shares them."""

    left: float
    needs: float
    operators: int
    tractors: int
