"""Where a reading was read; alerts and the watch over the night among the notices.

Revision ID: 0009
Revises: 0008
"""
from alembic import op
import sqlalchemy as sa


revision = '0009'
down_revision = '0008'
branch_labels = None
depends_on = None

KINDS = "kind IN ('plan', 'confirm', 'test', 'watch', 'alert')"
KINDS_BEFORE = "kind IN ('plan', 'confirm', 'test')"


def upgrade():
    op.add_column('heartbeat', sa.Column('failures', sa.Integer(), server_default='0', nullable=False))
    with op.batch_alter_table('outgoing_notice') as batch:
        batch.drop_constraint(op.f('ck_outgoing_notice_kind'), type_='check')
        batch.create_check_constraint(op.f('ck_outgoing_notice_kind'), KINDS)


def downgrade():
    op.execute("DELETE FROM outgoing_notice WHERE kind IN ('watch', 'alert')")
    with op.batch_alter_table('outgoing_notice') as batch:
        batch.drop_constraint(op.f('ck_outgoing_notice_kind'), type_='check')
        batch.create_check_constraint(op.f('ck_outgoing_notice_kind'), KINDS_BEFORE)
    op.drop_column('heartbeat', 'failures')
