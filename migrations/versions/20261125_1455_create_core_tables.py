"""Create the core tables and the fleet of the embedded default.

Revision 0001, the first. On PostgreSQL the readings are partitioned by year of their UTC day.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_FIRST_YEAR, _LAST_YEAR = 2010, 2050


def upgrade() -> None:
    op.create_table(
        "fleet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("time_zone", sa.String(length=64), nullable=False),
        sa.Column("unit_system", sa.String(length=16), nullable=False),
        sa.Column("stale_days", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fleet")),
        sa.UniqueConstraint("code", name=op.f("uq_fleet_code")),
    )
    op.create_table(
        "reading",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("day", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("meter", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("source_id", sa.Integer(), nullable=False),
        sa.Column("figure", sa.BigInteger(), nullable=False),
        sa.Column("life", sa.BigInteger(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("reason", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint(
            "fleet_id", "day", "vehicle_id", "meter", "at_us", "source_id", "figure", name=op.f("pk_reading")
        ),
        postgresql_partition_by="RANGE (day)",
        sqlite_with_rowid=False,
    )
    op.create_table(
        "depot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("time_zone", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_depot_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_depot")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_depot_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_depot_fleet_id_id")),
    )
    op.create_table(
        "fluid_requirement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("standard", sa.String(length=32), nullable=False),
        sa.Column("service_class", sa.String(length=64), nullable=True),
        sa.Column("grade", sa.String(length=64), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_fluid_requirement_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fluid_requirement")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_fluid_requirement_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_fluid_requirement_fleet_id_id")),
    )
    op.create_table(
        "part",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("unit", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("superseded_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "superseded_by_id"],
            ["part.fleet_id", "part.id"],
            name=op.f("fk_part_fleet_id_superseded_by_id"),
        ),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_part_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_part")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_part_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_part_fleet_id_id")),
    )
    op.create_table(
        "reading_source",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_reading_source_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reading_source")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_reading_source_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_reading_source_fleet_id_id")),
    )
    op.create_table(
        "spec_sheet",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_spec_sheet_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spec_sheet")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_spec_sheet_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_spec_sheet_fleet_id_id")),
    )
    op.create_table(
        "unplaced_reading",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("meter", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("source_id", sa.Integer(), nullable=False),
        sa.Column("figure", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_unplaced_reading_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unplaced_reading")),
        sa.UniqueConstraint(
            "fleet_id",
            "unit",
            "meter",
            "at_us",
            "source_id",
            "figure",
            name=op.f("uq_unplaced_reading_fleet_id_unit_meter_at_us_source_id_figure"),
        ),
    )
    with op.batch_alter_table("unplaced_reading", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_unplaced_reading_fleet_id_unit"), ["fleet_id", "unit"], unique=False
        )

    op.create_table(
        "part_alternate",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("alternate_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "alternate_id"],
            ["part.fleet_id", "part.id"],
            name=op.f("fk_part_alternate_fleet_id_alternate_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "part_id"],
            ["part.fleet_id", "part.id"],
            name=op.f("fk_part_alternate_fleet_id_part_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "part_id", "alternate_id", name=op.f("pk_part_alternate")),
    )
    op.create_table(
        "spec_sheet_version",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("document", sa.Text(), nullable=False),
        sa.Column("sheet", sa.Text(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_id"],
            ["spec_sheet.fleet_id", "spec_sheet.id"],
            name=op.f("fk_spec_sheet_version_fleet_id_spec_sheet_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spec_sheet_version")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_spec_sheet_version_fleet_id_id")),
        sa.UniqueConstraint(
            "fleet_id",
            "spec_sheet_id",
            "number",
            name=op.f("uq_spec_sheet_version_fleet_id_spec_sheet_id_number"),
        ),
    )
    op.create_table(
        "vehicle",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("vin", sa.String(length=17), nullable=True),
        sa.Column("serial_number", sa.String(length=64), nullable=True),
        sa.Column("model_year", sa.Integer(), nullable=True),
        sa.Column("engine", sa.String(length=64), nullable=True),
        sa.Column("in_service_on", sa.Date(), nullable=False),
        sa.Column("is_known_from_new", sa.Boolean(), nullable=False),
        sa.Column("retired_on", sa.Date(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_vehicle_fleet_id_depot_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_id"],
            ["spec_sheet.fleet_id", "spec_sheet.id"],
            name=op.f("fk_vehicle_fleet_id_spec_sheet_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_vehicle")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_vehicle_fleet_id_id")),
    )
    with op.batch_alter_table("vehicle", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_vehicle_fleet_id_spec_sheet_id_id"),
            ["fleet_id", "spec_sheet_id", "id"],
            unique=False,
        )

    op.create_table(
        "component_exchange",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("compartment", sa.String(length=64), nullable=False),
        sa.Column("serial_number", sa.String(length=64), nullable=True),
        sa.Column("exchanged_at_us", sa.BigInteger(), nullable=False),
        sa.Column("exchanged_on", sa.Date(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_component_exchange_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_component_exchange")),
    )
    with op.batch_alter_table("component_exchange", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_component_exchange_fleet_id_vehicle_id"), ["fleet_id", "vehicle_id"], unique=False
        )

    op.create_table(
        "deferral",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("service", sa.String(length=64), nullable=False),
        sa.Column("granted_on", sa.Date(), nullable=False),
        sa.Column("authority", sa.String(length=200), nullable=False),
        sa.Column("reason", sa.String(length=2000), nullable=False),
        sa.Column("limits", sa.Text(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_deferral_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_deferral")),
    )
    with op.batch_alter_table("deferral", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_deferral_fleet_id_vehicle_id"), ["fleet_id", "vehicle_id"], unique=False
        )

    op.create_table(
        "due_point",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("service", sa.String(length=64), nullable=False),
        sa.Column("spec_sheet_version_id", sa.Integer(), nullable=False),
        sa.Column("is_always_listed", sa.Boolean(), nullable=False),
        sa.Column("has_meter", sa.Boolean(), nullable=False),
        sa.Column("due_on", sa.Integer(), nullable=True),
        sa.Column("odometer_m", sa.BigInteger(), nullable=True),
        sa.Column("engine_s", sa.BigInteger(), nullable=True),
        sa.Column("second_engine_s", sa.BigInteger(), nullable=True),
        sa.Column("power_take_off_s", sa.BigInteger(), nullable=True),
        sa.Column("idle_s", sa.BigInteger(), nullable=True),
        sa.Column("fuel_ml", sa.BigInteger(), nullable=True),
        sa.Column("idle_m_per_h", sa.Integer(), nullable=True),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_due_point_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "vehicle_id", "service", name=op.f("pk_due_point")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "duty_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("condition", sa.String(length=32), nullable=False),
        sa.Column("share", sa.Float(), nullable=False),
        sa.Column("from_on", sa.Date(), nullable=False),
        sa.Column("through_on", sa.Date(), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_duty_entry_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_duty_entry")),
    )
    with op.batch_alter_table("duty_entry", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_duty_entry_fleet_id_vehicle_id"), ["fleet_id", "vehicle_id"], unique=False
        )

    op.create_table(
        "meter_segment",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("meter", sa.Integer(), nullable=False),
        sa.Column("fitted_at_us", sa.BigInteger(), nullable=False),
        sa.Column("removed_at_us", sa.BigInteger(), nullable=True),
        sa.Column("life_offset", sa.BigInteger(), nullable=False),
        sa.Column("unit", sa.String(length=16), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_meter_segment_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_meter_segment")),
    )
    with op.batch_alter_table("meter_segment", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_meter_segment_fleet_id_vehicle_id_meter"),
            ["fleet_id", "vehicle_id", "meter"],
            unique=False,
        )

    op.create_table(
        "spec_sheet_fluid",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_version_id", sa.Integer(), nullable=False),
        sa.Column("fluid_requirement_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "fluid_requirement_id"],
            ["fluid_requirement.fleet_id", "fluid_requirement.id"],
            name=op.f("fk_spec_sheet_fluid_fleet_id_fluid_requirement_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"],
            ["spec_sheet_version.fleet_id", "spec_sheet_version.id"],
            name=op.f("fk_spec_sheet_fluid_fleet_id_spec_sheet_version_id"),
        ),
        sa.PrimaryKeyConstraint(
            "fleet_id", "spec_sheet_version_id", "fluid_requirement_id", name=op.f("pk_spec_sheet_fluid")
        ),
    )
    op.create_table(
        "spec_sheet_part",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_version_id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "part_id"],
            ["part.fleet_id", "part.id"],
            name=op.f("fk_spec_sheet_part_fleet_id_part_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"],
            ["spec_sheet_version.fleet_id", "spec_sheet_version.id"],
            name=op.f("fk_spec_sheet_part_fleet_id_spec_sheet_version_id"),
        ),
        sa.PrimaryKeyConstraint(
            "fleet_id", "spec_sheet_version_id", "part_id", name=op.f("pk_spec_sheet_part")
        ),
    )
    op.create_table(
        "standing",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_version_id", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("is_listed", sa.Boolean(), nullable=False),
        sa.Column("is_settled", sa.Boolean(), nullable=False),
        sa.Column("next_due_on", sa.Integer(), nullable=False),
        sa.Column("stale_on", sa.Integer(), nullable=False),
        sa.Column("least_odometer_m", sa.BigInteger(), nullable=True),
        sa.Column("odometer_m", sa.BigInteger(), nullable=True),
        sa.Column("odometer_on", sa.Integer(), nullable=True),
        sa.Column("odometer_m_per_day", sa.Float(), nullable=True),
        sa.Column("engine_s", sa.BigInteger(), nullable=True),
        sa.Column("engine_on", sa.Integer(), nullable=True),
        sa.Column("engine_s_per_day", sa.Float(), nullable=True),
        sa.Column("second_engine_s", sa.BigInteger(), nullable=True),
        sa.Column("second_engine_on", sa.Integer(), nullable=True),
        sa.Column("second_engine_s_per_day", sa.Float(), nullable=True),
        sa.Column("power_take_off_s", sa.BigInteger(), nullable=True),
        sa.Column("power_take_off_on", sa.Integer(), nullable=True),
        sa.Column("power_take_off_s_per_day", sa.Float(), nullable=True),
        sa.Column("idle_s", sa.BigInteger(), nullable=True),
        sa.Column("idle_on", sa.Integer(), nullable=True),
        sa.Column("idle_s_per_day", sa.Float(), nullable=True),
        sa.Column("fuel_ml", sa.BigInteger(), nullable=True),
        sa.Column("fuel_on", sa.Integer(), nullable=True),
        sa.Column("fuel_ml_per_day", sa.Float(), nullable=True),
        sa.Column("first_day", sa.Integer(), nullable=True),
        sa.Column("last_day", sa.Integer(), nullable=True),
        sa.Column("usage", sa.Text(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_standing_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "vehicle_id", name=op.f("pk_standing")),
        sqlite_with_rowid=False,
    )
    with op.batch_alter_table("standing", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_standing_fleet_id_depot_id_next_due_on_vehicle_id"),
            ["fleet_id", "depot_id", "next_due_on", "vehicle_id"],
            unique=False,
        )
        batch_op.create_index(
            batch_op.f("ix_standing_fleet_id_next_due_on_vehicle_id"),
            ["fleet_id", "next_due_on", "vehicle_id"],
            unique=False,
        )
        batch_op.create_index(
            batch_op.f("ix_standing_fleet_id_stale_on_vehicle_id"),
            ["fleet_id", "stale_on", "vehicle_id"],
            unique=False,
        )

    op.create_table(
        "unit_number",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("valid_through", sa.Date(), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_unit_number_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_unit_number")),
    )
    with op.batch_alter_table("unit_number", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_unit_number_fleet_id_unit_valid_from"),
            ["fleet_id", "unit", "valid_from"],
            unique=False,
        )
        batch_op.create_index(
            batch_op.f("ix_unit_number_fleet_id_vehicle_id"), ["fleet_id", "vehicle_id"], unique=False
        )

    op.create_table(
        "work_done",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_version_id", sa.Integer(), nullable=False),
        sa.Column("done_at_us", sa.BigInteger(), nullable=False),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.Column("is_from_papers", sa.Boolean(), nullable=False),
        sa.Column("reference", sa.String(length=100), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_version_id"],
            ["spec_sheet_version.fleet_id", "spec_sheet_version.id"],
            name=op.f("fk_work_done_fleet_id_spec_sheet_version_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_work_done_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_work_done")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_work_done_fleet_id_id")),
    )
    with op.batch_alter_table("work_done", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_work_done_fleet_id_vehicle_id_done_at_us"),
            ["fleet_id", "vehicle_id", "done_at_us"],
            unique=False,
        )

    op.create_table(
        "work_fluid",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("work_done_id", sa.Integer(), nullable=False),
        sa.Column("compartment", sa.String(length=64), nullable=False),
        sa.Column("fluid_requirement_id", sa.Integer(), nullable=True),
        sa.Column("drained_ml", sa.Integer(), nullable=True),
        sa.Column("filled_ml", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "fluid_requirement_id"],
            ["fluid_requirement.fleet_id", "fluid_requirement.id"],
            name=op.f("fk_work_fluid_fleet_id_fluid_requirement_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "work_done_id"],
            ["work_done.fleet_id", "work_done.id"],
            name=op.f("fk_work_fluid_fleet_id_work_done_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "work_done_id", "compartment", name=op.f("pk_work_fluid")),
    )
    op.create_table(
        "work_service",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("work_done_id", sa.Integer(), nullable=False),
        sa.Column("service", sa.String(length=64), nullable=False),
        sa.Column("is_named", sa.Boolean(), nullable=False),
        sa.Column("is_completed", sa.Boolean(), nullable=False),
        sa.Column("restored_share", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "work_done_id"],
            ["work_done.fleet_id", "work_done.id"],
            name=op.f("fk_work_service_fleet_id_work_done_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "work_done_id", "service", name=op.f("pk_work_service")),
    )
    op.create_table(
        "work_task",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("work_done_id", sa.Integer(), nullable=False),
        sa.Column("task", sa.String(length=64), nullable=False),
        sa.Column("is_done", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "work_done_id"],
            ["work_done.fleet_id", "work_done.id"],
            name=op.f("fk_work_task_fleet_id_work_done_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "work_done_id", "task", name=op.f("pk_work_task")),
    )
    if op.get_bind().dialect.name == "postgresql":
        _create_partitions()
    fleet = sa.table(
        "fleet",
        *(sa.column(name) for name in ("code", "name", "time_zone", "unit_system", "stale_days", "version")),
        sa.column("recorded_at_us", sa.BigInteger()),
    )
    now_us = int(datetime.now(UTC).timestamp() * 1_000_000)
    op.bulk_insert(
        fleet,
        [
            {
                "code": "default",
                "name": "Default fleet",
                "time_zone": "UTC",
                "unit_system": "metric",
                "stale_days": 14,
                "version": 1,
                "recorded_at_us": now_us,
            }
        ],
    )


def downgrade() -> None:
    op.drop_table("work_task")
    op.drop_table("work_service")
    op.drop_table("work_fluid")
    with op.batch_alter_table("work_done", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_work_done_fleet_id_vehicle_id_done_at_us"))

    op.drop_table("work_done")
    with op.batch_alter_table("unit_number", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_unit_number_fleet_id_vehicle_id"))
        batch_op.drop_index(batch_op.f("ix_unit_number_fleet_id_unit_valid_from"))

    op.drop_table("unit_number")
    with op.batch_alter_table("standing", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_standing_fleet_id_stale_on_vehicle_id"))
        batch_op.drop_index(batch_op.f("ix_standing_fleet_id_next_due_on_vehicle_id"))
        batch_op.drop_index(batch_op.f("ix_standing_fleet_id_depot_id_next_due_on_vehicle_id"))

    op.drop_table("standing")
    op.drop_table("spec_sheet_part")
    op.drop_table("spec_sheet_fluid")
    with op.batch_alter_table("meter_segment", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_meter_segment_fleet_id_vehicle_id_meter"))

    op.drop_table("meter_segment")
    with op.batch_alter_table("duty_entry", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_duty_entry_fleet_id_vehicle_id"))

    op.drop_table("duty_entry")
    op.drop_table("due_point")
    with op.batch_alter_table("deferral", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_deferral_fleet_id_vehicle_id"))

    op.drop_table("deferral")
    with op.batch_alter_table("component_exchange", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_component_exchange_fleet_id_vehicle_id"))

    op.drop_table("component_exchange")
    with op.batch_alter_table("vehicle", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_vehicle_fleet_id_spec_sheet_id_id"))

    op.drop_table("vehicle")
    op.drop_table("spec_sheet_version")
    op.drop_table("part_alternate")
    with op.batch_alter_table("unplaced_reading", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_unplaced_reading_fleet_id_unit"))

    op.drop_table("unplaced_reading")
    op.drop_table("spec_sheet")
    op.drop_table("reading_source")
    op.drop_table("part")
    op.drop_table("fluid_requirement")
    op.drop_table("depot")
    op.drop_table("reading")
    op.drop_table("fleet")


def _create_partitions() -> None:
    """One partition a year, one for all before, and one for whatever lies beyond."""
    first = (date(_FIRST_YEAR, 1, 1) - date(1970, 1, 1)).days
    op.execute(f"CREATE TABLE reading_p_before PARTITION OF reading FOR VALUES FROM (MINVALUE) TO ({first})")
    for year in range(_FIRST_YEAR, _LAST_YEAR):
        start = (date(year, 1, 1) - date(1970, 1, 1)).days
        end = (date(year + 1, 1, 1) - date(1970, 1, 1)).days
        op.execute(f"CREATE TABLE reading_p_{year} PARTITION OF reading FOR VALUES FROM ({start}) TO ({end})")
    op.execute("CREATE TABLE reading_p_beyond PARTITION OF reading DEFAULT")
