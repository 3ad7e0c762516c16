"""What a plant bears moves with the weather: the garden's days, pots, death apart, worth by plant.

A tick for hardened off is given up: the weather says it now. How much somebody minds is said of each
plant, or of the bed where plants are small.

Revision ID: 0012
Revises: 0011
"""
from alembic import op
import sqlalchemy as sa


revision = '0012'
down_revision = '0011'
branch_labels = None
depends_on = None

FELT = ('felt_c', 'felt_sd_k', 'taken_t50_c', 'taken_sd_k')
DEATHS = ('death', 'hardened_death')
TEXTS = (('source_id', sa.String(length=80)), ('source_text', sa.Text()), ('status', sa.String(length=16)),
         ('refers_to', sa.String(length=8)))


def upgrade():
    op.create_table(
        'daily_weather',
        sa.Column('on_date', sa.Date(), nullable=False),
        sa.Column('source', sa.String(length=8), nullable=False),
        sa.Column('min_c', sa.Double(), nullable=False),
        sa.Column('mean_c', sa.Double(), nullable=False),
        sa.Column('max_c', sa.Double(), nullable=True),
        sa.CheckConstraint("source IN ('readings', 'record', 'forecast', 'low')", name=op.f('ck_daily_weather_source')),
        sa.CheckConstraint('min_c BETWEEN -100 AND 100', name=op.f('ck_daily_weather_min')),
        sa.CheckConstraint('mean_c BETWEEN -100 AND 100', name=op.f('ck_daily_weather_mean')),
        sa.CheckConstraint('max_c BETWEEN -100 AND 100', name=op.f('ck_daily_weather_max')),
        sa.PrimaryKeyConstraint('on_date', name=op.f('pk_daily_weather')),
    )
    for name in FELT:
        op.add_column('outcome', sa.Column(name, sa.Double(), nullable=True))
    op.add_column('outcome', sa.Column('is_left_out', sa.Boolean(), server_default=sa.false(), nullable=False))
    with op.batch_alter_table('crop_stage') as batch:
        batch.add_column(sa.Column('harm', sa.String(length=8), server_default='plant', nullable=False))
        batch.add_column(sa.Column('hardens', sa.String(length=8), server_default='no', nullable=False))
        for death in DEATHS:
            batch.add_column(sa.Column(f'{death}_c', sa.Double(), nullable=True))
            batch.add_column(sa.Column(f'{death}_spread_k', sa.Double(), nullable=True))
            for name, kind in TEXTS:
                batch.add_column(sa.Column(f'{death}_{name}', kind, server_default='', nullable=False))
    op.execute("UPDATE crop_stage SET hardens = 'leafy' WHERE hardened_threshold_c IS NOT NULL")
    with op.batch_alter_table('planting') as batch:
        batch.add_column(sa.Column('state_share', sa.Double(), nullable=True))
        batch.add_column(sa.Column('state_on', sa.Date(), nullable=True))
        batch.add_column(sa.Column('stage_on', sa.Date(), nullable=True))
        batch.add_column(sa.Column('pot_l', sa.Double(), nullable=True))
        batch.add_column(sa.Column('pot_material', sa.String(length=8), server_default='', nullable=False))
        batch.add_column(sa.Column('pot_is_raised', sa.Boolean(), server_default=sa.true(), nullable=False))
        batch.add_column(sa.Column('worth_per', sa.String(length=8), server_default='plant', nullable=False))
        batch.drop_column('is_hardened')
    op.execute("UPDATE planting SET worth_per = 'bed' WHERE spread_cm <= 15")
    with op.batch_alter_table('planting') as batch:
        batch.create_check_constraint(op.f('ck_planting_worth_per'), "worth_per IN ('plant', 'bed')")
        batch.create_check_constraint(op.f('ck_planting_state_share'), 'state_share BETWEEN 0 AND 1')
        batch.create_check_constraint(
            op.f('ck_planting_state_is_said_of_a_day'), '(state_share IS NULL) = (state_on IS NULL)')
        batch.create_check_constraint(op.f('ck_planting_pot_l'), 'pot_l > 0')
        batch.create_check_constraint(
            op.f('ck_planting_pot'), "pot_material IN ('', 'plastic', 'clay', 'wood', 'fabric')")


def downgrade():
    with op.batch_alter_table('planting') as batch:
        for name in ('pot', 'pot_l', 'state_is_said_of_a_day', 'state_share', 'worth_per'):
            batch.drop_constraint(op.f(f'ck_planting_{name}'), type_='check')
        batch.add_column(sa.Column('is_hardened', sa.Boolean(), server_default=sa.false(), nullable=False))
    op.execute("UPDATE planting SET is_hardened = (state_share IS NOT NULL AND state_share >= 0.5)")
    with op.batch_alter_table('planting') as batch:
        batch.alter_column('is_hardened', server_default=None)
        for name in ('worth_per', 'pot_is_raised', 'pot_material', 'pot_l', 'stage_on', 'state_on', 'state_share'):
            batch.drop_column(name)
    with op.batch_alter_table('crop_stage') as batch:
        for death in DEATHS:
            for name in ('c', 'spread_k', *(name for name, _kind in TEXTS)):
                batch.drop_column(f'{death}_{name}')
        batch.drop_column('hardens')
        batch.drop_column('harm')
    op.drop_column('outcome', 'is_left_out')
    for name in reversed(FELT):
        op.drop_column('outcome', name)
    op.drop_table('daily_weather')
