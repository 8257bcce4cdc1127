"""Corrections applied to rows; the rows written stay as they are.

A correction names a row and gives columns new values. Only the columns listed here can be corrected,
whatever a file from elsewhere says; the newest correction wins, and a person's before one that a clock gave rise to.
"""

from collections.abc import Iterable, Set
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import func, select

from cabapp.common.quantities import ClockSecond, Length, Quantity, Volume
from cabapp.jobs.records.tool_parts import widths_of
from store import Store, models
from store.traces.trace_codec import Trace
from store.values.sound_rows import copied
from store.values.value_judge import fits

AnyRow = TypeVar("AnyRow", bound=models.Record)
NUMBER, TEXT, ID, SECTIONS = "number", "text", "id", "sections"
COLUMNS: dict[str, dict[str, str | type[Quantity]]] = {
    "stint": {
        "operator_id": ID, "tractor_id": ID, "tool_id": ID, "width_m": Length,
        "hitch_to_line_m": Length, "antenna_to_hitch_m": Length, "side_m": Length, "sections": SECTIONS, "at": ClockSecond,
        "job_id": ID,
    },
    "tap": {"at": ClockSecond, "reason": TEXT},
    "fuel_entry": {"litres": Volume, "price_per_l": NUMBER, "at": ClockSecond},
    "mark": {"kind": TEXT, "note": TEXT, "lat": NUMBER, "lon": NUMBER, "at": ClockSecond},
    "hand_over": {"at": ClockSecond},
}  # fmt: skip
"""What can be corrected, by table: a word, an id, a plain number, widths of sections, or what a number measures."""

PEOPLE = {"operator_id": models.Operator, "tractor_id": models.Tractor, "tool_id": models.Tool}
NAMED = PEOPLE | {"job_id": models.Job}
"""Tables of what an id can name."""
_BEGUN_TOGETHER = (
    select(models.Stint.job_id, models.Stint.at).group_by(models.Stint.job_id, models.Stint.at).having(func.count() > 1)
)
CLOCK = "clock"
"""Key in the detail of a correction that a clock's being put right gave rise to: seconds it was fast."""


class Corrections:
    """All corrections of a store.

    `rows`: list of store.models.Correction: oldest first.
    `twice`: set of str: ids of stints brought in twice.
    `void`: set of str: theirs, and ids of rows that are taken back, and were not restored since.
    `moved`: dict of str: job that a stint belongs to instead of the one it was written with, by the stint's id.
    """

    def __init__(self, store: Store):
        self.rows = store.all(models.Correction)
        self.void = void_ids(self.rows)
        self.twice = brought_twice(store, self.void)
        self.void |= self.twice
        named = NAMED if self.rows else {}
        known = {name: {row.id for row in store.all(of, gone=False)} for name, of in named.items()}
        self._said: dict[str, dict[str, Any]] = {}
        self._clocked: dict[str, dict[str, Any]] = {}
        for row in self.rows:
            allowed, detail = COLUMNS.get(row.corrects_table, {}), row.detail or {}
            where = self._clocked if CLOCK in detail else self._said
            for name, value in detail.items():
                if name in allowed and _fits(row.corrects_table, name, value, known):
                    where.setdefault(row.corrects_id, {})[name] = value
        for id, clocked in self._clocked.items():
            self._said[id] = clocked | self._said.get(id, {})
        self.moved = {id: said["job_id"] for id, said in self._said.items() if "job_id" in said}

    def standing(self, rows: Iterable[AnyRow]) -> list[AnyRow]:
        """Return the rows that are not taken back, as they were written."""
        return [row for row in rows if row.id not in self.void]

    def said(self, id: str) -> dict[str, Any]:
        """What is now said of a row instead of what was written, by column."""
        return self._said.get(id, {})

    def clocked(self, id: str) -> dict[str, Any]:
        """What is said of a row since a clock was put right, without what persons corrected."""
        return self._clocked.get(id, {})

    def apply(self, row: AnyRow) -> AnyRow:
        """Return a row as it now counts: itself, or a corrected copy."""
        said = self.said(row.id)
        if not said:
            return row
        columns = type(row).__table__.columns
        return copied(row, **{name: value for name, value in said.items() if name in columns})


def void_ids(rows: Iterable[models.Correction]) -> set[str]:
    """Return the ids of rows that are taken back by these corrections, oldest first: the newest says so."""
    details = ((row.corrects_id, row.detail or {}) for row in rows)
    said = {id: detail["void"] for id, detail in details if "void" in detail}
    return {id for id, void in said.items() if void}


def brought_twice(store: Store, void: Set[str] = frozenset()) -> set[str]:
    """Return the ids of stints that are of the same recording as one written before: two copies that had not met brought it.

    `void`: ids of stints that do not count.

    Notes: What tells them is their content: the same job, and the same places at the same times from the first fix on.
    """
    with store.session() as session:
        begun = [tuple(row) for row in session.execute(_BEGUN_TOGETHER)]
    found: set[str] = set()
    for job, at in begun:
        known: list[Trace] = []
        for stint in store.all(models.Stint, job_id=job, at=at):
            trace = store.read_trace(stint.id) if stint.id not in void else None
            if trace is None or not len(trace):
                continue
            if any(_are_equal(trace, other) for other in known):
                found.add(stint.id)
            else:
                known.append(trace)
    return found


def _are_equal(one: Trace, other: Trace) -> bool:
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in ("t", "lat", "lon"))


def _fits(table: str, name: str, value: Any, known: dict[str, set[str]]) -> bool:
    if COLUMNS[table][name] == ID:
        return isinstance(value, str) and value in known[name]
    if COLUMNS[table][name] == SECTIONS:
        return value is None or (fits(table, name, value) and bool(widths_of(value)))
    return value is not None and fits(table, name, value)
