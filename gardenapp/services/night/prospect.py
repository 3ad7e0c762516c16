"""What the night would do to each planting, bare and under each way: all that is asked of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from gardenapp.models.plants import CropStage, Planting
from gardenapp.science.allocation.weights import SAFE_BELOW, worth_of_plant
from gardenapp.science.covers.lift import kept_lift
from gardenapp.science.night.bearing import Bearing
from gardenapp.science.night.root_ball import NOTHING_BEFORE, Before
from gardenapp.services.night.gather import Gathered
from gardenapp.services.night.learning import SiteBelief
from gardenapp.services.night.outlook import (
    SHELTER,
    BareOutlook,
    CoveredOutlook,
    SiteNight,
    bare_outlook,
    covered_outlook,
)
from gardenapp.services.night.standing import Pools, Standing, pools_tonight, standing_tonight
from gardenapp.services.night.ways import Way, ways_tonight


@dataclass(frozen=True, slots=True)
class Prospect:
    """The garden, the night, and what each way would do: what the plan is made from.

    `bare` is by planting; `covered` by planting and treatment, for plantings that are in danger or
    stand under something, and ways that are open to them.
    """

    gathered: Gathered
    site: SiteNight
    belief: SiteBelief
    standing: tuple[Standing, ...]
    pools: Pools
    ways: Mapping[str, Way]
    bare: Mapping[int, BareOutlook]
    covered: Mapping[tuple[int, str], CoveredOutlook]

    def is_under_something(self, planting_id: int) -> bool:
        """Whether something is on or promised to a planting already."""
        return is_under(self.standing, planting_id)


def prospect_of(
    gathered: Gathered, site: SiteNight, belief: SiteBelief, *, now: datetime | None = None
) -> Prospect:
    """Work out what the night does to each planting; asks nothing of the database.

    now : when what is not on yet is put on at the earliest; None counts as before sunset. [UTC]
    """
    standing = standing_tonight(gathered)
    pools = pools_tonight(gathered, standing)
    ways = ways_tonight(gathered, pools, standing, site)
    bare = bare_outlooks(
        site, gathered.plantings, gathered.stages, gathered.bearings, belief, gathered.before
    )
    return Prospect(
        gathered=gathered,
        site=site,
        belief=belief,
        standing=standing,
        pools=pools,
        ways=ways,
        bare=bare,
        covered=_covered_outlooks(gathered, site, pools, standing, ways, bare, now),
    )


def worth_of(planting: Planting) -> float:
    """What losing one plant of a planting counts, in the garden's unit."""
    return worth_of_plant(planting.mind, per=planting.worth_per, spread_cm=planting.spread_cm)


def covered_if(
    prospect: Prospect, planting: Planting, treatment_id: str, kept: float
) -> CoveredOutlook:
    """A planting's night under a way that gives only a share of its lift. `kept` : 0 to 1."""
    return _under(
        prospect.gathered, prospect.site, planting, prospect.bare[planting.id],
        prospect.ways[treatment_id], kept,
    )  # fmt: skip


def bare_outlooks(
    site: SiteNight,
    plantings: Iterable[Planting],
    stages: Mapping[int, CropStage],
    bearings: Mapping[int, Bearing],
    belief: SiteBelief,
    before: Mapping[int, Before],
) -> dict[int, BareOutlook]:
    """Each planting's night without a cover; plantings that are alike share one outlook.

    bearings, before : what each planting bears tonight, and what the nights before did, by its id.
    """
    known: dict[tuple[Any, ...], BareOutlook] = {}
    found: dict[int, BareOutlook] = {}
    for planting in plantings:
        offset = belief.offsets[planting.plot_id].estimate
        key = (
            stages[planting.id].id,
            bearings[planting.id],
            planting.height_cm,
            before.get(planting.id, NOTHING_BEFORE),
            offset,
        )
        if key not in known:
            known[key] = bare_outlook(
                site,
                planting,
                offset,
                stages[planting.id],
                bearings[planting.id],
                before.get(planting.id, NOTHING_BEFORE),
            )
        found[planting.id] = known[key]
    return found


def is_under(standing: Iterable[Standing], planting_id: int) -> bool:
    """Whether any of these stands over plants of a planting."""
    return any(planting_id in stand.plants for stand in standing)


def _covered_outlooks(
    gathered: Gathered,
    site: SiteNight,
    pools: Pools,
    standing: tuple[Standing, ...],
    ways: Mapping[str, Way],
    bare: Mapping[int, BareOutlook],
    now: datetime | None,
) -> dict[tuple[int, str], CoveredOutlook]:
    known: dict[tuple[int, str, float], CoveredOutlook] = {}
    found: dict[tuple[int, str], CoveredOutlook] = {}
    on_since = _on_since(pools, standing)
    for planting in gathered.plantings:
        alone = bare[planting.id]
        if alone.harm.share < SAFE_BELOW and not is_under(standing, planting.id):
            continue
        for treatment_id, way in ways.items():
            if treatment_id == SHELTER and not (planting.in_pot and planting.is_movable):
                continue
            kept = site.late_share(on_since.get((planting.id, treatment_id), now))
            key = (id(alone), treatment_id, kept)  # like plantings share their outlook
            if key not in known:
                known[key] = _under(gathered, site, planting, alone, way, kept)
            found[planting.id, treatment_id] = known[key]
    return found


def _under(
    gathered: Gathered,
    site: SiteNight,
    planting: Planting,
    alone: BareOutlook,
    way: Way,
    kept: float,
) -> CoveredOutlook:
    return covered_outlook(
        site,
        planting,
        gathered.stages[planting.id],
        alone,
        lift=kept_lift(way.lift, kept),
        leaf_shield=way.leaf_shield,
        is_draped=way.is_draped,
        over=way.over.kept(kept) if way.over else None,
    )


def _on_since(pools: Pools, standing: Iterable[Standing]) -> dict[tuple[int, str], datetime]:
    """Since when each planting stands under a treatment, where some of it does already."""
    found: dict[tuple[int, str], datetime] = {}
    for stand in standing:
        if stand.put_on_at is None:
            continue
        treatment_id = pools.treatment_of(stand)
        for planting_id in stand.plants:
            key = (planting_id, treatment_id)
            found[key] = min(stand.put_on_at, found.get(key, stand.put_on_at))
    return found
