"""Reference rows as the sum of their changes; the only place that writes reference tables."""

import math
from collections.abc import Callable, Iterable, Sequence
from functools import cache, partial
from operator import itemgetter
from typing import Any

import orjson
from sqlalchemy import JSON, Boolean, Column, Float, Integer, select
from sqlalchemy.orm import Session

from store.db.bulk_insert import insert_rows
from store.db.connection import json_text
from store.facts.hybrid_clock import in_effect
from store.limits import INSTANT_LIMIT_S, LARGEST_FLOAT, LARGEST_INT
from store.models import Change, Instant, Record, Reference

BASE = frozenset(("id", "device", "seq", "stamp"))
_ORDER = itemgetter(0, 1, 2, 3)  # stamp, device, number, id
_STAMP = itemgetter(0)
AnyColumn = Column[Any]
Check = Callable[[Sequence[Any]], bool]


@cache
def own_columns(model: type[Record]) -> dict[str, AnyColumn]:
    """Return the columns of a table beyond those every row has, by name."""
    return {c.name: c for c in model.__table__.columns if c.name not in BASE}


def default_of(column: AnyColumn) -> Any:
    """Return what a column holds when no value is given; None if there must be one."""
    return getattr(column.default, "arg", None)


@cache
def defaults(model: type[Record]) -> dict[str, Any]:
    """Return the columns that need no value, with what they then hold."""
    found = {n: default_of(c) for n, c in own_columns(model).items()}
    return {n: v for n, v in found.items() if v is not None or own_columns(model)[n].nullable}


def all_fit(column: AnyColumn, values: Sequence[Any]) -> bool:
    """Return whether all of these values may be in a column; bool is no number, NaN no measure.

    Notes: A column at once, because a bundle brings a hundred thousand values.
    """
    kinds = set(map(type, values))
    if type(None) in kinds:
        if not column.nullable:
            return False
        values = [value for value in values if value is not None]
        kinds.discard(type(None))
    kind, check = _check_of(column)
    return all(issubclass(k, kind) and (k is not bool or kind is bool) for k in kinds) and (
        check is None or check(values)
    )


@cache
def _check_of(column: AnyColumn) -> tuple[type | tuple[type, ...], Check | None]:
    """Return the type a column's values must have, and a further check of all of them."""
    if isinstance(column.type, JSON):
        return dict, _is_json
    if isinstance(column.type, Boolean):
        return bool, None
    if isinstance(column.type, Integer):
        return int, partial(_within, LARGEST_INT + 1)
    if isinstance(column.type, Instant):
        return (int, float), partial(_within, INSTANT_LIMIT_S)
    if isinstance(column.type, Float):
        return (int, float), partial(_within, LARGEST_FLOAT)
    return column.type.python_type, _is_unicode if column.type.python_type is str else None


def _within(limit: float, values: Sequence[float]) -> bool:
    """Return whether all numbers are finite and lie between -limit and limit."""
    return not values or (-limit < min(values) and max(values) < limit and all(map(math.isfinite, values)))


def _is_unicode(texts: Iterable[str]) -> bool:
    """Return whether texts are valid Unicode without NUL."""
    try:
        return b"\0" not in "".join(texts).encode()
    except UnicodeEncodeError:
        return False


def _is_json(values: Iterable[dict[str, Any]]) -> bool:
    """Return whether these can be written as JSON, which has no infinity."""
    try:
        json_text(list(values))
    except (TypeError, ValueError, RecursionError):
        return False
    return True


def canonical(column: AnyColumn, values: Sequence[Any]) -> Sequence[Any]:
    """Return values that fit a column as every copy keeps them: a number that may have a fraction is a float, never 1 for 1.0."""
    if isinstance(column.type, (Float, Instant)):
        return [None if value is None else float(value) + 0.0 for value in values]
    return values


def checked(model: type[Record], columns: dict[str, Any]) -> dict[str, Any]:
    """Return the columns as every copy keeps them, or raise ValueError naming the one that does not fit."""
    allowed, kept = own_columns(model), {}
    for name, value in columns.items():
        if name not in allowed:
            raise ValueError(f"{model.__name__} has no column {name!r}")
        if not all_fit(allowed[name], (value,)):
            raise ValueError(f"{model.__name__}.{name} cannot be {value!r}")
        if isinstance(allowed[name].type, JSON) and value is not None:
            kept[name] = orjson.loads(json_text(value))  # as the others read it
        else:
            (kept[name],) = canonical(allowed[name], (value,))
    return kept


def complete(model: type[Record], columns: dict[str, Any]) -> dict[str, Any]:
    """Return every column of a new row, checked; other copies make the row from these."""
    return checked(model, {n: default_of(c) for n, c in own_columns(model).items()} | columns)


def differing(row: Reference, columns: dict[str, Any]) -> dict[str, Any]:
    """Return those of the columns whose value is not the row's already."""
    return {n: v for n, v in checked(type(row), columns).items() if getattr(row, n) != v}


def newest(session: Session, row_id: str) -> str:
    """Return the stamp of the change of a row that counts as the newest; "" if it has none."""
    stamps = session.scalars(select(Change.stamp).filter_by(row_id=row_id).order_by(Change.stamp)).all()
    return in_effect(stamps, str)[-1] if stamps else ""


def apply_changes(
    session: Session, model: type[Reference], row_ids: Iterable[str], fresh: Iterable[tuple[Any, ...]] = ()
) -> None:
    """Write reference rows as the sum of their changes, whatever order those came in.

    `session`: reads and writes.
    `model`: the table of the rows.
    `fresh`: changes of these rows that are not written yet, each in the order of `Change`'s columns.

    Raises LookupError if the changes do not give every column a row must have: its first change is missing.
    """
    table, wanted = model.__table__, list(dict.fromkeys(row_ids))
    changes: dict[str, list[Any]] = {row_id: [] for row_id in wanted}
    for id, device, seq, stamp, _table, row_id, columns in fresh:
        changes[row_id].append((stamp, device, seq, id, columns))
    for i in range(0, len(wanted), 500):
        some = wanted[i : i + 500]
        query = (
            select(Change.stamp, Change.device, Change.seq, Change.id, Change.columns, Change.row_id, model.id)
            .outerjoin(model, model.id == Change.row_id)
            .where(Change.table == table.name, Change.row_id.in_(some))
        )
        here = set()
        for *change, row_id, found in session.execute(query):
            changes[row_id].append(change)
            here.add(found)
        rows = [_row(model, row_id, changes[row_id]) for row_id in some]
        names = table.columns.keys()
        insert_rows(session, table, [tuple(row[name] for name in names) for row in rows if row["id"] not in here])
        for row in rows:
            if row["id"] in here:
                session.merge(model(**row))
        session.flush()


def sum_of(model: type[Reference], changes: Iterable[Sequence[Any]]) -> dict[str, Any]:
    """Return the columns of a row as its changes say, each of these (stamp, device, number, id, columns)."""
    values = dict(defaults(model))  # a first change by an older program lacks the newer columns
    for *_order, columns in _counting(changes):
        values.update(columns)
    return values


def history(session: Session, row: Record) -> list[dict[str, Any]]:
    """Return the columns of a reference row's changes, the newest that counts first."""
    query = select(Change.stamp, Change.device, Change.seq, Change.id, Change.columns)
    changes = session.execute(query.where(Change.table == row.__tablename__, Change.row_id == row.id))
    return [columns for *_order, columns in reversed(_counting(changes))]


def _counting(changes: Iterable[Sequence[Any]]) -> list[Sequence[Any]]:
    """Return changes, each (stamp, device, number, id, columns), in the order in which they count."""
    return in_effect(sorted(changes, key=_ORDER), _STAMP)


def _row(model: type[Reference], row_id: str, changes: list[Any]) -> dict[str, Any]:
    values = sum_of(model, changes)
    if any(n not in values for n in own_columns(model)):
        raise LookupError(f"the first change of {model.__tablename__} {row_id} is missing")
    stamp, device, seq, *_ = min(changes, key=_ORDER)
    return {"id": row_id, "device": device, "seq": seq, "stamp": stamp, **values}
