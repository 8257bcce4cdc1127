"""Signed pages, enrolment of devices, and reference rows that can be taken away."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

REFERENCES = ("farm", "field", "hitching", "job", "operator", "tool", "tractor")


def upgrade() -> None:
    for table in REFERENCES:
        gone: sa.Column[bool] = sa.Column("gone", sa.Boolean(), nullable=False, server_default=sa.false())
        op.add_column(table, gone)
    op.add_column("own", sa.Column("office", sa.String(), nullable=True))
    op.create_table(
        "page",
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("first", sa.Integer(), nullable=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("signature", sa.String(), nullable=False),
        sa.Column("squeezed", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("device", "first", "last", name=op.f("pk_page")),
    )
    op.create_table(
        "enrolment",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("public_key", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_enrolment")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_enrolment_device")),
    )
    op.create_index(op.f("ix_enrolment_subject"), "enrolment", ["subject"], unique=False)
    op.create_index(op.f("ix_enrolment_stamp"), "enrolment", ["stamp"], unique=False)
