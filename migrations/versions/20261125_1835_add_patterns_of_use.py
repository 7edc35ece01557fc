"""Add learned patterns of use, and what is known of each meter's level in a vehicle's standing.

Revision 0007. A level is six little-endian doubles (``domain.use_level.packed_level``), so that those of a fleet
are read as one array; none is known until patterns have been learned.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_LEVELS = ("odometer_use", "engine_use", "second_engine_use", "power_take_off_use", "idle_use", "fuel_use")


def upgrade() -> None:
    op.create_table(
        "use_pattern",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("spec_sheet_id", sa.Integer(), nullable=False),
        sa.Column("meter", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("vehicles", sa.Integer(), nullable=False),
        sa.Column("forecasts", sa.Integer(), nullable=False),
        sa.Column("pattern", sa.Text(), nullable=False),
        sa.Column("learned_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "spec_sheet_id"],
            ["spec_sheet.fleet_id", "spec_sheet.id"],
            name=op.f("fk_use_pattern_fleet_id_spec_sheet_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_use_pattern")),
        sa.UniqueConstraint(
            "fleet_id",
            "spec_sheet_id",
            "meter",
            "version",
            name=op.f("uq_use_pattern_fleet_id_spec_sheet_id_meter_version"),
        ),
    )
    for name in _LEVELS:
        op.add_column("standing", sa.Column(name, sa.LargeBinary(), nullable=True))


def downgrade() -> None:
    for name in reversed(_LEVELS):
        op.drop_column("standing", name)
    op.drop_table("use_pattern")
