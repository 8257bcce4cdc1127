"""A number of a device may name two records; devices left, and how clocks stood, are facts."""

import re
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

RECORDS = (
    "change", "farm", "field", "operator", "tool", "tractor", "correction", "hitching", "job", "stint", "fuel_entry",
    "hand_over", "mark", "tap", "trace_chunk", "hand_over_receipt", "parcel", "enrolment",
)  # fmt: skip
UNIQUE = re.compile(r",\s*CONSTRAINT uq_\w+ UNIQUE \(device, seq\)")
PAGE_KEY = "CONSTRAINT pk_page PRIMARY KEY (device, first, last{more})"


def upgrade() -> None:
    sqlite = op.get_bind().dialect.name == "sqlite"
    for table in RECORDS:
        if sqlite:
            _rebuild(table, UNIQUE, "")
        else:
            op.drop_constraint(f"uq_{table}_device", table, type_="unique")
        op.create_index(op.f(f"ix_{table}_device"), table, ["device", "seq"])
    if sqlite:
        _rebuild("page", re.compile(re.escape(PAGE_KEY.format(more=""))), PAGE_KEY.format(more=", sha256"))
    else:
        op.drop_constraint("pk_page", "page", type_="primary")
        op.create_primary_key("pk_page", "page", ["device", "first", "last", "sha256"])
    _fact(
        "retirement",
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("first", sa.Integer(), nullable=False),
        sa.Column("last", sa.Integer(), nullable=True),
        sa.Column("at", sa.Float(), nullable=False),
    )
    op.create_index(op.f("ix_retirement_subject"), "retirement", ["subject"])
    _fact(
        "clock_era",
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("proven", sa.String(), nullable=True),
        sa.Column("shift_s", sa.Float(), nullable=False),
        sa.Column("boot", sa.String(), nullable=True),
    )


def _fact(table: str, *columns: sa.Column[Any]) -> None:
    op.create_table(
        table,
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
    )
    op.create_index(op.f(f"ix_{table}_device"), table, ["device", "seq"])
    op.create_index(op.f(f"ix_{table}_stamp"), table, ["stamp"])


def _rebuild(table: str, old: re.Pattern[str], new: str) -> None:
    """Rebuild a table of SQLite with other words in its definition ("Making Other Kinds Of Table Schema Changes").

    Source: https://sqlite.org/lang_altertable.html#otheralter; foreign keys are not enforced meanwhile (`rebuilding`).
    """
    run = op.get_bind().exec_driver_sql
    if run("PRAGMA foreign_keys").scalar():
        raise RuntimeError("tables are rebuilt on a connection of store.db.connection.rebuilding only")
    made = run("SELECT sql FROM sqlite_master WHERE type = 'table' AND name = ?", (table,)).scalar_one()
    indices = run("SELECT sql FROM sqlite_master WHERE type = 'index' AND tbl_name = ? AND sql > ''", (table,)).all()
    made, found = old.subn(new, made)
    if found != 1:
        raise RuntimeError(f"the definition of {table} is another than expected")
    if run(f'SELECT 1 FROM "{table}" LIMIT 1').first():
        run(re.sub(rf'^CREATE TABLE "?{table}"?', f'CREATE TABLE "{table}_new"', made))
        run(f'INSERT INTO "{table}_new" SELECT * FROM "{table}"')
        run(f'DROP TABLE "{table}"')
        run(f'ALTER TABLE "{table}_new" RENAME TO "{table}"')
    else:  # of a logbook just made: three times as quick
        run(f'DROP TABLE "{table}"')
        run(made)
    for (index,) in indices:
        run(index)
