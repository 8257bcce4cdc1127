"""Which records name rows that are neither among them nor in the logbook."""

from functools import cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.facts.fact_validation import Rows
from store.facts.reference_changes import defaults, own_columns
from store.models import FACTS, REFERENCES, Change, Record

_AT_ONCE = 500
_KINDS: dict[str, type[Record]] = {**REFERENCES, **FACTS}
_ROW = {name: n for n, name in enumerate(Change.__table__.columns.keys())}


def unmet(session: Session, records: Rows) -> dict[str, int]:
    """Return, of each device whose records name what is not there, the number of the first that does."""
    given: dict[str, set[str]] = {table: {row[0] for row in rows} for table, rows in records.items()}
    for row in records.get(Change.__tablename__, ()):
        if _is_birth(row[_ROW["table"]], row[_ROW["columns"]]):
            given.setdefault(row[_ROW["table"]], set()).add(row[_ROW["row_id"]])
    wanted = _wanted(records, given)
    found: dict[str, int] = {}
    for table, ids in wanted.items():
        model, names = _KINDS[table], list(ids)
        for start in range(0, len(names), _AT_ONCE):
            some = names[start : start + _AT_ONCE]
            here = set(session.scalars(select(model.id).where(model.id.in_(some))))
            for row_id in some:
                if row_id not in here:
                    for device, seq in ids[row_id].items():
                        found[device] = min(seq, found.get(device, seq))
    return found


def _wanted(records: Rows, given: dict[str, set[str]]) -> dict[str, dict[str, dict[str, int]]]:
    """Return the ids named and not given, by table, each with the first number of each device that names it."""
    wanted: dict[str, dict[str, dict[str, int]]] = {}

    def want(table: str, row_id: Any, device: str, seq: int) -> None:
        if row_id is not None and row_id not in given.get(table, ()):
            numbers = wanted.setdefault(table, {}).setdefault(row_id, {})
            numbers[device] = min(seq, numbers.get(device, seq))

    for table, rows in records.items():
        for place, target in _keys(table).items():
            here = given.get(target, ())
            for row in rows:
                if row[place] is not None and row[place] not in here:
                    want(target, row[place], row[1], row[2])
    for row in records.get(Change.__tablename__, ()):
        table, columns = row[_ROW["table"]], row[_ROW["columns"]]
        want(table, row[_ROW["row_id"]], row[1], row[2])
        for name, target in _key_names(table).items():
            if name in columns:
                want(target, columns[name], row[1], row[2])
    return wanted


@cache
def _keys(table: str) -> dict[int, str]:
    """Return the places of a table's columns that name a row, with the table of that row."""
    columns = enumerate(_KINDS[table].__table__.columns)
    return {n: key.column.table.name for n, column in columns for key in column.foreign_keys}


@cache
def _key_names(table: str) -> dict[str, str]:
    columns = own_columns(_KINDS[table])
    return {name: key.column.table.name for name, column in columns.items() for key in column.foreign_keys}


def _is_birth(table: str, columns: dict[str, Any]) -> bool:
    """Return whether a change gives all columns a row must have."""
    model = _KINDS[table]
    return own_columns(model).keys() <= defaults(model).keys() | columns.keys()
