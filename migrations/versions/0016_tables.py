"""Tables that are imported as a whole and can be taken back.

Revision ID: 0016
Revises: 0015
"""
from alembic import op
import sqlalchemy as sa

import gardenapp.models.types


revision = '0016'
down_revision = '0015'
branch_labels = None
depends_on = None


def upgrade():
    op.create_table(
        'table_import',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('token', sa.String(length=64), nullable=False),
        sa.Column('member_id', sa.Integer(), nullable=True),
        sa.Column('sent_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.Column('sheets', sa.LargeBinary(), nullable=False),
        sa.Column('answers', sa.JSON(), nullable=False),
        sa.Column('kept_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=True),
        sa.Column('made', sa.JSON(), nullable=False),
        sa.Column('taken_back_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ['member_id'], ['member.id'],
            name=op.f('fk_table_import_member_id_member'), ondelete='SET NULL',
        ),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_table_import')),
        sa.UniqueConstraint('token', name=op.f('uq_table_import_token')),
    )
    with op.batch_alter_table('table_import') as batch:
        batch.create_index(batch.f('ix_table_import_member_id'), ['member_id'], unique=False)


def downgrade():
    with op.batch_alter_table('table_import') as batch:
        batch.drop_index(batch.f('ix_table_import_member_id'))
    op.drop_table('table_import')
