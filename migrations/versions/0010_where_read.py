"""Where a low was read and where a logger hangs: height, shade and spot in one word.

What was written down before is unknown, and weighs less in what the garden learns.

Revision ID: 0010
Revises: 0009
"""
from alembic import op
import sqlalchemy as sa


revision = '0010'
down_revision = '0009'
branch_labels = None
depends_on = None

PLACES = "place IN ('', 'screen', 'plant_shaded', 'plant_bare', 'ground_bare', 'elsewhere')"


def upgrade():
    for table in ('observed_low', 'logger'):
        with op.batch_alter_table(table) as batch:
            batch.add_column(sa.Column('place', sa.String(length=12), server_default='', nullable=False))
            batch.create_check_constraint(op.f(f'ck_{table}_place'), PLACES)


def downgrade():
    for table in ('logger', 'observed_low'):
        with op.batch_alter_table(table) as batch:
            batch.drop_constraint(op.f(f'ck_{table}_place'), type_='check')
            batch.drop_column('place')
