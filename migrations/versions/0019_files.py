"""Forecasts bring rain, snow, spread and the ground's low; what nobody was asked; heights unknown.

Revision ID: 0019
Revises: 0018
"""
from alembic import op
import sqlalchemy as sa

import gardenapp.models.types


revision = '0019'
down_revision = '0018'
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table('garden') as batch:
        batch.alter_column('elevation_m', existing_type=sa.Float(), nullable=True)
    # Until now a height that nobody had said was kept as the sea's.
    op.execute('UPDATE garden SET elevation_m = NULL WHERE elevation_m = 0')
    with op.batch_alter_table('forecast') as batch:
        for name in ('precipitation_mm', 'snow_cm', 'stated_sd_k', 'ground_low_c'):
            batch.add_column(sa.Column(name, sa.Double(), nullable=True))
    with op.batch_alter_table('forecast_import') as batch:
        batch.add_column(sa.Column('doubts', sa.Text(), server_default='', nullable=False))
    op.create_table(
        'forecast_answer',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('signature', sa.String(length=64), nullable=False),
        sa.Column('answers', sa.JSON(), nullable=False),
        sa.Column('told_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_forecast_answer')),
        sa.UniqueConstraint('signature', name=op.f('uq_forecast_answer_signature')),
    )


def downgrade():
    op.drop_table('forecast_answer')
    with op.batch_alter_table('forecast_import') as batch:
        batch.drop_column('doubts')
    with op.batch_alter_table('forecast') as batch:
        for name in ('precipitation_mm', 'snow_cm', 'stated_sd_k', 'ground_low_c'):
            batch.drop_column(name)
    op.execute('UPDATE garden SET elevation_m = 0 WHERE elevation_m IS NULL')
    with op.batch_alter_table('garden') as batch:
        batch.alter_column('elevation_m', existing_type=sa.Float(), nullable=False)
