"""Marks sent by phones, and who has looked at a night's board.

Revision ID: 0001b
Revises: 0001
"""
from alembic import op
import sqlalchemy as sa
import gardenapp.models.types


revision = '0001b'
down_revision = '0001'
branch_labels = None
depends_on = None


def upgrade():
    op.create_table(
        'sent_fact',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('key', sa.String(length=64), nullable=False),
        sa.Column('member_id', sa.Integer(), nullable=False),
        sa.Column('action', sa.String(length=80), nullable=False),
        sa.Column('at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ['member_id'], ['member.id'],
            name=op.f('fk_sent_fact_member_id_member'), ondelete='CASCADE',
        ),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_sent_fact')),
        sa.UniqueConstraint('key', name=op.f('uq_sent_fact_key')),
    )
    op.create_table(
        'board_look',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('night_of', sa.Date(), nullable=False),
        sa.Column('member_id', sa.Integer(), nullable=False),
        sa.Column('at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(
            ['member_id'], ['member.id'],
            name=op.f('fk_board_look_member_id_member'), ondelete='CASCADE',
        ),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_board_look')),
        sa.UniqueConstraint('night_of', 'member_id', name=op.f('uq_board_look_night_of_member_id')),
    )


def downgrade():
    op.drop_table('board_look')
    op.drop_table('sent_fact')
