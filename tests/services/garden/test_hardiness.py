"""The cold a crop bears, by the row of the catalogue and by how its plants stand."""

from __future__ import annotations

import math

import pytest

from gardenapp.models.plants import CropStage
from gardenapp.science.night.damage import AIR_RECORD_K
from gardenapp.services.garden.hardiness import damage_curve, published_in_air_c


def stage(**changes: object) -> CropStage:
    """A row that no database has seen."""
    values: dict[str, object] = {
        "name": "plant",
        "kind": "kill",
        "threshold_c": -3.0,
        "refers_to": "tissue",
        "hardened_refers_to": "",
    }
    return CropStage(**values | changes)


@pytest.mark.parametrize(("kind", "share"), [("kill", 0.5), ("damage", 0.1), ("chilling", 0.1)])
def test_one_published_temperature_hurts_the_share_its_kind_stands_for(
    kind: str, share: float
) -> None:
    curve, threshold_c, said_kind = damage_curve(stage(kind=kind), is_hardened=False)

    assert curve.share_at(-3.0) == pytest.approx(share)
    assert (threshold_c, said_kind) == (-3.0, kind)


def test_a_published_pair_says_more_than_its_threshold() -> None:
    pair = stage(kind="damage", threshold_c=-2.0, t10_c=-2.0, t90_c=-5.0, spread_k=9.0)

    curve, threshold_c, _kind = damage_curve(pair, is_hardened=False)

    assert curve.share_at(-2.0) == pytest.approx(0.1)
    assert curve.share_at(-5.0) == pytest.approx(0.9)
    assert threshold_c == -2.0


@pytest.mark.parametrize(
    "changes",
    [
        {"t10_c": -2.0},
        {"t90_c": -5.0},
        {"t10_c": -5.0, "t90_c": -2.0},
        {"t10_c": -2.0, "t90_c": -2.0},
    ],
    ids=["no colder one", "no warmer one", "the wrong way round", "the same twice"],
)
def test_a_pair_that_is_none_leaves_the_threshold(changes: dict[str, float]) -> None:
    curve, _threshold_c, _kind = damage_curve(stage(spread_k=0.7, **changes), is_hardened=False)

    assert curve.t50_c == -3.0
    assert curve.sd_k == 0.7


def test_only_plants_that_were_hardened_off_get_the_hardened_values() -> None:
    both = stage(hardened_kind="damage", hardened_threshold_c=-6.0, hardened_spread_k=0.5)

    soft, soft_c, soft_kind = damage_curve(both, is_hardened=False)
    hard, hard_c, hard_kind = damage_curve(both, is_hardened=True)

    assert (soft_c, soft_kind) == (-3.0, "kill")
    assert (hard_c, hard_kind) == (-6.0, "damage")
    assert soft.share_at(-3.0) == pytest.approx(0.5)
    assert hard.share_at(-6.0) == pytest.approx(0.1)
    assert hard.sd_k == 0.5


def test_without_hardened_values_hardened_plants_are_reckoned_like_soft_ones() -> None:
    soft_only = stage(t10_c=-2.0, t90_c=-4.0)

    assert damage_curve(soft_only, is_hardened=True) == damage_curve(soft_only, is_hardened=False)


def test_the_soft_pair_is_not_mixed_with_the_hardened_threshold() -> None:
    mixed = stage(t10_c=-2.0, t90_c=-4.0, hardened_kind="kill", hardened_threshold_c=-6.0)

    curve, _threshold_c, _kind = damage_curve(mixed, is_hardened=True)

    assert curve.t50_c == -6.0


def test_what_was_read_in_the_air_is_half_a_clear_nights_difference_colder_at_the_leaf() -> None:
    leaf, _, _ = damage_curve(stage(spread_k=0.6), is_hardened=False)
    air, threshold_c, _ = damage_curve(stage(spread_k=0.6, refers_to="air"), is_hardened=False)

    assert air.t50_c == leaf.t50_c + AIR_RECORD_K.mean
    assert air.t50_c < leaf.t50_c  # the leaf was colder than the air that was written down
    assert air.sd_k == pytest.approx(math.hypot(0.6, AIR_RECORD_K.sd))
    assert threshold_c == -3.0 + AIR_RECORD_K.mean  # margins ask the same of the leaf as odds do
    assert published_in_air_c(stage(refers_to="air"), is_hardened=False) == -3.0
    assert published_in_air_c(stage(), is_hardened=False) is None


@pytest.mark.parametrize(
    ("soft", "hardened", "is_air"),
    [("air", "", True), ("air", "tissue", False), ("tissue", "air", True), ("tissue", "", False)],
)
def test_hardened_values_may_have_been_read_elsewhere_than_the_soft_ones(
    soft: str, hardened: str, is_air: bool
) -> None:
    row = stage(
        refers_to=soft,
        hardened_kind="kill",
        hardened_threshold_c=-6.0,
        hardened_refers_to=hardened,
    )

    hard, _, _ = damage_curve(row, is_hardened=True)
    unhardened, _, _ = damage_curve(row, is_hardened=False)

    assert hard.t50_c == -6.0 + (AIR_RECORD_K.mean if is_air else 0.0)
    assert unhardened.t50_c == -3.0 + (AIR_RECORD_K.mean if soft == "air" else 0.0)
