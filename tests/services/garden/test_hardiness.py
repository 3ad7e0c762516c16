"""The cold a crop bears, by the row of the catalogue and by how its plants stand."""

from __future__ import annotations

import math

import pytest

from gardenapp.models.plants import CropStage
from gardenapp.reference import load_stages
from gardenapp.science.night.damage import AIR_RECORD_K
from gardenapp.services.garden.hardiness import hardiness_of, is_read_in_air, published_hardiness
from gardenapp.services.garden.seeding import seed_catalogue
from tests.factories import Factory


def stage(**changes: object) -> CropStage:
    """A row that no database has seen."""
    values: dict[str, object] = {
        "name": "plant",
        "kind": "kill",
        "threshold_c": -3.0,
        "refers_to": "tissue",
        "hardened_refers_to": "",
        "harm": "plant",
        "hardens": "leafy" if "hardened_threshold_c" in changes else "no",
        "death_refers_to": "",
        "hardened_death_refers_to": "",
    }
    return CropStage(**values | changes)


@pytest.mark.parametrize(("kind", "share"), [("kill", 0.5), ("damage", 0.1), ("chilling", 0.1)])
def test_one_published_temperature_hurts_the_share_its_kind_stands_for(
    kind: str, share: float
) -> None:
    assert hardiness_of(stage(kind=kind)).soft.harm.share_at(-3.0) == pytest.approx(share)


def test_a_published_pair_says_more_than_its_threshold() -> None:
    pair = stage(kind="damage", threshold_c=-2.0, t10_c=-2.0, t90_c=-5.0, spread_k=9.0)

    bearing = hardiness_of(pair).at(0.0)

    assert bearing.harm.share_at(-2.0) == pytest.approx(0.1)
    assert bearing.harm.share_at(-5.0) == pytest.approx(0.9)
    assert bearing.bears_c == pytest.approx(-2.0)


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
    curve = hardiness_of(stage(spread_k=0.7, **changes)).soft.harm

    assert curve.t50_c == -3.0
    assert curve.sd_k == 0.7


def test_the_weather_moves_plants_from_the_soft_to_the_hardened_values() -> None:
    both = hardiness_of(
        stage(hardened_kind="damage", hardened_threshold_c=-6.0, hardened_spread_k=0.5)
    )

    assert both.is_moved
    assert both.at(0.0).harm.share_at(-3.0) == pytest.approx(0.5)
    assert both.at(1.0).harm.share_at(-6.0) == pytest.approx(0.1)
    assert both.at(1.0).harm.sd_k == 0.5
    assert both.at(1.0).bears_c < both.at(0.4).bears_c < both.at(0.0).bears_c


def test_without_hardened_values_the_weather_moves_nothing() -> None:
    soft_only = hardiness_of(stage(t10_c=-2.0, t90_c=-4.0))

    assert not soft_only.is_moved
    assert soft_only.at(1.0) == soft_only.at(0.0)


def test_the_soft_pair_is_not_mixed_with_the_hardened_threshold() -> None:
    mixed = stage(t10_c=-2.0, t90_c=-4.0, hardened_kind="kill", hardened_threshold_c=-6.0)

    assert hardiness_of(mixed).at(1.0).harm.t50_c == -6.0


def test_what_was_read_in_the_air_is_half_a_clear_nights_difference_colder_at_the_leaf() -> None:
    leaf = hardiness_of(stage(spread_k=0.6)).soft
    air = hardiness_of(stage(spread_k=0.6, refers_to="air")).soft

    assert air.harm.t50_c == leaf.harm.t50_c + AIR_RECORD_K.mean
    assert air.harm.t50_c < leaf.harm.t50_c  # the leaf was colder than the air written down
    assert air.harm.sd_k == pytest.approx(math.hypot(0.6, AIR_RECORD_K.sd))
    assert is_read_in_air(stage(refers_to="air"))
    assert not is_read_in_air(stage())


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

    hard, unhardened = hardiness_of(row).at(1.0).harm, hardiness_of(row).at(0.0).harm

    assert hard.t50_c == -6.0 + (AIR_RECORD_K.mean if is_air else 0.0)
    assert unhardened.t50_c == -3.0 + (AIR_RECORD_K.mean if soft == "air" else 0.0)


def test_death_is_told_apart_and_hardens_too() -> None:
    leek = hardiness_of(
        stage(
            harm="looks",
            hardened_threshold_c=-12.0,
            death_c=-9.0,
            death_refers_to="tissue",
            hardened_death_c=-18.0,
            hardened_death_refers_to="tissue",
        )
    )

    soft, hard = leek.at(0.0), leek.at(1.0)

    assert soft.death is not None and hard.death is not None
    assert (soft.death.t50_c, hard.death.t50_c) == (-9.0, -18.0)
    assert hardiness_of(stage()).soft.death is None


def test_the_catalogue_bears_what_the_published_table_does(make: Factory) -> None:
    make.garden()
    from gardenapp import reference
    from gardenapp.extensions import db
    from gardenapp.services.transaction import write_transaction

    with write_transaction() as session:
        seed_catalogue(
            session,
            stages=load_stages(),
            constructions=reference.load_constructions(),
            sources=reference.load_sources(),
        )
    rows = {(row.crop.name, row.name): row for row in db.session.query(CropStage)}

    for published in load_stages():
        row = rows[published.crop, published.stage]
        assert hardiness_of(row) == published_hardiness(published), published.crop
