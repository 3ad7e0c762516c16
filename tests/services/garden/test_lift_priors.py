"""What a kind of cover is believed to add: its own row's figures, for its edges as they are."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from gardenapp import reference
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.science.estimate import Estimate
from gardenapp.services.garden.lift_priors import prior_of, shelter_prior
from gardenapp.services.garden.seeding import seed_catalogue
from tests.factories import Factory


def test_each_figure_of_a_kind_stands_in_its_place(make: Factory) -> None:
    kind = make.cover_kind(
        clear_mean_k=3.0, clear_sd_k=0.9, cloudy_mean_k=1.2, cloudy_sd_k=0.4, leaf_shield=0.35
    )

    prior = prior_of(kind)

    assert prior.clear == Estimate(3.0, 0.9)
    assert prior.cloudy == Estimate(1.2, 0.4)
    assert prior.leaf_shield == 0.35


def test_a_published_kind_is_believed_as_its_table_says(make: Factory) -> None:
    make.garden()
    seed_catalogue(db.session)
    db.session.commit()
    kinds = {row.reference_key: row for row in db.session.scalars(select(CoverKind))}

    for built in reference.load_constructions():
        prior = prior_of(kinds[built.key])
        assert prior.clear == Estimate(built.clear_mean_k, built.clear_sd_k), built.key
        assert prior.cloudy == Estimate(built.cloudy_mean_k, built.cloudy_sd_k), built.key
        assert prior.leaf_shield == built.leaf_shield, built.key


def test_a_tote_with_its_rim_open_adds_less_and_is_lowered_once_only(make: Factory) -> None:
    make.garden()
    seed_catalogue(db.session)
    db.session.commit()
    kinds = {row.reference_key: row for row in db.session.scalars(select(CoverKind))}

    closed, open_ = prior_of(kinds["tote"]), prior_of(kinds["tote_unsealed"])

    assert open_.clear.mean < closed.clear.mean
    assert open_.clear.mean == kinds["tote_unsealed"].clear_mean_k


def test_a_shed_is_believed_as_its_sources_say_and_not_from_memory() -> None:
    prior, status = shelter_prior()

    assert prior.clear == Estimate(1.2, 1.2)
    assert prior.leaf_shield == 1.0
    assert status == "derived"


@pytest.mark.outside("A trade page on 20 g/m2 nonwoven, section 3: leaves 0.75 to 0.9 °C warmer")
def test_a_gain_that_was_measured_on_leaves_gets_no_shield_on_top() -> None:
    """Leaf inside less leaf outside is the lift and what is left of the leaf's fall together."""
    built = next(k for k in reference.load_constructions() if k.key == "fleece_light")
    leaf_k = -1.5

    gain_k = built.clear_mean_k - built.leaf_shield * leaf_k

    assert 0.7 <= gain_k <= 1.0
