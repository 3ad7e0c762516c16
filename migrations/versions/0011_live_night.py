"""A low corrected by the garden's own readings has a spread of its own.

Revision ID: 0011
Revises: 0010
"""
from alembic import op
import sqlalchemy as sa


revision = '0011'
down_revision = '0010'
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table('forecast') as batch:
        batch.add_column(sa.Column('low_sd_k', sa.Double(), nullable=True))
        batch.create_check_constraint(op.f('ck_forecast_low_sd'), 'low_sd_k > 0')


def downgrade():
    op.execute("DELETE FROM forecast_import WHERE came_by = 'live' AND id NOT IN ("
               "SELECT import_id FROM forecast WHERE id IN (SELECT forecast_id FROM plan))")
    with op.batch_alter_table('forecast') as batch:
        batch.drop_constraint(op.f('ck_forecast_low_sd'), type_='check')
        batch.drop_column('low_sd_k')
