"""Many rows at once, as the database's own driver takes them: no objects, one statement."""

from collections.abc import Sequence

from sqlalchemy import JSON, Table
from sqlalchemy.orm import Session

from store.db.connection import json_text


def insert_rows(session: Session, table: Table, rows: Sequence[tuple]) -> None:
    """Insert rows, each in the order of the table's columns; JSON columns hold what they mean.

    Raises
    ------
    sqlalchemy.exc.IntegrityError
        If one does not fit the others.
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
    connection.exec_driver_sql(f'INSERT INTO "{table.name}" ({names}) VALUES ({marks})', rows)


def _with_text(row: tuple, place: int) -> tuple:
    if row[place] is None:
        return row
    return (*row[:place], json_text(row[place]), *row[place + 1 :])
