"""Replays of past records.

Revision ID: 0006
Revises: 0004
"""
from alembic import op
import sqlalchemy as sa
import gardenapp.models.types


revision = '0006'
down_revision = '0004'
branch_labels = None
depends_on = None


def upgrade():
    op.create_table(
        'replay_run',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('started_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.Column('started_by_id', sa.Integer(), nullable=True),
        sa.Column('record', sa.String(length=200), nullable=False),
        sa.Column('station', sa.String(length=200), nullable=False),
        sa.Column('garden', sa.String(length=16), nullable=False),
        sa.Column('covers', sa.Text(), nullable=False),
        sa.Column('seed', sa.Integer(), nullable=False),
        sa.Column('status', sa.String(length=16), nullable=False),
        sa.Column('nights_done', sa.Integer(), nullable=False),
        sa.Column('nights_total', sa.Integer(), nullable=False),
        sa.Column('heard_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=False),
        sa.Column('finished_at', gardenapp.models.types.UtcDateTime(timezone=True), nullable=True),
        sa.Column('wants_stop', sa.Boolean(), nullable=False),
        sa.Column('message', sa.String(length=80), nullable=False),
        sa.Column('result', sa.JSON(), nullable=True),
        sa.CheckConstraint(
            "status IN ('running', 'done', 'stopped', 'failed', 'interrupted')",
            name=op.f('ck_replay_run_status'),
        ),
        sa.ForeignKeyConstraint(
            ['started_by_id'], ['member.id'],
            name=op.f('fk_replay_run_started_by_id_member'), ondelete='SET NULL',
        ),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_replay_run')),
    )
    op.create_index(
        'uq_replay_run_running', 'replay_run', ['status'], unique=True,
        sqlite_where=sa.text("status = 'running'"),
        postgresql_where=sa.text("status = 'running'"),
    )


def downgrade():
    op.drop_index(
        'uq_replay_run_running', table_name='replay_run',
        sqlite_where=sa.text("status = 'running'"),
        postgresql_where=sa.text("status = 'running'"),
    )
    op.drop_table('replay_run')
