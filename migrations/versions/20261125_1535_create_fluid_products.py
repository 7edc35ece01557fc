"""Create the catalogue of fluid products.

Revision 0002. Products, the containers that they are sold in, and what they state to meet.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "fluid_product",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=64), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("currency", sa.String(length=3), nullable=False),
        sa.Column("density_15c_kg_m3", sa.Float(), nullable=True),
        sa.Column("shelf_unopened_months", sa.Integer(), nullable=True),
        sa.Column("shelf_opened_months", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("recorded_at_us", sa.BigInteger(), nullable=False),
        sa.Column("withdrawn_at_us", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_reason", sa.String(length=2000), nullable=True),
        sa.ForeignKeyConstraint(["fleet_id"], ["fleet.id"], name=op.f("fk_fluid_product_fleet_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_fluid_product")),
        sa.UniqueConstraint("fleet_id", "code", name=op.f("uq_fluid_product_fleet_id_code")),
        sa.UniqueConstraint("fleet_id", "id", name=op.f("uq_fluid_product_fleet_id_id")),
    )
    op.create_table(
        "fluid_container",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("fluid_product_id", sa.Integer(), nullable=False),
        sa.Column("size_ml", sa.Integer(), nullable=False),
        sa.Column("price_minor", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["fleet_id", "fluid_product_id"],
            ["fluid_product.fleet_id", "fluid_product.id"],
            name=op.f("fk_fluid_container_fleet_id_fluid_product_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "fluid_product_id", "size_ml", name=op.f("pk_fluid_container")),
    )
    op.create_table(
        "fluid_statement",
        sa.Column("fleet_id", sa.Integer(), nullable=False),
        sa.Column("fluid_product_id", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("standard", sa.String(length=32), nullable=False),
        sa.Column("service_class", sa.String(length=64), nullable=False),
        sa.Column("grade", sa.String(length=64), nullable=True),
        sa.ForeignKeyConstraint(
            ["fleet_id", "fluid_product_id"],
            ["fluid_product.fleet_id", "fluid_product.id"],
            name=op.f("fk_fluid_statement_fleet_id_fluid_product_id"),
        ),
        sa.PrimaryKeyConstraint("fleet_id", "fluid_product_id", "rank", name=op.f("pk_fluid_statement")),
    )


def downgrade() -> None:
    op.drop_table("fluid_statement")
    op.drop_table("fluid_container")
    op.drop_table("fluid_product")
