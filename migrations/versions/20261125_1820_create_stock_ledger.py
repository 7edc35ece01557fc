"""Create the stock ledger and the used fluid that waits for collection.

Revision 0005. Entries and movements are only ever added; balances and lots are kept with them.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "stock_item",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=True),
        sa.Column("fluid_product_id", sa.Integer(), nullable=True),
        sa.CheckConstraint(
            "(part_id IS NULL) <> (fluid_product_id IS NULL)", name=op.f("ck_stock_item_ck_stock_item_either")
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "fluid_product_id"],
            ["fluid_product.fleet_id", "fluid_product.id"],
            name=op.f("fk_stock_item_fleet_id_fluid_product_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "part_id"], ["part.fleet_id", "part.id"], name=op.f("fk_stock_item_fleet_id_part_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_item")),
        sa.UniqueConstraint(
            "fleet_id", "fluid_product_id", name=op.f("uq_stock_item_fleet_id_fluid_product_id")
        ),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_stock_item_fleet_id_id")),
        sa.UniqueConstraint("fleet_id", "part_id", name=op.f("uq_stock_item_fleet_id_part_id")),
    )
    op.create_table(
        "stock_balance",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("stock_item_id", sa.Integer(), nullable=False),
        sa.Column("on_hand", sa.BigInteger(), nullable=False),
        sa.Column("reserved", sa.BigInteger(), nullable=False),
        sa.Column("on_order", sa.BigInteger(), nullable=False),
        sa.Column("is_count_asked", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_stock_balance_fleet_id_depot_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "stock_item_id"],
            ["stock_item.fleet_id", "stock_item.id"],
            name=op.f("fk_stock_balance_fleet_id_stock_item_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "depot_id", "stock_item_id", name=op.f("pk_stock_balance")),
    )
    op.create_table(
        "stock_lot",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("stock_item_id", sa.Integer(), nullable=False),
        sa.Column("lot_key", sa.String(length=120), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=True),
        sa.Column("best_before_on", sa.Date(), nullable=True),
        sa.Column("opened_on", sa.Date(), nullable=True),
        sa.Column("container_ml", sa.BigInteger(), nullable=True),
        sa.Column("keeps_through_on", sa.Date(), nullable=True),
        sa.Column("on_hand", sa.BigInteger(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_stock_lot_fleet_id_depot_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "stock_item_id"],
            ["stock_item.fleet_id", "stock_item.id"],
            name=op.f("fk_stock_lot_fleet_id_stock_item_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_lot")),
        sa.UniqueConstraint(
            "fleet_id",
            "depot_id",
            "stock_item_id",
            "lot_key",
            name=op.f("uq_stock_lot_fleet_id_depot_id_stock_item_id_lot_key"),
        ),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_stock_lot_fleet_id_id")),
    )
    op.create_table(
        "stock_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=100), nullable=False),
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("job_key", sa.String(length=64), nullable=True),
        sa.Column("order_key", sa.String(length=100), nullable=True),
        sa.Column("expected_on", sa.Date(), nullable=True),
        sa.Column("supplier", sa.String(length=200), nullable=True),
        sa.Column("entered_by", sa.String(length=200), nullable=True),
        sa.Column("reason", sa.String(length=2000), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("corrects_id", sa.Integer(), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_stock_entry_fleet_id")),
        sa.ForeignKeyConstraint(
            ["fleet_id", "corrects_id"],
            ["stock_entry.fleet_id", "stock_entry.id"],
            name=op.f("fk_stock_entry_fleet_id_corrects_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_entry")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_stock_entry_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "corrects_id", name=op.f("uq_stock_entry_fleet_id_corrects_id")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_stock_entry_fleet_id_id")),
    )
    op.create_index(
        op.f("ix_stock_entry_fleet_id_order_key"), "stock_entry", ["fleet_id", "order_key"], unique=False
    )
    op.create_index(
        op.f("ix_stock_entry_fleet_id_job_key"), "stock_entry", ["fleet_id", "job_key"], unique=False
    )
    op.create_table(
        "stock_movement",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("stock_entry_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("stock_item_id", sa.Integer(), nullable=False),
        sa.Column("stock_lot_id", sa.Integer(), nullable=True),
        sa.Column("measure", sa.String(length=16), nullable=False),
        sa.Column("cause", sa.String(length=16), nullable=False),
        sa.Column("amount", sa.BigInteger(), nullable=False),
        sa.Column("after", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_stock_movement_fleet_id_depot_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "stock_entry_id"],
            ["stock_entry.fleet_id", "stock_entry.id"],
            name=op.f("fk_stock_movement_fleet_id_stock_entry_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "stock_item_id"],
            ["stock_item.fleet_id", "stock_item.id"],
            name=op.f("fk_stock_movement_fleet_id_stock_item_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "stock_lot_id"],
            ["stock_lot.fleet_id", "stock_lot.id"],
            name=op.f("fk_stock_movement_fleet_id_stock_lot_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "stock_entry_id", "rank", name=op.f("pk_stock_movement")),
    )
    op.create_index(
        op.f("ix_stock_movement_fleet_id_stock_item_id_stock_entry_id"),
        "stock_movement",
        ["fleet_id", "stock_item_id", "stock_entry_id"],
        unique=False,
    )
    op.create_table(
        "used_fluid_balance",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("stream", sa.String(length=32), nullable=False),
        sa.Column("held_ml", sa.BigInteger(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("changed_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_used_fluid_balance_fleet_id_depot_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "depot_id", "stream", name=op.f("pk_used_fluid_balance")),
    )
    op.create_table(
        "used_fluid_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=100), nullable=False),
        sa.Column("digest", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("depot_id", sa.Integer(), nullable=False),
        sa.Column("stream", sa.String(length=32), nullable=False),
        sa.Column("volume_ml", sa.BigInteger(), nullable=False),
        sa.Column("after_ml", sa.BigInteger(), nullable=False),
        sa.Column("at_us", sa.BigInteger(), nullable=False),
        sa.Column("job_key", sa.String(length=64), nullable=True),
        sa.Column("entered_by", sa.String(length=200), nullable=True),
        sa.Column("collected_by", sa.String(length=200), nullable=True),
        sa.Column("reason", sa.String(length=2000), nullable=True),
        sa.Column("note", sa.String(length=2000), nullable=True),
        sa.Column("corrects_id", sa.Integer(), nullable=True),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "corrects_id"],
            ["used_fluid_entry.fleet_id", "used_fluid_entry.id"],
            name=op.f("fk_used_fluid_entry_fleet_id_corrects_id"),
        ),
        sa.ForeignKeyConstraint(
            ["fleet_id", "depot_id"],
            ["depot.fleet_id", "depot.id"],
            name=op.f("fk_used_fluid_entry_fleet_id_depot_id"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_used_fluid_entry")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_used_fluid_entry_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "corrects_id", name=op.f("uq_used_fluid_entry_fleet_id_corrects_id")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_used_fluid_entry_fleet_id_id")),
    )
    op.create_index(
        op.f("ix_used_fluid_entry_fleet_id_depot_id_stream"),
        "used_fluid_entry",
        ["fleet_id", "depot_id", "stream"],
        unique=False,
    )


def downgrade() -> None:
    op.drop_table("used_fluid_entry")
    op.drop_table("used_fluid_balance")
    op.drop_table("stock_movement")
    op.drop_table("stock_entry")
    op.drop_table("stock_lot")
    op.drop_table("stock_balance")
    op.drop_table("stock_item")
