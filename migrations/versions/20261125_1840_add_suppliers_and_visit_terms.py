"""Add suppliers of depots, what is kept up of items in stock, and what visits cost.

Revision 0008.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "supplier",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("lead_mean_days", sa.Float(), nullable=False),
        sa.Column("lead_sd_days", sa.Float(), nullable=False),
        sa.Column("review_days", sa.Integer(), nullable=False),
        sa.Column("least_order_minor", sa.BigInteger(), nullable=False),
        sa.Column("order_cost_minor", sa.BigInteger(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_supplier_fleet_id_depot_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_supplier")),
        sa.UniqueConstraint("fleet_id", "depot_id", "code", name=op.f("uq_supplier_fleet_id_depot_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_supplier_fleet_id_id")),
    )
    op.create_table(
        "stock_policy",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("stock_item_id", sa.Integer(), nullable=False),
        sa.Column("supplier_id", sa.Integer(), nullable=False),
        sa.Column("service_level", sa.Float(), nullable=False),
        sa.Column("cover_days", sa.Integer(), nullable=False),
        sa.Column("room", sa.BigInteger(), nullable=True),
        sa.Column("pack_size", sa.BigInteger(), nullable=True),
        sa.Column("pack_price_minor", sa.BigInteger(), nullable=True),
        sa.Column("kept_share", sa.Float(), nullable=False),
        sa.Column("holding_share", sa.Float(), nullable=True),
        sa.Column("is_ordered", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_stock_policy_fleet_id_depot_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "stock_item_id"],
            ["stock_item.fleet_id", "stock_item.id"],
            name=op.f("fk_stock_policy_fleet_id_stock_item_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "supplier_id"],
            ["supplier.fleet_id", "supplier.id"],
            name=op.f("fk_stock_policy_fleet_id_supplier_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_policy")),
        sa.UniqueConstraint(
            "fleet_id",
            "depot_id",
            "stock_item_id",
            name=op.f("uq_stock_policy_fleet_id_depot_id_stock_item_id"),
        ),
    )
    op.create_table(
        "visit_terms",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("visit_cost_minor", sa.BigInteger(), nullable=False),
        sa.Column("labour_minor_per_h", sa.BigInteger(), nullable=False),
        sa.Column("late_minor_per_day", sa.BigInteger(), nullable=False),
        sa.Column("bay_s_per_day", sa.BigInteger(), nullable=False),
        sa.Column("open_days", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_visit_terms_fleet_id_depot_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "depot_id", name=op.f("pk_visit_terms")),
    )


def downgrade() -> None:
    op.drop_table("visit_terms")
    op.drop_table("stock_policy")
    op.drop_table("supplier")
