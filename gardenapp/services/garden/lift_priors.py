"""What a kind of cover is believed to add at night, before any trial of the garden's own."""

from __future__ import annotations

from gardenapp.models.covers import CoverKind
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.estimate import Estimate


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
