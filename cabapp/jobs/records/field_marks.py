"""Marks of a field that are not taken back, and kinds of marks."""

from __future__ import annotations

from dataclasses import dataclass

from cabapp.common.message import N_
from cabapp.geometry.plane import Plane
from cabapp.jobs.records.corrections import void_ids
from store import Store
from store.models import Correction, Mark

MARKS = N_((
    "rock", "rock pile", "pole", "well", "slough", "soft ground", "power line", "gate",
))  # fmt: skip
OBSTACLES = ("rock", "rock pile", "pole", "well", "slough", "power line")
"""Marks with a ring on the map."""
STONE_HIT = N_("stone hit")
"""A stone met at harvest: a mark for the harvest's operations, laid over pass counts afterwards."""


def marks_of(store: Store, field_id: str, plane: Plane | None) -> tuple[FieldMark, ...]:
    """Return a field's marks, oldest first; with metres where a plane is laid."""
    gone = taken_back(store, "mark")
    found = []
    for mark in store.all(Mark, field_id=field_id):
        if mark.id in gone:
            continue
        x = y = None
        if plane is not None and mark.lat is not None and mark.lon is not None:
            x, y = (float(v) for v in plane.to_xy(mark.lat, mark.lon)[0])
        found.append(FieldMark(mark.id, mark.kind, mark.at, mark.lat, mark.lon, x, y, mark.note))
    return tuple(found)


def take_back(store: Store, table: str, row_id: str, operator_id: str, at: float) -> None:
    """Lay a correction on a row that says it does not count; the row itself stays."""
    store.add(
        Correction(
            corrects_table=table, corrects_id=row_id, operator_id=operator_id, at=at,
            reason="undone", detail={"void": True},
        )
    )  # fmt: skip


def taken_back(store: Store, table: str) -> set[str]:
    """Return the ids of a table's rows that do not count."""
    return void_ids(store.all(Correction, corrects_table=table))


@dataclass(frozen=True, slots=True)
class FieldMark:
    """A mark in the field: degrees, and metres on the job's plane when there is one."""

    id: str
    kind: str
    at: float
    lat: float | None
    lon: float | None
    x: float | None = None
    y: float | None = None
    note: str | None = None
