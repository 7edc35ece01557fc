"""Add defects, fluid samples, corrections of work done, and what identifies a vehicle in its record.

Revision 0004.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_VEHICLE = ["vehicle.fleet_id", "vehicle.id"]
_WORK = ["work_done.fleet_id", "work_done.id"]
_IDENTITY = {"make": 64, "tyre_size": 64, "supplied_by": 200}
_INDEXES = (
    ("defect", ["fleet_id", "vehicle_id", "state"]),
    ("defect", ["fleet_id", "state", "id"]),
    ("defect_step", ["fleet_id", "defect_id", "id"]),
    ("fluid_sample", ["fleet_id", "vehicle_id", "compartment"]),
    ("fluid_sample", ["fleet_id", "fluid_product_id"]),
)


def upgrade() -> None:
    for name, length in _IDENTITY.items():
        op.add_column("vehicle", sa.Column(name, sa.String(length=length), nullable=True))
    _create_defects()
    _create_samples()
    op.create_table(
        "work_correction",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("corrects_id", sa.Integer(), nullable=False),
        sa.Column("work_done_id", sa.Integer(), nullable=True),
        sa.Column("corrected_by", sa.String(length=200), nullable=False),
        sa.Column("why", sa.String(length=2000), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "corrects_id"], _WORK, name=op.f("fk_work_correction_fleet_id_corrects_id")
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "work_done_id"], _WORK, name=op.f("fk_work_correction_fleet_id_work_done_id")
        ),
        sa.PrimaryKeyConstraint("fleet_id", "corrects_id", name=op.f("pk_work_correction")),
        sa.UniqueConstraint(
            "fleet_id", "work_done_id", name=op.f("uq_work_correction_fleet_id_work_done_id")
        ),
    )
    for table, columns in _INDEXES:
        op.create_index(_index(table, columns), table, columns, unique=False)


def downgrade() -> None:
    for table, columns in reversed(_INDEXES):
        op.drop_index(_index(table, columns), table_name=table)
    for table in ("work_correction", "fluid_sample", "defect_step", "defect"):
        op.drop_table(table)
    for name in reversed(_IDENTITY):
        op.drop_column("vehicle", name)


def _create_defects() -> None:
    op.create_table(
        "defect",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("compartment", sa.String(length=64), nullable=True),
        sa.Column("what", sa.String(length=2000), nullable=False),
        sa.Column("is_off_road", sa.Boolean(), nullable=False),
        sa.Column("found_by", sa.String(length=200), nullable=False),
        sa.Column("found_at_us", sa.BigInteger(), nullable=False),
        sa.Column("reference", sa.String(length=100), nullable=True),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("assigned_to", sa.String(length=200), nullable=True),
        *_ending_columns(),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"], _VEHICLE, name=op.f("fk_defect_fleet_id_vehicle_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_defect")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_defect_fleet_id_id")),
    )
    op.create_table(
        "defect_step",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("defect_id", sa.Integer(), nullable=False),
        sa.Column("step", sa.String(length=16), nullable=False),
        sa.Column("taken_by", sa.String(length=200), nullable=False),
        sa.Column("taken_at_us", sa.BigInteger(), nullable=False),
        sa.Column("assigned_to", sa.String(length=200), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "defect_id"],
            ["defect.fleet_id", "defect.id"],
            name=op.f("fk_defect_step_fleet_id_defect_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_defect_step")),
    )


def _create_samples() -> None:
    op.create_table(
        "fluid_sample",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("compartment", sa.String(length=64), nullable=False),
        sa.Column("taken_at_us", sa.BigInteger(), nullable=False),
        sa.Column("taken_on", sa.Date(), nullable=False),
        sa.Column("taken_by", sa.String(length=200), nullable=False),
        sa.Column("taking", sa.String(length=32), nullable=False),
        sa.Column("is_bottle_clean", sa.Boolean(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.Column("fluid_product_id", sa.Integer(), nullable=True),
        sa.Column("measures", sa.Text(), nullable=False),
        sa.Column("fresh", sa.Text(), nullable=True),
        sa.Column("reference", sa.String(length=100), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        *_ending_columns(),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"], _VEHICLE, name=op.f("fk_fluid_sample_fleet_id_vehicle_id")
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "fluid_product_id"],
            ["fluid_product.fleet_id", "fluid_product.id"],
            name=op.f("fk_fluid_sample_fleet_id_fluid_product_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fluid_sample")),
    )


def _ending_columns() -> tuple[sa.Column[object], ...]:
    return (
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_by", sa.String(length=200), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
    )


def _index(table: str, columns: list[str]) -> str:
    return f"ix_{table}_{'_'.join(columns)}"
