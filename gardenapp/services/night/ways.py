"""The ways there are tonight to look after a plant: each cover, the best stacks, the shelter."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from gardenapp.models.covers import CoverKind
from gardenapp.science.allocation.problem import Treatment
from gardenapp.science.allocation.weights import MOST_STACKS
from gardenapp.science.covers.lift import LiftPrior, lift_tonight
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import UNNAMED_SHELTER, TreatmentName
from gardenapp.services.garden.lift_priors import prior_of, shelter_prior
from gardenapp.services.night.day_gains import reckoned_gain_k
from gardenapp.services.night.gather import Gathered
from gardenapp.services.night.outlook import (
    SHELTER,
    Over,
    SiteNight,
    stack_prior,
    tonight_lift,
)
from gardenapp.services.night.standing import Pools, Standing


@dataclass(frozen=True, slots=True)
class Way:
    """One way: its treatment for the solver, and what it does to what is under it.

    `lift` of a whole night and `day_gain_k` [K]; `is_draped` : its innermost cover lies on the
    leaves; `over` : what stands over that one, in a stack.
    """

    treatment: Treatment
    name: TreatmentName
    kinds: tuple[CoverKind, ...]
    lift: Estimate
    leaf_shield: float
    is_draped: bool
    day_gain_k: float
    over: Over | None = None

    @property
    def minutes(self) -> float:
        """To put one of it on, without the walk."""
        return sum(kind.minutes for kind in self.kinds)


def ways_tonight(
    gathered: Gathered, pools: Pools, standing: Collection[Standing], site: SiteNight
) -> dict[str, Way]:
    """Every cover alone, the stacks that stand, the warmest others, and the shelter."""
    priors = {
        kind.id: gathered.lifts[kind.id][0] if kind.id in gathered.lifts else prior_of(kind)
        for kind in gathered.kinds.values()
    }
    chains = [(key,) for key in pools.pools] + _stacks(pools, standing, site, priors)
    ways = {"+".join(chain): _way(chain, gathered, pools, priors, site) for chain in chains}
    garden = gathered.garden
    if garden.shelter_spaces > 0:
        shelter, _status = shelter_prior()
        name = TreatmentName(place=garden.shelter_label or UNNAMED_SHELTER)
        ways[SHELTER] = Way(
            treatment=Treatment(SHELTER, (), name.label),
            name=name,
            kinds=(),
            lift=lift_tonight(shelter, site.share),
            leaf_shield=shelter.leaf_shield,
            is_draped=False,
            day_gain_k=0.0,
        )
    return ways


def _stacks(
    pools: Pools,
    standing: Collection[Standing],
    site: SiteNight,
    priors: Mapping[int, LiftPrior],
) -> list[tuple[str, ...]]:
    """Pools one over the other: those in use, then the warmest others tonight."""
    in_use = {pools.chain_of(stand.covers) for stand in standing if len(stand.covers) > 1}
    kind_of = pools.kind_of
    others = [
        (outer, inner)
        for outer in pools.pools
        for inner in pools.pools
        if kind_of[inner].goes_under
        and not kind_of[outer].goes_under
        and kind_of[outer].id != kind_of[inner].id
        and (outer, inner) not in in_use
    ]

    def lift_k(pair: tuple[str, str]) -> float:
        return tonight_lift(site, stack_prior([kind_of[key] for key in pair], priors)).mean

    others.sort(key=lambda pair: -lift_k(pair))
    return [*sorted(in_use), *others[:MOST_STACKS]]


def _way(
    chain: tuple[str, ...],
    gathered: Gathered,
    pools: Pools,
    priors: Mapping[int, LiftPrior],
    site: SiteNight,
) -> Way:
    kinds = tuple(pools.kind_of[key] for key in chain)
    prior = stack_prior(kinds, priors)
    name = TreatmentName(tuple(kind.name for kind in kinds))
    innermost = kinds[-1]
    outer = stack_prior(kinds[:-1], priors) if len(kinds) > 1 else None
    return Way(
        treatment=Treatment("+".join(chain), chain, name.label),
        name=name,
        kinds=kinds,
        lift=tonight_lift(site, prior),
        leaf_shield=prior.leaf_shield,
        is_draped=innermost.inner_height_cm is None and not innermost.is_rigid,
        day_gain_k=reckoned_gain_k(kinds, gathered.gains),
        over=None if outer is None else Over(tonight_lift(site, outer), outer.leaf_shield),
    )
