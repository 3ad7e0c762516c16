"""Covers to be built, unit prices and the nights of winters past.

Revision ID: 0007
Revises: 0006
"""
from alembic import op
import sqlalchemy as sa
import gardenapp.models.types


revision = '0007'
down_revision = '0006'
branch_labels = None
depends_on = None


def upgrade():
    op.create_table(
        'build_plan',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('made_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.Column('made_by_id', sa.Integer(), nullable=True),
        sa.Column('shape', sa.String(length=24), nullable=False),
        sa.Column('sizes', sa.JSON(), nullable=False),
        sa.Column('plot_id', sa.Integer(), nullable=True),
        sa.Column('plants', sa.JSON(), nullable=False),
        sa.Column('height_mm', sa.Double(), nullable=False),
        sa.Column('spread_mm', sa.Double(), nullable=False),
        sa.Column('plant_count', sa.Integer(), nullable=False),
        sa.Column('bed_length_mm', sa.Double(), nullable=True),
        sa.Column('bed_width_mm', sa.Double(), nullable=True),
        sa.Column('gust_mps', sa.Double(), nullable=False),
        sa.Column('kerf_mm', sa.Double(), nullable=False),
        sa.Column('form_key', sa.String(length=80), nullable=True),
        sa.Column('built_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=True),
        sa.Column('cover_id', sa.Integer(), nullable=True),
        sa.CheckConstraint('gust_mps >= 0', name=op.f('ck_build_plan_gust')),
        sa.CheckConstraint('kerf_mm >= 0', name=op.f('ck_build_plan_kerf')),
        sa.ForeignKeyConstraint(
            ['cover_id'], ['cover.id'],
            name=op.f('fk_build_plan_cover_id_cover'), ondelete='SET NULL',
        ),
        sa.ForeignKeyConstraint(
            ['made_by_id'], ['member.id'],
            name=op.f('fk_build_plan_made_by_id_member'), ondelete='SET NULL',
        ),
        sa.ForeignKeyConstraint(
            ['plot_id'], ['plot.id'],
            name=op.f('fk_build_plan_plot_id_plot'), ondelete='SET NULL',
        ),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_build_plan')),
        sa.UniqueConstraint('form_key', name=op.f('uq_build_plan_form_key')),
    )
    op.create_table(
        'climate_night',
        sa.Column('night_of', sa.Date(), nullable=False),
        sa.Column('low_c', sa.Double(), nullable=False),
        sa.Column('source', sa.String(length=200), nullable=False),
        sa.CheckConstraint('low_c BETWEEN -100 AND 100', name=op.f('ck_climate_night_low')),
        sa.PrimaryKeyConstraint('night_of', name=op.f('pk_climate_night')),
    )
    op.create_table(
        'unit_price',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('what', sa.String(length=80), nullable=False),
        sa.Column('price_hundredths', sa.Integer(), nullable=False),
        sa.Column('sold_length_mm', sa.Double(), nullable=True),
        sa.Column('changed_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.Column('changed_by_id', sa.Integer(), nullable=True),
        sa.CheckConstraint('price_hundredths >= 0', name=op.f('ck_unit_price_price')),
        sa.ForeignKeyConstraint(
            ['changed_by_id'], ['member.id'],
            name=op.f('fk_unit_price_changed_by_id_member'), ondelete='SET NULL',
        ),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_unit_price')),
        sa.UniqueConstraint('what', name=op.f('uq_unit_price_what')),
    )


def downgrade():
    op.drop_table('unit_price')
    op.drop_table('climate_night')
    op.drop_table('build_plan')
