"""The language of a member and of the garden.

Revision ID: 0008
Revises: 0007
"""
from alembic import op
import sqlalchemy as sa


revision = '0008'
down_revision = '0007'
branch_labels = None
depends_on = None


def upgrade():
    op.add_column('garden', sa.Column('language', sa.String(length=5), server_default='en', nullable=False))
    op.add_column('member', sa.Column('language', sa.String(length=5), nullable=True))


def downgrade():
    op.drop_column('member', 'language')
    op.drop_column('garden', 'language')
