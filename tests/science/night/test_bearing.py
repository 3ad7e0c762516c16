"""What plants bear, and what it costs when they are harmed."""

from __future__ import annotations

import pytest

from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import HARM_COSTS, Bearing, Hardiness
from gardenapp.science.night.damage import DamageCurve

LEAF, CROWN = DamageCurve(-4.0, 1.0), DamageCurve(-10.0, 1.5)


def test_a_burnt_leaf_costs_less_than_a_harvest_and_that_less_than_a_plant() -> None:
    costs = [Bearing(LEAF, None, costs).lost_at(-5.0) for costs in ("looks", "harvest", "plant")]

    assert costs == sorted(costs)
    assert costs == [pytest.approx(share * LEAF.share_at(-5.0)) for share in HARM_COSTS.values()]


def test_death_takes_what_harm_has_left() -> None:
    leek = Bearing(LEAF, CROWN, "looks")

    assert leek.lost_at(-5.0) == pytest.approx(
        0.05 * LEAF.share_at(-5.0) + 0.95 * CROWN.share_at(-5.0)
    )
    assert leek.lost_at(-20.0) == pytest.approx(1.0)
    harm, death, lost = leek.shares(Estimate(-5.0, 1.5))
    assert death is not None and death < harm
    assert lost == pytest.approx(0.05 * harm + 0.95 * death)
    assert Bearing(LEAF).shares(Estimate(-5.0, 0.0)) == (
        pytest.approx(LEAF.share_at(-5.0)), None, pytest.approx(LEAF.share_at(-5.0)),
    )  # fmt: skip


@pytest.mark.parametrize("costs", ["looks", "harvest", "plant"])
@pytest.mark.parametrize("share", [0.02, 0.05, 0.3])
def test_what_must_be_expected_for_a_loss_is_where_the_loss_is(costs: str, share: float) -> None:
    bearing = Bearing(LEAF, CROWN, costs)

    needs_c = bearing.needs_c(share, sd_k=1.4)

    assert bearing.shares(Estimate(needs_c, 1.4))[2] == pytest.approx(share, abs=1e-4)


def test_burnt_leaves_alone_are_no_costly_night() -> None:
    assert Bearing(LEAF, CROWN, "looks").costly_c < -7.0 < LEAF.t50_c
    assert Bearing(LEAF, CROWN, "plant").costly_c == pytest.approx(Bearing(LEAF).bears_c)


def test_mornings_move_harm_and_death_together() -> None:
    moved = Bearing(LEAF, CROWN, "looks").shifted(0.5)

    assert moved.death is not None
    assert (moved.harm.t50_c, moved.death.t50_c) == (-3.5, -9.5)
    assert Bearing(LEAF).shifted(0.5).death is None
    assert Bearing(LEAF, CROWN).shifted(0.0) == Bearing(LEAF, CROWN)


def test_the_state_moves_what_hardens_and_nothing_else() -> None:
    soft, hard = Bearing(LEAF, CROWN, "looks"), Bearing(DamageCurve(-12.0, 2.0), None, "looks")
    hardy = Hardiness(soft, hard, "leafy")

    assert hardy.at(0.0).harm == LEAF
    assert hardy.at(0.5).harm == DamageCurve(-8.0, 1.5)
    assert hardy.at(0.5).death == CROWN  # no hardened death is known: it stays
    assert Hardiness(soft).at(1.0) is soft
    assert Hardiness(soft, hard, "no").at(1.0) is soft
    assert (hardy.is_moved, Hardiness(soft).is_moved) == (True, False)
