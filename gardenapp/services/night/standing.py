"""What stands over plants already or is promised to, and the covers there are for the rest.

Covers that are alike make a pool: the solver counts them out, and only afterwards is it settled
which of them goes where.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.nights import Deployment, Job
from gardenapp.models.plants import Planting
from gardenapp.science.allocation.problem import CoverPool, Id
from gardenapp.science.allocation.weights import CLEARANCE_CM
from gardenapp.science.handling import takes_two
from gardenapp.services.night.gather import Gathered
from gardenapp.services.night.outlook import SHELTER


@dataclass(frozen=True, slots=True)
class Standing:
    """A deployment or a promise: covers (outermost first) and the plants under them, by planting.

    Without covers it is pots in the shelter. One of the two ids says which it is.
    """

    plot_id: int
    covers: tuple[int, ...]
    plants: Mapping[int, int]
    deployment_id: int | None = None
    claim_id: int | None = None
    put_on_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Pools:
    """Covers that are alike for the solver, and the way back to the covers themselves.

    A key is the kind's id, followed by `@` and the owner's where they go on the owner's plots only.
    """

    pools: Mapping[str, CoverPool]
    members: Mapping[str, tuple[Cover, ...]]
    kind_of: Mapping[str, CoverKind]
    pool_of: Mapping[int, str]

    def chain_of(self, covers: Sequence[int]) -> tuple[str, ...]:
        """The pools of covers that stand one over the other."""
        return tuple(self.pool_of[cover] for cover in covers)

    def treatment_of(self, standing: Standing) -> str:
        """The treatment that something on or promised is."""
        return "+".join(self.chain_of(standing.covers)) if standing.covers else SHELTER


def standing_tonight(gathered: Gathered) -> tuple[Standing, ...]:
    """What is on, then what is promised and not on yet."""
    alive = gathered.by_id()
    on = tuple(_deployed(deployment, alive) for deployment in gathered.deployments)
    found = list(on)
    covers_on = covers_of(on)
    present = {cover.id for cover in gathered.covers}
    for job in gathered.promised:
        claim = gathered.claims[job.id]
        for covers, plants in _units(job, alive):
            if any(cover in covers_on for cover in covers):
                continue
            if not present.issuperset(covers):
                continue  # lent out or gone since it was promised
            if not covers and any(not s.covers and s.plot_id == job.plot_id for s in on):
                continue
            if plants:
                found.append(Standing(job.plot_id, covers, plants, claim_id=claim.id))
    return tuple(found)


def covers_of(standing: Collection[Standing]) -> frozenset[int]:
    """All covers that are on or promised."""
    return frozenset(cover for stand in standing for cover in stand.covers)


def pools_tonight(gathered: Gathered, standing: Collection[Standing]) -> Pools:
    """Every cover that can be used, and those that stand already whatever has become of them."""
    held_by: dict[int, set[Id]] = defaultdict(set)
    for plot_id, holders in gathered.holders.items():
        for member_id in holders:
            held_by[member_id].add(plot_id)
    on = covers_of(standing)
    members: dict[str, list[Cover]] = defaultdict(list)
    allowed: dict[str, frozenset[Id] | None] = {}
    for cover in gathered.covers:
        if cover.id not in on and (not cover.is_usable or cover.condition == "broken"):
            continue
        own_only = cover.lending == "own plots" and cover.owner_id is not None
        key = f"{cover.class_id}" + (f"@{cover.owner_id}" if own_only else "")
        members[key].append(cover)
        allowed[key] = frozenset(held_by[cover.owner_id or 0]) if own_only else None
    kind_of = {key: gathered.kinds[alike[0].class_id] for key, alike in members.items()}
    return Pools(
        pools={
            key: pool_of(key, kind_of[key], len(alike), allowed=allowed[key])
            for key, alike in members.items()
        },
        members={key: tuple(alike) for key, alike in members.items()},
        kind_of=kind_of,
        pool_of={cover.id: key for key, alike in members.items() for cover in alike},
    )


def pool_of(
    key: str, kind: CoverKind, count: int, *, allowed: frozenset[Id] | None = None
) -> CoverPool:
    """`count` covers of a kind as the solver sees them; `allowed` None: on every plot."""
    return CoverPool(
        id=key,
        label=kind.name,
        count=count,
        inner_length_cm=kind.inner_length_cm,
        inner_width_cm=kind.inner_width_cm,
        inner_height_cm=kind.inner_height_cm,
        outer_length_cm=kind.outer_length_cm,
        outer_width_cm=kind.outer_width_cm,
        is_rigid=kind.is_rigid,
        may_touch=kind.may_touch,
        clearance_cm=CLEARANCE_CM,
        # Two people's time for what takes two.
        minutes=kind.minutes * (2 if takes_two(kind.mass_kg) else 1),
        gust_limit_mps=kind.gust_limit_mps,
        allowed_plot_ids=allowed,
    )


def _deployed(deployment: Deployment, alive: Mapping[int, Planting]) -> Standing:
    open_uses = sorted(
        (use for use in deployment.covers if use.is_open), key=lambda use: use.is_inner
    )
    return Standing(
        plot_id=deployment.plot_id,
        covers=tuple(use.cover_id for use in open_uses),
        plants={
            under.planting_id: min(under.plants, alive[under.planting_id].count)
            for under in deployment.plants
            if under.planting_id in alive
        },
        deployment_id=deployment.id,
        put_on_at=deployment.put_on_at,
    )


def _units(job: Job, alive: Mapping[int, Planting]) -> list[tuple[tuple[int, ...], dict[int, int]]]:
    """A job's covers, unit by unit, with what still grows of the plants under each."""
    return [
        (
            tuple(c for c in (part.cover_id, part.inner_cover_id) if c is not None),
            {
                int(key): min(number, alive[int(key)].count)
                for key, number in part.plants.items()
                if int(key) in alive and alive[int(key)].plot_id == job.plot_id
            },
        )
        for part in job.parts
    ]
