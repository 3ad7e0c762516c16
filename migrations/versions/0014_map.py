"""The map of the garden, as text, and where north is on it.

Revision ID: 0014
Revises: 0013
"""
from alembic import op
import sqlalchemy as sa


revision = '0014'
down_revision = '0013'
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table('garden') as batch:
        batch.add_column(sa.Column('map_text', sa.Text(), server_default='', nullable=False))
        batch.add_column(sa.Column('map_north', sa.Double(), nullable=True))


def downgrade():
    with op.batch_alter_table('garden') as batch:
        batch.drop_column('map_north')
        batch.drop_column('map_text')
