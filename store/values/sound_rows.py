"""Rows as they are read: whatever a bundle brought, each value is one that its column can have.

Notes: A value that cannot be is read as the newest that could be, of a row that is edited; else as not known, or as the nearest
that can be, and a measure that a row must have is then named in its `odd`: who counts leaves the row out. `odd_rows` lists all of them as they were written.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import set_committed_value

from store.errors import Message, message
from store.models import FACTS, REFERENCES, AnyRecord, Record, Reference
from store.values.value_judge import PAIRS, RULES, fits, odd_columns, shown

MOST_NAMED = 200
"""Odd values listed by `odd_rows`."""


def make_sound(rows: Sequence[Record], history: Callable[[Record], list[dict[str, Any]]]) -> None:
    """Give detached rows of one table sound values.

    `history`: given a reference row, returns the columns of its changes, the newest first.
    """
    if not rows:
        return
    table = rows[0].__tablename__
    odd: dict[str, tuple[Record, list[str]]] = {}
    for name, rule in RULES.get(table, {}).items():
        for row in rows:
            value = getattr(row, name)
            if value is not None and not rule.fits(value):
                odd.setdefault(row.id, (row, []))[1].append(name)
    for row, names in odd.values():
        before = history(row) if isinstance(row, Reference) else []
        row.odd = tuple(name for name in names if not _replaced(row, table, name, before))
    for one, other in PAIRS:
        if one in RULES.get(table, {}):
            for row in rows:
                if (getattr(row, one) is None) != (getattr(row, other) is None):
                    set_committed_value(row, one, None)
                    set_committed_value(row, other, None)


def _replaced(row: Record, table: str, name: str, before: list[dict[str, Any]]) -> bool:
    """Give a row a sound value in place of an odd one; return whether it may be used."""
    rule, column = RULES[table][name], row.__table__.columns[name]
    for columns in before:
        if name in columns and fits(table, name, columns[name]):
            set_committed_value(row, name, columns[name])
            return True
    set_committed_value(row, name, None if column.nullable else rule.instead(getattr(row, name)))
    return column.nullable or not rule.measure


def copied(row: AnyRecord, **columns: Any) -> AnyRecord:
    """Return a copy of a row with other values, which can be, in some columns."""
    values = {column.key: getattr(row, column.key) for column in type(row).__table__.columns}
    values |= columns
    for one, other in PAIRS:
        if (values.get(one) is None) != (values.get(other) is None):
            values[one] = values[other] = None
    copy = type(row)(**values)
    copy.odd = tuple(name for name in row.odd if name not in columns)
    return copy


def odd_rows(session: Session) -> Iterator[Message]:
    """Yield a sentence for each value that cannot be, `MOST_NAMED` at most."""
    named = 0
    for table, model in (REFERENCES | FACTS).items():
        names = list(RULES.get(table, {}))
        columns = [model.__table__.columns[name] for name in names]
        for id, *values in session.execute(select(model.__table__.columns.id, *columns)):
            row = dict(zip(names, values, strict=True))
            for name in odd_columns(table, row):
                named += 1
                if named > MOST_NAMED:
                    yield message("There are more odd values than are listed here.")
                    return
                yield message(
                    "The {column} of {table} {row} is odd ({value}), and counts as not known. It is {words}.",
                    column=name, table=table, row=id[:8], value=shown(row[name]), words=RULES[table][name].words,
                )  # fmt: skip
