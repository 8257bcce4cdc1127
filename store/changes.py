"""Reference rows as the sum of their changes; the only place that writes reference tables."""

import math

from sqlalchemy import JSON, Boolean, Column, Float, Integer, select
from sqlalchemy.orm import Session

from store.clock import INSTANT_LIMIT_S
from store.models import Change, Instant, Reference, Row

BASE = frozenset(("id", "device", "seq", "stamp"))


def own_columns(model: type[Row]) -> dict[str, Column]:
    """Return the columns of a table beyond those every row has, by name."""
    return {c.name: c for c in model.__table__.columns if c.name not in BASE}


def fits(column: Column, value) -> bool:
    """Say whether a value may stand in a column; bool is no number, NaN no measurement."""
    if value is None:
        return column.nullable
    if isinstance(column.type, JSON):
        return isinstance(value, dict)
    if isinstance(column.type, Boolean):
        return isinstance(value, bool)
    if isinstance(value, bool):
        return False
    if isinstance(column.type, Integer):
        return isinstance(value, int) and abs(value) < 2**63
    if isinstance(column.type, Instant):
        return isinstance(value, (int, float)) and abs(value) < INSTANT_LIMIT_S
    if isinstance(column.type, Float):
        return isinstance(value, (int, float)) and math.isfinite(value)
    return isinstance(value, column.type.python_type)


def judged(model: type[Row], columns: dict) -> dict:
    """Return the columns as they are, or raise ValueError naming the one that does not fit."""
    allowed = own_columns(model)
    for name, value in columns.items():
        if name not in allowed:
            raise ValueError(f"{model.__name__} has no column {name!r}")
        if not fits(allowed[name], value):
            raise ValueError(f"{model.__name__}.{name} cannot be {value!r}")
    return columns


def complete(model: type[Row], columns: dict) -> dict:
    """Return every column of a new row, judged: a birth must let another copy make the row."""
    born = {}
    for name, column in own_columns(model).items():
        default = column.default.arg if column.default is not None else None
        born[name] = columns.get(name, default)
    return judged(model, {**columns, **born})


def differing(row: Reference, columns: dict) -> dict:
    """Return those of the columns whose value is not the row's already."""
    return {n: v for n, v in judged(type(row), columns).items() if getattr(row, n) != v}


def newest(session: Session, row_id: str) -> str:
    """Return the newest stamp among a row's changes; "" if it has none."""
    query = select(Change.stamp).filter_by(row_id=row_id).order_by(Change.stamp.desc())
    return session.scalars(query.limit(1)).first() or ""


def fold(session: Session, model: type[Reference], row_id: str) -> None:
    """Write a reference row as the sum of its changes; the order they came in is no matter.

    Raises
    ------
    LookupError
        If the changes do not give every column the row must have: its birth is missing.
    """
    query = select(Change).filter_by(table=model.__tablename__, row_id=row_id)
    ordered = list(session.scalars(query.order_by(Change.stamp, Change.device, Change.seq)))
    values = {}
    for change in ordered:
        values.update(change.columns)
    if any(not c.nullable and n not in values for n, c in own_columns(model).items()):
        raise LookupError(f"the birth of {model.__tablename__} {row_id} is missing")
    first = ordered[0]
    row = model(id=row_id, device=first.device, seq=first.seq, stamp=first.stamp, **values)
    session.merge(row)
