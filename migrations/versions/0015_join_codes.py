"""A short code beside a personal link, for slips of paper; only its keyed hash.

Revision ID: 0015
Revises: 0014
"""
from alembic import op
import sqlalchemy as sa


revision = '0015'
down_revision = '0014'
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table('invite') as batch:
        batch.add_column(sa.Column('code_hash', sa.String(length=64), nullable=True))
        batch.create_unique_constraint(batch.f('uq_invite_code_hash'), ['code_hash'])


def downgrade():
    with op.batch_alter_table('invite') as batch:
        batch.drop_constraint(batch.f('uq_invite_code_hash'), type_='unique')
        batch.drop_column('code_hash')
