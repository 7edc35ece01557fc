"""Create jobs in the bay.

Revision 0006. Entries are only ever added; of a vehicle and service at most one job is open.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

_OPEN = "uq_job_service_fleet_id_vehicle_id_service"
_INDEXES = (["fleet_id", "depot_id", "id"], ["fleet_id", "state", "id"], ["fleet_id", "vehicle_id", "id"])


def upgrade() -> None:
    op.create_table(
        "job",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_version_id", sa.Integer(), nullable=False),
        sa.Column("unit", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=16), nullable=False),
        sa.Column("waits_for", sa.String(length=16), nullable=True),
        sa.Column("opened_by", sa.String(length=200), nullable=False),
        sa.Column("opened_at_us", sa.BigInteger(), nullable=False),
        sa.Column("changed_at_us", sa.BigInteger(), nullable=False),
        sa.Column("closed_at_us", sa.BigInteger(), nullable=True),
        sa.Column("reference", sa.String(length=100), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("frozen", sa.Text(), nullable=False),
        sa.Column("work_done_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        _to("job", "vehicle"),
        _to("job", "depot"),
        _to("job", "spec_sheet_version"),
        _to("job", "work_done"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_job_fleet_id_id")),
    )
    for columns in _INDEXES:
        op.create_index(f"ix_job_{'_'.join(columns)}", "job", columns, unique=False)
    op.create_table(
        "job_service",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("service", sa.String(length=64), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("is_named", sa.Boolean(), nullable=False),
        sa.Column("is_open", sa.Boolean(), nullable=False),
        _to("job_service", "job"),
        _to("job_service", "vehicle"),
        sa.PrimaryKeyConstraint("fleet_id", "job_id", "service", name=op.f("pk_job_service")),
    )
    op.create_index(
        _OPEN,
        "job_service",
        ["fleet_id", "vehicle_id", "service"],
        unique=True,
        sqlite_where=sa.text("is_open"),
        postgresql_where=sa.text("is_open"),
    )
    op.create_table(
        "job_entry",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("by", sa.String(length=200), nullable=False),
        sa.Column("noted_at_us", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("said", sa.Text(), nullable=False),
        _to("job_entry", "job"),
        sa.PrimaryKeyConstraint("fleet_id", "job_id", "number", name=op.f("pk_job_entry")),
    )
    op.create_table(
        "job_drain",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("compartment", sa.String(length=64), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_id", sa.Integer(), nullable=False),
        sa.Column("drained_15c_ml", sa.Integer(), nullable=False),
        _to("job_drain", "job"),
        _to("job_drain", "spec_sheet"),
        sa.PrimaryKeyConstraint("fleet_id", "job_id", "compartment", "number", name=op.f("pk_job_drain")),
    )
    op.create_index(
        "ix_job_drain_fleet_id_spec_sheet_id_compartment_job_id",
        "job_drain",
        ["fleet_id", "spec_sheet_id", "compartment", "job_id"],
        unique=False,
    )


def downgrade() -> None:
    op.drop_index("ix_job_drain_fleet_id_spec_sheet_id_compartment_job_id", table_name="job_drain")
    op.drop_table("job_drain")
    op.drop_table("job_entry")
    op.drop_index(_OPEN, table_name="job_service")
    op.drop_table("job_service")
    for columns in reversed(_INDEXES):
        op.drop_index(f"ix_job_{'_'.join(columns)}", table_name="job")
    op.drop_table("job")


def _to(table: str, other: str) -> sa.ForeignKeyConstraint:
    """A foreign key within the fleet."""
    return sa.ForeignKeyConstraint(
        ["fleet_id", f"{other}_id"],
        [f"{other}.fleet_id", f"{other}.id"],
        name=op.f(f"fk_{table}_fleet_id_{other}_id"),
    )
