"""The first logbook."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    # "Roll" in ASCII, kept in the file's header: how we know a logbook from another SQLite file
    if op.get_bind().dialect.name == "sqlite":
        op.execute("PRAGMA application_id = 0x526F6C6C")
    op.create_table(
        "change",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("table", sa.String(), nullable=False),
        sa.Column("row_id", sa.String(), nullable=False),
        sa.Column("columns", sa.JSON(none_as_null=True), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_change_device")),
    )
    with op.batch_alter_table("change") as batch_op:
        batch_op.create_index(batch_op.f("ix_change_row_id"), ["row_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_change_stamp"), ["stamp"], unique=False)

    op.create_table(
        "farm",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("timezone", sa.String(), nullable=False),
        sa.Column("units", sa.String(), nullable=False),
        sa.Column("fuel_price_per_l", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_farm")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_farm_device")),
    )
    with op.batch_alter_table("farm") as batch_op:
        batch_op.create_index(batch_op.f("ix_farm_stamp"), ["stamp"], unique=False)

    op.create_table(
        "field",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("boundary", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("crop", sa.String(), nullable=True),
        sa.Column("target", sa.Integer(), nullable=False),
        sa.Column("once_only", sa.JSON(none_as_null=True), nullable=True),
        sa.Column("gate_lat", sa.Float(), nullable=True),
        sa.Column("gate_lon", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_field")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_field_device")),
    )
    with op.batch_alter_table("field") as batch_op:
        batch_op.create_index(batch_op.f("ix_field_stamp"), ["stamp"], unique=False)

    op.create_table(
        "operator",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("phone", sa.String(), nullable=True),
        sa.Column("rate_per_h", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_operator")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_operator_device")),
    )
    with op.batch_alter_table("operator") as batch_op:
        batch_op.create_index(batch_op.f("ix_operator_stamp"), ["stamp"], unique=False)

    op.create_table(
        "own",
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("private_key", sa.LargeBinary(), nullable=False),
        sa.Column("next_seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("device", name=op.f("pk_own")),
    )
    op.create_table(
        "peer",
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("public_key", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("device", name=op.f("pk_peer")),
    )
    op.create_table(
        "tool",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("operation", sa.String(), nullable=False),
        sa.Column("width_m", sa.Float(), nullable=False),
        sa.Column("towed", sa.Boolean(), nullable=False),
        sa.Column("grease_every_h", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tool")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_tool_device")),
    )
    with op.batch_alter_table("tool") as batch_op:
        batch_op.create_index(batch_op.f("ix_tool_stamp"), ["stamp"], unique=False)

    op.create_table(
        "tractor",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("tank_l", sa.Float(), nullable=True),
        sa.Column("cost_per_h", sa.Float(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tractor")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_tractor_device")),
    )
    with op.batch_alter_table("tractor") as batch_op:
        batch_op.create_index(batch_op.f("ix_tractor_stamp"), ["stamp"], unique=False)

    op.create_table(
        "correction",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("corrects_table", sa.String(), nullable=False),
        sa.Column("corrects_id", sa.String(), nullable=False),
        sa.Column("operator_id", sa.String(), nullable=True),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("detail", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["operator_id"], ["operator.id"], name=op.f("fk_correction_operator_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_correction_device")),
    )
    with op.batch_alter_table("correction") as batch_op:
        batch_op.create_index(batch_op.f("ix_correction_corrects_id"), ["corrects_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_correction_stamp"), ["stamp"], unique=False)

    op.create_table(
        "hitching",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("tractor_id", sa.String(), nullable=False),
        sa.Column("tool_id", sa.String(), nullable=False),
        sa.Column("antenna_to_hitch_m", sa.Float(), nullable=False),
        sa.Column("hitch_to_line_m", sa.Float(), nullable=False),
        sa.Column("side_m", sa.Float(), nullable=False),
        sa.Column("width_m", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["tool_id"], ["tool.id"], name=op.f("fk_hitching_tool_id")),
        sa.ForeignKeyConstraint(["tractor_id"], ["tractor.id"], name=op.f("fk_hitching_tractor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hitching")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_hitching_device")),
    )
    with op.batch_alter_table("hitching") as batch_op:
        batch_op.create_index(batch_op.f("ix_hitching_stamp"), ["stamp"], unique=False)

    op.create_table(
        "job",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("field_id", sa.String(), nullable=False),
        sa.Column("operation", sa.String(), nullable=False),
        sa.Column("season", sa.Integer(), nullable=False),
        sa.Column("target", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["field_id"], ["field.id"], name=op.f("fk_job_field_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_job_device")),
    )
    with op.batch_alter_table("job") as batch_op:
        batch_op.create_index(batch_op.f("ix_job_field_id"), ["field_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_job_stamp"), ["stamp"], unique=False)

    op.create_table(
        "stint",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("job_id", sa.String(), nullable=False),
        sa.Column("operator_id", sa.String(), nullable=False),
        sa.Column("tractor_id", sa.String(), nullable=False),
        sa.Column("tool_id", sa.String(), nullable=False),
        sa.Column("width_m", sa.Float(), nullable=False),
        sa.Column("hitch_to_line_m", sa.Float(), nullable=False),
        sa.Column("antenna_to_hitch_m", sa.Float(), nullable=False),
        sa.Column("side_m", sa.Float(), nullable=False),
        sa.Column("receiver", sa.String(), nullable=True),
        sa.Column("at", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_stint_job_id")),
        sa.ForeignKeyConstraint(["operator_id"], ["operator.id"], name=op.f("fk_stint_operator_id")),
        sa.ForeignKeyConstraint(["tool_id"], ["tool.id"], name=op.f("fk_stint_tool_id")),
        sa.ForeignKeyConstraint(["tractor_id"], ["tractor.id"], name=op.f("fk_stint_tractor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stint")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_stint_device")),
    )
    with op.batch_alter_table("stint") as batch_op:
        batch_op.create_index(batch_op.f("ix_stint_job_id"), ["job_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_stint_stamp"), ["stamp"], unique=False)

    op.create_table(
        "fuel_entry",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("tractor_id", sa.String(), nullable=False),
        sa.Column("stint_id", sa.String(), nullable=True),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("litres", sa.Float(), nullable=False),
        sa.Column("price_per_l", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["stint_id"], ["stint.id"], name=op.f("fk_fuel_entry_stint_id")),
        sa.ForeignKeyConstraint(["tractor_id"], ["tractor.id"], name=op.f("fk_fuel_entry_tractor_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fuel_entry")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_fuel_entry_device")),
    )
    with op.batch_alter_table("fuel_entry") as batch_op:
        batch_op.create_index(batch_op.f("ix_fuel_entry_stamp"), ["stamp"], unique=False)

    op.create_table(
        "hand_over",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("job_id", sa.String(), nullable=False),
        sa.Column("stint_id", sa.String(), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("left_for", sa.Boolean(), nullable=False),
        sa.Column("sheet", sa.JSON(none_as_null=True), nullable=False),
        sa.Column("next_lat", sa.Float(), nullable=True),
        sa.Column("next_lon", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_hand_over_job_id")),
        sa.ForeignKeyConstraint(["stint_id"], ["stint.id"], name=op.f("fk_hand_over_stint_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_over")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_hand_over_device")),
    )
    with op.batch_alter_table("hand_over") as batch_op:
        batch_op.create_index(batch_op.f("ix_hand_over_job_id"), ["job_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_hand_over_stamp"), ["stamp"], unique=False)

    op.create_table(
        "mark",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("field_id", sa.String(), nullable=True),
        sa.Column("stint_id", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("lat", sa.Float(), nullable=True),
        sa.Column("lon", sa.Float(), nullable=True),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("note", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["field_id"], ["field.id"], name=op.f("fk_mark_field_id")),
        sa.ForeignKeyConstraint(["stint_id"], ["stint.id"], name=op.f("fk_mark_stint_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_mark")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_mark_device")),
    )
    with op.batch_alter_table("mark") as batch_op:
        batch_op.create_index(batch_op.f("ix_mark_field_id"), ["field_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_mark_stamp"), ["stamp"], unique=False)

    op.create_table(
        "tap",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("stint_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("lat", sa.Float(), nullable=True),
        sa.Column("lon", sa.Float(), nullable=True),
        sa.Column("detail", sa.JSON(none_as_null=True), nullable=True),
        sa.ForeignKeyConstraint(["stint_id"], ["stint.id"], name=op.f("fk_tap_stint_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tap")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_tap_device")),
    )
    with op.batch_alter_table("tap") as batch_op:
        batch_op.create_index(batch_op.f("ix_tap_stamp"), ["stamp"], unique=False)
        batch_op.create_index(batch_op.f("ix_tap_stint_id"), ["stint_id"], unique=False)

    op.create_table(
        "trace_chunk",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("stint_id", sa.String(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("first_at", sa.Float(), nullable=False),
        sa.Column("last_at", sa.Float(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["stint_id"], ["stint.id"], name=op.f("fk_trace_chunk_stint_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_trace_chunk")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_trace_chunk_device")),
    )
    with op.batch_alter_table("trace_chunk") as batch_op:
        batch_op.create_index(batch_op.f("ix_trace_chunk_stamp"), ["stamp"], unique=False)
        batch_op.create_index(batch_op.f("ix_trace_chunk_stint_id"), ["stint_id"], unique=False)

    op.create_table(
        "trace_tail",
        sa.Column("stint_id", sa.String(), nullable=False),
        sa.Column("n", sa.Integer(), nullable=False),
        sa.Column("packed", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["stint_id"], ["stint.id"], name=op.f("fk_trace_tail_stint_id")),
        sa.PrimaryKeyConstraint("stint_id", "n", name=op.f("pk_trace_tail")),
    )
    op.create_table(
        "hand_over_receipt",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("device", sa.String(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.String(), nullable=False),
        sa.Column("hand_over_id", sa.String(), nullable=False),
        sa.Column("operator_id", sa.String(), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
        sa.Column("pointed_lat", sa.Float(), nullable=True),
        sa.Column("pointed_lon", sa.Float(), nullable=True),
        sa.Column("metres_off", sa.Float(), nullable=True),
        sa.Column("agreed", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["hand_over_id"], ["hand_over.id"], name=op.f("fk_hand_over_receipt_hand_over_id")),
        sa.ForeignKeyConstraint(["operator_id"], ["operator.id"], name=op.f("fk_hand_over_receipt_operator_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_hand_over_receipt")),
        sa.UniqueConstraint("device", "seq", name=op.f("uq_hand_over_receipt_device")),
    )
    with op.batch_alter_table("hand_over_receipt") as batch_op:
        batch_op.create_index(batch_op.f("ix_hand_over_receipt_hand_over_id"), ["hand_over_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_hand_over_receipt_stamp"), ["stamp"], unique=False)
