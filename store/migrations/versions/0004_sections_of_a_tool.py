"""Sections of a tool, kept with it and with each stint."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for table in ("tool", "stint"):
        op.add_column(table, sa.Column("sections", sa.String(), nullable=True))
