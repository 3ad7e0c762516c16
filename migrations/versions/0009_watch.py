"""Alerts and the watch over the night among the notices; who is told of alerts, and when.

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


    with op.batch_alter_table('alert') as batch:
        batch.drop_constraint(op.f('ck_alert_kind'), type_='check')
        batch.create_check_constraint(op.f('ck_alert_kind'), "kind IN ('low', 'high', 'silent')")
    op.add_column('member', sa.Column('tells_alerts', sa.Boolean(), server_default=sa.true(), nullable=False))
    op.add_column('member', sa.Column('quiet_from', sa.String(length=5), server_default='22:00', nullable=False))
    op.add_column('member', sa.Column('quiet_until', sa.String(length=5), server_default='06:00', nullable=False))
    op.add_column('member', sa.Column('wakes_for_frost', sa.Boolean(), server_default=sa.false(), nullable=False))


def downgrade():
    for column in ('wakes_for_frost', 'quiet_until', 'quiet_from', 'tells_alerts'):
        op.drop_column('member', column)
    op.execute("DELETE FROM alert WHERE kind = 'silent'")
    with op.batch_alter_table('alert') as batch:
        batch.drop_constraint(op.f('ck_alert_kind'), type_='check')
        batch.create_check_constraint(op.f('ck_alert_kind'), "kind IN ('low', 'high')")
    op.execute("DELETE FROM outgoing_notice WHERE kind IN ('watch', 'alert')")
    with op.batch_alter_table('outgoing_notice') as batch:
        batch.drop_constraint(op.f('ck_outgoing_notice_kind'), type_='check')
        batch.create_check_constraint(op.f('ck_outgoing_notice_kind'), KINDS_BEFORE)
    op.drop_column('heartbeat', 'failures')
