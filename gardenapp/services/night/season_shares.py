"""Whether anybody's plots always come last: what each was spared this season, of what could be.

A planting's avoidable loss on a night is what the best cover there is would spare it, were it alone
in the garden; its avoided loss is what the plan in force at the end spared it. Summed over the
season and a member's plots, avoided over avoidable is that member's share. Whoever has less than
the garden as a whole counts for more on the next night, whoever has more for less: by half of the
difference, and by a quarter at the most.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from datetime import date, timedelta

from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.nights import Plan, PlanShare
from gardenapp.science.allocation.weights import fair_weights
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.services.night.prospect import Prospect, worth_of

SEASON_DAYS = 270
"""How far back a season goes: from one autumn's first frosts to the next spring's last."""


def shares_of(
    prospect: Prospect, stories: Iterable[PlantingStory]
) -> dict[int, tuple[float, float]]:
    """What a plan spares each plot and what could be spared there; plots with nothing are left out.

    In the garden's unit.
    """
    plantings = prospect.gathered.by_id()
    found: dict[int, tuple[float, float]] = {}
    for story in stories:
        planting = plantings[story.planting_id]
        best = min((option.share for option in story.options), default=story.share)
        worth = planting.count * worth_of(planting)
        avoidable = worth * max(0.0, story.share - best)
        if avoidable <= 0.0:
            continue
        avoided = min(avoidable, worth * max(0.0, story.share - story.after))
        before = found.get(planting.plot_id, (0.0, 0.0))
        found[planting.plot_id] = (before[0] + avoided, before[1] + avoidable)
    return found


def shares_of_season(evening: date) -> Mapping[int, tuple[float, float]]:
    """What each plot was spared, and could have been, on the season's nights before this one."""
    rows = db.session.execute(
        select(PlanShare.plot_id, func.sum(PlanShare.avoided), func.sum(PlanShare.avoidable))
        .join(Plan, Plan.id == PlanShare.plan_id)
        .where(
            Plan.is_current.is_(True),
            Plan.night_of < evening,
            Plan.night_of >= evening - timedelta(days=SEASON_DAYS),
        )
        .group_by(PlanShare.plot_id)
    )
    return {plot_id: (avoided, avoidable) for plot_id, avoided, avoidable in rows}


def weights_of_plots(
    holders: Mapping[int, set[int]], shares: Mapping[int, tuple[float, float]]
) -> dict[int, float]:
    """How much each plot counts tonight; 1 where its holders have had as much as the garden.

    holders : who holds each plot. Plots without a share yet, or without a holder, count 1.
    """
    of_member: dict[int, tuple[float, float]] = defaultdict(lambda: (0.0, 0.0))
    for plot_id, (avoided, avoidable) in shares.items():
        for member_id in holders.get(plot_id, ()):
            before = of_member[member_id]
            of_member[member_id] = (before[0] + avoided, before[1] + avoidable)
    weight = fair_weights(of_member)
    return {
        plot_id: max(weight[member_id] for member_id in members)
        for plot_id, members in holders.items()
        if members and all(member_id in weight for member_id in members)
    }
