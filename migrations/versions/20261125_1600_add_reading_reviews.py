"""Add what is known of reading sources, people's decisions on readings, and an index of those held.

Revision 0003. ``is_settled`` marks the readings that thinning kept.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_VEHICLE = ["vehicle.fleet_id", "vehicle.id"]
_SOURCE = ["reading_source.fleet_id", "reading_source.id"]
_TABLES = {
    "source_fitting": [["fleet_id", "vehicle_id"], ["fleet_id", "source_id"]],
    "source_calibration": [["fleet_id", "vehicle_id"]],
    "reading_decision": [["fleet_id", "vehicle_id"], ["fleet_id", "unit", "at_us"]],
}


def upgrade() -> None:
    op.add_column("reading_source", sa.Column("device_since_us", sa.BigInteger(), nullable=True))
    op.add_column("reading", sa.Column("is_settled", sa.Boolean(), server_default=sa.false(), nullable=False))
    op.create_index(
        "ix_reading_held",
        "reading",
        ["fleet_id", "vehicle_id", "meter", "at_us", "source_id", "figure"],
        unique=False,
        sqlite_where=sa.text("status = 2"),
        postgresql_where=sa.text("status = 2"),
    )
    _create_table(
        "source_fitting",
        sa.Column("fitted_at_us", sa.BigInteger(), nullable=False),
        sa.Column("removed_at_us", sa.BigInteger(), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
    )
    _create_table(
        "source_calibration",
        sa.Column("meter", sa.Integer(), nullable=False),
        sa.Column("from_us", sa.BigInteger(), nullable=False),
        sa.Column("factor_ppb", sa.BigInteger(), nullable=False),
        sa.Column("figure_offset", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
    )
    _create_table(
        "reading_decision",
        sa.Column("unit", sa.String(length=64), nullable=True),
        sa.Column("meter", sa.Integer(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("figure", sa.BigInteger(), nullable=False),
        sa.Column("decision", sa.Integer(), nullable=False),
        sa.Column("meant_figure", sa.BigInteger(), nullable=True),
        sa.Column("decided_by", sa.String(length=200), nullable=False),
        sa.Column("why", sa.String(length=2000), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        has_vehicle=False,
    )


def downgrade() -> None:
    for table, indexes in reversed(_TABLES.items()):
        for columns in indexes:
            op.drop_index(f"ix_{table}_{'_'.join(columns)}", table_name=table)
        op.drop_table(table)
    op.drop_index("ix_reading_held", table_name="reading")
    op.drop_column("reading", "is_settled")
    op.drop_column("reading_source", "device_since_us")


def _create_table(name: str, *columns: sa.Column[object], has_vehicle: bool = True) -> None:
    """A table of entries about a source, mostly on a vehicle."""
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=not has_vehicle),
        sa.Column("source_id", sa.Integer(), nullable=False),
        *columns,
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"], _VEHICLE, name=op.f(f"fk_{name}_fleet_id_vehicle_id")
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "source_id"], _SOURCE, name=op.f(f"fk_{name}_fleet_id_source_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )
    for indexed in _TABLES[name]:
        op.create_index(f"ix_{name}_{'_'.join(indexed)}", name, indexed, unique=False)
