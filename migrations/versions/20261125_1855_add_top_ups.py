"""Add top-ups: fluid filled in between services.

Revision 0009.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "top_up",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("vehicle_id", sa.Integer(), nullable=False),
        sa.Column("compartment", sa.String(length=64), nullable=False),
        sa.Column("fluid_requirement", sa.String(length=64), nullable=False),
        sa.Column("volume_ml", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(length=16), nullable=False),
        sa.Column("topped_up_at_us", sa.BigInteger(), nullable=False),
        sa.Column("topped_up_on", sa.Date(), nullable=False),
        sa.Column("figures", sa.Text(), nullable=False),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "vehicle_id"],
            ["vehicle.fleet_id", "vehicle.id"],
            name=op.f("fk_top_up_fleet_id_vehicle_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_top_up")),
    )
    op.create_index("ix_top_up_fleet_id_vehicle_id", "top_up", ["fleet_id", "vehicle_id"], unique=False)
    op.create_index("ix_top_up_fleet_id_topped_up_on", "top_up", ["fleet_id", "topped_up_on"], unique=False)


def downgrade() -> None:
    op.drop_index("ix_top_up_fleet_id_topped_up_on", table_name="top_up")
    op.drop_index("ix_top_up_fleet_id_vehicle_id", table_name="top_up")
    op.drop_table("top_up")
