"""A plan is there at once and is improved afterwards; what each plot was spared is kept; mixed beds;
what a walk is worth, what covers weigh, and who does not lift or walk on ice.

Revision ID: 0013
Revises: 0012
"""
from alembic import op
import sqlalchemy as sa


revision = '0013'
down_revision = '0012'
branch_labels = None
depends_on = None


def upgrade():
    with op.batch_alter_table('plan') as batch:
        batch.add_column(sa.Column('improving', sa.String(length=8), server_default='', nullable=False))
        batch.add_column(sa.Column('improver', sa.String(length=40), server_default='', nullable=False))
        batch.add_column(sa.Column('heard_at', sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table('garden') as batch:
        batch.add_column(sa.Column('walk_worth', sa.String(length=8), server_default='lettuce', nullable=False))
    with op.batch_alter_table('member') as batch:
        batch.add_column(sa.Column('no_lifting', sa.Boolean(), server_default=sa.false(), nullable=False))
        batch.add_column(sa.Column('no_ice', sa.Boolean(), server_default=sa.false(), nullable=False))
    op.add_column('cover_class', sa.Column('mass_kg', sa.Double(), nullable=True))
    with op.batch_alter_table('job') as batch:
        batch.add_column(sa.Column('mass_kg', sa.Double(), nullable=True))
        batch.add_column(sa.Column('is_icy', sa.Boolean(), server_default=sa.false(), nullable=False))
    with op.batch_alter_table('claim') as batch:
        batch.add_column(sa.Column('with_member_id', sa.Integer(), nullable=True))
        batch.create_foreign_key(
            op.f('fk_claim_with_member_id_member'), 'member', ['with_member_id'], ['id'], ondelete='SET NULL'
        )
    with op.batch_alter_table('plot') as batch:
        batch.add_column(sa.Column('is_mixed', sa.Boolean(), server_default=sa.false(), nullable=False))
    op.create_table(
        'plan_share',
        sa.Column('id', sa.Integer(), nullable=False),
        sa.Column('plan_id', sa.Integer(), nullable=False),
        sa.Column('plot_id', sa.Integer(), nullable=False),
        sa.Column('avoided', sa.Double(), nullable=False),
        sa.Column('avoidable', sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(['plan_id'], ['plan.id'], name=op.f('fk_plan_share_plan_id_plan'), ondelete='CASCADE'),
        sa.ForeignKeyConstraint(['plot_id'], ['plot.id'], name=op.f('fk_plan_share_plot_id_plot'), ondelete='CASCADE'),
        sa.PrimaryKeyConstraint('id', name=op.f('pk_plan_share')),
        sa.UniqueConstraint('plan_id', 'plot_id', name=op.f('uq_plan_share_plan_id_plot_id')),
    )


def downgrade():
    op.drop_table('plan_share')
    with op.batch_alter_table('claim') as batch:
        batch.drop_constraint(op.f('fk_claim_with_member_id_member'), type_='foreignkey')
        batch.drop_column('with_member_id')
    with op.batch_alter_table('job') as batch:
        batch.drop_column('is_icy')
        batch.drop_column('mass_kg')
    op.drop_column('cover_class', 'mass_kg')
    with op.batch_alter_table('member') as batch:
        batch.drop_column('no_ice')
        batch.drop_column('no_lifting')
    with op.batch_alter_table('garden') as batch:
        batch.drop_column('walk_worth')
    with op.batch_alter_table('plot') as batch:
        batch.drop_column('is_mixed')
    with op.batch_alter_table('plan') as batch:
        batch.drop_column('heard_at')
        batch.drop_column('improver')
        batch.drop_column('improving')
