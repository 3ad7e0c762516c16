"""Which steps of the first run a garden does without.

Revision ID: 0018
Revises: 0014
"""
from alembic import op
import sqlalchemy as sa


revision = '0018'
down_revision = '0014'
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table('garden') as batch:
        batch.add_column(
            sa.Column('steps_left', sa.String(length=200), server_default='', nullable=False)
        )


def downgrade():
    with op.batch_alter_table('garden') as batch:
        batch.drop_column('steps_left')
