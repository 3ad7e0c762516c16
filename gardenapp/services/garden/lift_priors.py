"""What a kind of cover is believed to add at night, before any trial of the garden's own."""

from __future__ import annotations

from functools import cache

from gardenapp.models.covers import CoverKind
from gardenapp.reference import loader
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.estimate import Estimate

SHELTER_KEY = "shelter"
"""The row of the published table that stands for a place pots are carried into."""


def prior_of(kind: CoverKind) -> LiftPrior:
    """What a kind of cover is believed to add.

    Its figures hold for its edges as they are used: a tote whose rim is open is a kind of its
    own, with a lower lift, and must not be lowered a second time.
    """
    return LiftPrior(
        clear=Estimate(kind.clear_mean_k, kind.clear_sd_k),
        cloudy=Estimate(kind.cloudy_mean_k, kind.cloudy_sd_k),
        leaf_shield=kind.leaf_shield,
    )


@cache
def shelter_prior() -> tuple[LiftPrior, str]:
    """What an unheated shed or greenhouse is believed to add, and how well that is known."""
    built = next(kind for kind in loader.load_constructions() if kind.key == SHELTER_KEY)
    return (
        LiftPrior(
            clear=Estimate(built.clear_mean_k, built.clear_sd_k),
            cloudy=Estimate(built.cloudy_mean_k, built.cloudy_sd_k),
            leaf_shield=built.leaf_shield,
        ),
        built.status,
    )
