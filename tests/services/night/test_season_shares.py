"""Nobody's plots always come last."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.nights import Plan, PlanShare
from gardenapp.science.allocation.weights import MOST_FAIRNESS, fair_weights
from gardenapp.services.night.season_shares import shares_of_season, weights_of_plots
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan


def test_a_plan_keeps_what_each_plot_was_spared_and_could_have_been(make: Factory) -> None:
    spared, bare = make.plot(label="P1"), make.plot(label="P2")
    make.planting(plot=spared)
    make.planting(plot=bare)
    make.cover()
    enter(make.now, -2.0)

    page = plan(make.now)

    kept = {row.plot_id: row for row in db.session.scalars(select(PlanShare))}
    assert set(kept) == {spared.id, bare.id}
    covered = {job.plot_id for job in page.jobs}
    assert len(covered) == 1
    for plot_id, row in kept.items():
        assert row.avoidable > 0.0
        assert row.avoided == pytest.approx(row.avoidable if plot_id in covered else 0.0, rel=0.02)


def test_a_season_is_the_plans_in_force_of_its_nights(make: Factory) -> None:
    plot = make.plot()
    make.planting(plot=plot)
    make.cover()
    enter(make.now, -2.0)
    plan(make.now)
    plan(make.now)  # a second plan of the night takes the place of the first

    assert shares_of_season(EVENING) == {}
    (kept,) = shares_of_season(EVENING + timedelta(days=1)).values()
    current = db.session.scalars(
        select(PlanShare).join(Plan).where(Plan.is_current.is_(True))
    ).one()
    assert kept == (current.avoided, current.avoidable)
    assert shares_of_season(EVENING + timedelta(days=400)) == {}


def test_who_was_spared_less_counts_for_more_and_never_by_much() -> None:
    weights = fair_weights({1: (9.0, 10.0), 2: (1.0, 10.0), 3: (5.0, 10.0)})

    assert weights[1] < weights[3] < weights[2]
    assert weights[3] == pytest.approx(1.0)
    assert max(abs(weight - 1.0) for weight in weights.values()) <= MOST_FAIRNESS
    # One small night beside a season of others moves little.
    late = fair_weights({1: (50.0, 100.0), 2: (50.0, 100.0), 3: (0.0, 0.5)})
    assert late[3] == pytest.approx(1.0, abs=0.01)
    assert fair_weights({1: (0.0, 0.0)}) == {1: 1.0}
    assert fair_weights({}) == {}


def test_a_plot_counts_as_its_holders_do() -> None:
    weights = weights_of_plots(
        {1: {10}, 2: {11}, 3: {10, 11}, 4: {12}, 5: set()},
        {1: (9.0, 10.0), 2: (1.0, 10.0)},
    )

    assert weights[1] < 1.0 < weights[2]
    assert weights[3] == weights[2]
    assert 4 not in weights and 5 not in weights


def test_over_a_season_nobody_falls_far_behind(make: Factory) -> None:
    """One cover, two like plots, twenty nights: measured as avoided over avoidable, by member."""
    for name in ("Ada", "Bo"):
        holder = make.member(name)
        make.planting(plot=make.plot(label=name, holders=(holder,)))
    make.cover()
    for night in range(20):
        evening = EVENING + timedelta(days=night)
        now = make.now + timedelta(days=night)
        from gardenapp.services.night import forecasts, plan_night

        forecasts.enter_by_hand(night_of=evening, low_c=-2.0, member_id=None, now=now)
        plan_night.plan_night(night_of=evening, member_id=None, now=now)

    shares = [
        avoided / avoidable
        for avoided, avoidable in shares_of_season(EVENING + timedelta(days=20)).values()
    ]

    assert len(shares) == 2
    assert sum(shares) == pytest.approx(1.0, abs=0.1)
    assert max(shares) - min(shares) <= 0.15
