"""The first logbook."""

from collections.abc import Collection
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TEXT, INTEGER, REAL, FLAG, BYTES = sa.String(), sa.Integer(), sa.Float(), sa.Boolean(), sa.LargeBinary()
JSON: sa.JSON = sa.JSON(none_as_null=True)
PLAIN_IDS = ("row_id", "corrects_id")  # every other column that ends in _id names a row of that table


def upgrade() -> None:
    # "Roll" in ASCII, in the file's header: marks a logbook among SQLite files
    if op.get_bind().dialect.name == "sqlite":
        op.execute("PRAGMA application_id = 0x526F6C6C")
    _record("change", table=TEXT, row_id=TEXT, columns=JSON, index="row_id")
    _record("farm", name=TEXT, timezone=TEXT, units=TEXT, fuel_price_per_l=REAL, empty=("fuel_price_per_l",))
    _record(
        "field", name=TEXT, boundary=JSON, crop=TEXT, target=INTEGER, once_only=JSON, gate_lat=REAL, gate_lon=REAL,
        empty=("boundary", "crop", "once_only", "gate_lat", "gate_lon")
    )  # fmt: skip
    _record("operator", name=TEXT, phone=TEXT, rate_per_h=REAL, empty=("phone", "rate_per_h"))
    _table("own", ["device"], device=TEXT, name=TEXT, private_key=BYTES, next_seq=INTEGER, stamp=TEXT)
    _table("peer", ["device"], device=TEXT, name=TEXT, public_key=BYTES, empty=("public_key",))
    _record(
        "tool", name=TEXT, operation=TEXT, width_m=REAL, towed=FLAG, grease_every_h=REAL, empty=("grease_every_h",)
    )  # fmt: skip
    _record("tractor", name=TEXT, tank_l=REAL, cost_per_h=REAL, empty=("tank_l", "cost_per_h"))
    _record(
        "correction", corrects_table=TEXT, corrects_id=TEXT, operator_id=TEXT, at=REAL, reason=TEXT, detail=JSON,
        empty=("operator_id", "detail"), index="corrects_id"
    )  # fmt: skip
    _record(
        "hitching", tractor_id=TEXT, tool_id=TEXT, antenna_to_hitch_m=REAL, hitch_to_line_m=REAL, side_m=REAL,
        width_m=REAL
    )  # fmt: skip
    _record("job", field_id=TEXT, operation=TEXT, season=INTEGER, target=INTEGER, index="field_id")
    _record(
        "stint", job_id=TEXT, operator_id=TEXT, tractor_id=TEXT, tool_id=TEXT, width_m=REAL, hitch_to_line_m=REAL,
        antenna_to_hitch_m=REAL, side_m=REAL, receiver=TEXT, at=REAL, empty=("receiver",), index="job_id"
    )  # fmt: skip
    _record(
        "fuel_entry", tractor_id=TEXT, stint_id=TEXT, at=REAL, litres=REAL, price_per_l=REAL, empty=("stint_id",
        "price_per_l")
    )  # fmt: skip
    _record(
        "hand_over", job_id=TEXT, stint_id=TEXT, at=REAL, state=TEXT, left_for=FLAG, sheet=JSON, next_lat=REAL,
        next_lon=REAL, empty=("next_lat", "next_lon"), index="job_id"
    )  # fmt: skip
    _record(
        "mark", field_id=TEXT, stint_id=TEXT, kind=TEXT, lat=REAL, lon=REAL, at=REAL, note=TEXT, empty=("field_id",
        "stint_id", "lat", "lon", "note"), index="field_id"
    )  # fmt: skip
    _record(
        "tap", stint_id=TEXT, kind=TEXT, at=REAL, reason=TEXT, lat=REAL, lon=REAL, detail=JSON, empty=("reason",
        "lat", "lon", "detail"), index="stint_id"
    )  # fmt: skip
    _record(
        "trace_chunk", stint_id=TEXT, n=INTEGER, first_at=REAL, last_at=REAL, count=INTEGER, packed=BYTES,
        index="stint_id"
    )  # fmt: skip
    _table("trace_tail", ["stint_id", "n"], stint_id=TEXT, n=INTEGER, packed=BYTES)
    _record(
        "hand_over_receipt", hand_over_id=TEXT, operator_id=TEXT, at=REAL, pointed_lat=REAL, pointed_lon=REAL,
        metres_off=REAL, agreed=FLAG, empty=("pointed_lat", "pointed_lon", "metres_off"), index="hand_over_id"
    )  # fmt: skip


def _record(table: str, /, empty: Collection[str] = (), index: str = "stamp", **columns: Any) -> None:
    base = {"id": TEXT, "device": TEXT, "seq": INTEGER, "stamp": TEXT}
    _table(table, ["id"], ["device", "seq"], empty=empty, **base, **columns)
    for column in sorted({"stamp", index}):
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column])


def _table(
    table: str, key: list[str], unique: list[str] | None = None, /, empty: Collection[str] = (), **columns: Any
) -> None:
    links = [name for name in sorted(columns) if name.endswith("_id") and name not in PLAIN_IDS]
    op.create_table(
        table,
        *(sa.Column(name, kind, nullable=name in empty) for name, kind in columns.items()),
        *(sa.ForeignKeyConstraint([n], [f"{n[:-3]}.id"], name=op.f(f"fk_{table}_{n}")) for n in links),
        sa.PrimaryKeyConstraint(*key, name=op.f(f"pk_{table}")),
        *([sa.UniqueConstraint(*unique, name=op.f(f"uq_{table}_{unique[0]}"))] if unique else []),
    )
