"""Reference rows as the sum of their changes; the only place that writes reference tables."""

import math
from collections.abc import Callable, Iterable, Sequence
from functools import cache, partial
from operator import itemgetter

from sqlalchemy import JSON, Boolean, Column, Float, Integer, select
from sqlalchemy.orm import Session

from store.db.bulk_insert import insert_rows
from store.db.connection import json_text
from store.limits import INSTANT_LIMIT_S, LARGEST_FLOAT, LARGEST_INT
from store.models import Change, Instant, Record, Reference

BASE = frozenset(("id", "device", "seq", "stamp"))
_WHEN = itemgetter(0, 1, 2)  # stamp, device, number


@cache
def own_columns(model: type[Record]) -> dict[str, Column]:
    """Return the columns of a table beyond those every row has, by name."""
    return {c.name: c for c in model.__table__.columns if c.name not in BASE}


def default_of(column: Column):
    """Return what a column holds when nobody said; None if it must be said."""
    return column.default.arg if column.default is not None else None


@cache
def defaults(model: type[Record]) -> dict[str, object]:
    """Return the columns that need not be said, with what they then hold."""
    found = {n: default_of(c) for n, c in own_columns(model).items()}
    return {n: v for n, v in found.items() if v is not None or own_columns(model)[n].nullable}


def all_fit(column: Column, values: Sequence) -> bool:
    """Say whether all of these values may stand in a column; bool is no number, NaN no measure.

    A column at once, because a bundle brings tens of thousands of values.
    """
    kinds = set(map(type, values))
    if type(None) in kinds:
        if not column.nullable:
            return False
        values = [value for value in values if value is not None]
        kinds.discard(type(None))
    kind, judge = _judge_of(column)
    return all(issubclass(k, kind) and (k is not bool or kind is bool) for k in kinds) and (
        judge is None or judge(values)
    )


def fits(column: Column, value) -> bool:
    """Say whether a value may stand in a column."""
    return all_fit(column, (value,))


@cache
def _judge_of(column: Column) -> tuple[type | tuple[type, ...], Callable | None]:
    """Return what a column's values must be, and what all of them are asked besides."""
    if isinstance(column.type, JSON):
        return dict, _sayable
    if isinstance(column.type, Boolean):
        return bool, None
    if isinstance(column.type, Integer):
        return int, partial(_within, LARGEST_INT + 1)
    if isinstance(column.type, Instant):
        return (int, float), partial(_within, INSTANT_LIMIT_S)
    if isinstance(column.type, Float):
        return (int, float), partial(_within, LARGEST_FLOAT)
    return column.type.python_type, _whole if column.type.python_type is str else None


def _within(limit: float, values: Sequence) -> bool:
    """Say whether all numbers lie between -limit and limit; one that is no number does not."""
    return not values or (-limit < min(values) and max(values) < limit and all(map(math.isfinite, values)))


def _whole(texts: Iterable[str]) -> bool:
    """Say whether texts can be written: half a surrogate pair or a NUL cannot."""
    try:
        return b"\0" not in "".join(texts).encode()
    except UnicodeEncodeError:
        return False


def _sayable(values: Iterable[dict]) -> bool:
    """Say whether these can be written as JSON: infinity cannot."""
    try:
        json_text(list(values))
    except (TypeError, ValueError, RecursionError):
        return False
    return True


def judged(model: type[Record], columns: dict) -> dict:
    """Return the columns as they are, or raise ValueError naming the one that does not fit."""
    allowed = own_columns(model)
    for name, value in columns.items():
        if name not in allowed:
            raise ValueError(f"{model.__name__} has no column {name!r}")
        if not fits(allowed[name], value):
            raise ValueError(f"{model.__name__}.{name} cannot be {value!r}")
    return columns


def complete(model: type[Record], columns: dict) -> dict:
    """Return every column of a new row, judged: a birth must let another copy make the row."""
    born = {}
    for name, column in own_columns(model).items():
        born[name] = columns.get(name, default_of(column))
    return judged(model, {**columns, **born})


def differing(row: Reference, columns: dict) -> dict:
    """Return those of the columns whose value is not the row's already."""
    return {n: v for n, v in judged(type(row), columns).items() if getattr(row, n) != v}


def newest(session: Session, row_id: str) -> str:
    """Return the newest stamp among a row's changes; "" if it has none."""
    query = select(Change.stamp).filter_by(row_id=row_id).order_by(Change.stamp.desc())
    return session.scalars(query.limit(1)).first() or ""


def apply_changes(
    session: Session, model: type[Reference], row_ids: Iterable[str], fresh: Iterable[tuple] = ()
) -> None:
    """Write reference rows as the sum of their changes; the order they came in is no matter.

    Parameters
    ----------
    session : Session
        Reads and writes.
    model : type
        Their table.
    row_ids : iterable of str
        Which rows.
    fresh : iterable of tuple
        Changes of these rows that are not written yet, each in the order of `Change`'s columns.

    Raises
    ------
    LookupError
        If the changes do not give every column a row must have: its birth is missing.
    """
    table, wanted = model.__table__, list(dict.fromkeys(row_ids))
    told: dict[str, list] = {row_id: [] for row_id in wanted}
    for _id, device, seq, stamp, _table, row_id, columns in fresh:
        told[row_id].append((stamp, device, seq, columns))
    for i in range(0, len(wanted), 500):
        some = wanted[i : i + 500]
        query = (
            select(Change.stamp, Change.device, Change.seq, Change.columns, Change.row_id, model.id)
            .outerjoin(model, model.id == Change.row_id)
            .where(Change.table == table.name, Change.row_id.in_(some))
        )
        here = set()
        for *change, row_id, found in session.execute(query):
            told[row_id].append(change)
            here.add(found)
        rows = [_sum(model, row_id, sorted(told[row_id], key=_WHEN)) for row_id in some]
        born = [row for row in rows if row["id"] not in here]
        names = table.columns.keys()
        insert_rows(session, table, [tuple(row[name] for name in names) for row in born])
        for row in rows:
            if row["id"] in here:
                session.merge(model(**row))
        session.flush()


def _sum(model: type[Reference], row_id: str, ordered: list) -> dict:
    values = dict(defaults(model))  # a birth by an older program lacks the newer columns
    for _stamp, _device, _seq, columns in ordered:
        values.update(columns)
    if any(n not in values for n in own_columns(model)):
        raise LookupError(f"the birth of {model.__tablename__} {row_id} is missing")
    stamp, device, seq, _columns = ordered[0]
    return {"id": row_id, "device": device, "seq": seq, "stamp": stamp, **values}
