"""Inserts many rows in one statement of the database's own driver, without objects."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import JSON, Table
from sqlalchemy.orm import Session

from store.db.connection import json_text


def insert_rows(session: Session, table: Table, rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert rows, each in the order of the table's columns, values of JSON columns as objects.

    Raises sqlalchemy.exc.IntegrityError if one does not fit the others.
    """
    if not rows:
        return
    for place, column in enumerate(table.columns):
        if isinstance(column.type, JSON) and any(row[place] is not None for row in rows):
            rows = [_with_text(row, place) for row in rows]
    connection = session.connection()
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    names = ", ".join(f'"{column.name}"' for column in table.columns)
    marks = ", ".join([mark] * len(table.columns))
    connection.exec_driver_sql(f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})', list(rows))


def _with_text(row: tuple[Any, ...], place: int) -> tuple[Any, ...]:
    return row if row[place] is None else (*row[:place], json_text(row[place]), *row[place + 1 :])
