"""Parcels of landlords, the farm's currency and own rules, and the area agreed for custom work."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("farm", sa.Column("currency", sa.String(), nullable=True))
    op.add_column("farm", sa.Column("closing_rules", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("farm", sa.Column("go_rules", sa.JSON(none_as_null=True), nullable=True))
    op.add_column("job", sa.Column("agreed_area_m2", sa.Float(), nullable=True))
    op.create_table(
        "parcel",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("field_id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("landlord", sa.String(), nullable=False),
        sa.Column("boundary", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("share", sa.Float(), nullable=True),
        sa.Column("rule", sa.String(), nullable=True),
        sa.Column("gone", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["field_id"], ["field.id"], name=op.f("fk_parcel_field_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parcel")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_parcel_device")),
    )
    op.create_index(op.f("ix_parcel_field_id"), "parcel", ["field_id"], unique=False)
    op.create_index(op.f("ix_parcel_stamp"), "parcel", ["stamp"], unique=False)
