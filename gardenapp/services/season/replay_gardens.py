"""Gardens to replay a record through: the one in the database, or a small invented one."""

from __future__ import annotations

import csv
import io
import random
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp import reference
from gardenapp.errors import NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.messages import Message, Number, say
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.people import Garden, PlotHolder
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.reference import ConstructionDefault, StageDefault
from gardenapp.science.allocation.problem import CoverPool, Id, PlantingNeed, PlotSite, Treatment
from gardenapp.science.allocation.weights import (
    CLEARANCE_CM,
    MOST_STACKS,
    SHELTER_MINUTES_PER_POT,
    WORTH_PER_MINUTE,
    worth_of_plant,
)
from gardenapp.science.covers.lift import LiftPrior, stacked
from gardenapp.science.estimate import Estimate
from gardenapp.science.season.replay import (
    ReplaySettings,
    needed_factor,
    scaled,
)
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting, ReplayTreatment
from gardenapp.services.garden.hardiness import hardiness_of, published_hardiness
from gardenapp.services.garden.lift_priors import prior_of, shelter_prior
from gardenapp.services.night.learning import site_belief
from gardenapp.services.night.outlook import SHELTER
from gardenapp.services.night.problem import need_of, site_of
from gardenapp.services.night.standing import pool_of
from gardenapp.words import _

GARDEN_SEED = 7
MOST_FACTOR = 100.0


@dataclass(frozen=True)
class Covers:
    """Which covers a replay is given: the garden, what was done to them, and how many there are.

    `needed_factor` is how many times the garden's own covers would cover everything in danger on
    the middle one of the record's dangerous nights.
    """

    garden: ReplayGarden
    words: Message
    count: int
    needed_factor: float


def with_covers(
    garden: ReplayGarden,
    wanted: str,
    *,
    nights: tuple[ReplayNight, ...],
    settings: ReplaySettings,
) -> Covers:
    """The garden with the covers asked for.

    `wanted` is "all" (those it has), "half" (half of what would cover everything in danger, in
    the same mix), a number to multiply its own by, or the text of a table "kind,count" by name.

    Raises Refused for anything else, with what can be written.
    """
    needed = needed_factor(garden, nights, settings)
    text = wanted.strip()
    if text.lower() == "all":
        given, words = garden, say("the covers the garden has")
    elif text.lower() == "half":
        given, words = scaled(garden, needed / 2.0), say("half the covers that would be needed")
    elif "\n" in text or "," in text:
        given, words = _from_table(garden, text), say("the covers of the table")
    else:
        factor = _factor(text)
        given, words = (
            scaled(garden, factor),
            say("%(factor)s times the garden’s covers", factor=Number(factor)),
        )
    return Covers(given, words, sum(pool.count for pool in given.pools), needed)


def check_covers(wanted: str) -> None:
    """Refuse what can only be a slip, before anything is read or run.

    Raises Refused, as `with_covers` would. A table is looked at there, with the garden.
    """
    text = wanted.strip()
    if text.lower() not in {"all", "half"} and "\n" not in text and "," not in text:
        _factor(text)


def _factor(text: str) -> float:
    try:
        if not text.isascii() or "_" in text:
            raise ValueError(text)
        factor = float(text)
    except ValueError:
        factor = -1.0
    if not 0.0 <= factor <= MOST_FACTOR:
        raise Refused(
            f"Covers are “all”, “half”, or a number from 0 to {MOST_FACTOR:g} to multiply them by."
        )
    return factor


def _from_table(garden: ReplayGarden, text: str) -> ReplayGarden:
    wanted: dict[str, int] = {}
    labels = {pool.label.casefold() for pool in garden.pools}
    try:
        rows = [row for row in csv.reader(io.StringIO(text), strict=True) if any(row)]
    except csv.Error as error:
        raise Refused(
            _("We could not read the table of covers: %(error)s.", error=error)
        ) from error
    for number, row in enumerate(rows, start=1):
        # Names of kinds may hold commas: what stands last is the number.
        cells = [", ".join(cell.strip() for cell in row[:-1]), row[-1].strip()]
        if number == 1 and cells[1].casefold() == "count":
            continue
        if not cells[0] or not (cells[1].isascii() and cells[1].isdigit()):
            raise Refused(
                _(
                    "Line %(number)s of the covers is not a kind, a comma and a number.",
                    number=number,
                )
            )
        if cells[0].casefold() not in labels or len(cells[1]) > 4:
            raise Refused(
                _(
                    "Line %(number)s of the covers: the garden has no kind called “%(kind)s”, "
                    "or the number has over four figures.",
                    number=number,
                    kind=cells[0][:60],
                )
            )
        wanted[cells[0].casefold()] = int(cells[1])
    if not wanted:
        raise Refused(_("The table of covers is empty."))
    # Somebody's own covers are pools of their own with the kind's name: the first takes all.
    left = dict(wanted)
    return replace(
        garden,
        pools=tuple(
            replace(pool, count=left.pop(pool.label.casefold(), 0)) for pool in garden.pools
        ),
    )


# --- the garden in the database ---------------------------------------------------------------


def current_garden(*, before: date) -> ReplayGarden:
    """The garden as it stands: living plantings, usable covers, offsets as learnt so far.

    What is on plants at the moment counts as free. Raises NotFound where there is no garden, and
    Refused where nothing grows in it.
    """
    garden = db.session.get(Garden, 1)
    if garden is None:
        raise NotFound(_("There is no garden yet. Replay the invented one instead."))
    belief = site_belief(before=before)
    plots = list(db.session.scalars(select(Plot).order_by(Plot.id)))
    rows = db.session.execute(
        select(Planting, CropStage)
        .join(CropStage, CropStage.id == Planting.stage_id)
        .where(Planting.ended_at.is_(None))
        .order_by(Planting.id)
    )
    plantings = []
    for planting, stage in rows:
        hardiness = hardiness_of(stage)
        plantings.append(
            ReplayPlanting(
                need=need_of(planting, bare_damage=0.0),
                hardiness=hardiness,
                bearing=hardiness.at(0.0),
                offset=belief.offsets[planting.plot_id].estimate,
            )
        )
    if not plantings:
        raise Refused(
            _("Nothing grows in the garden yet. Add plantings, or replay the invented one.")
        )
    pools, priors, under = _current_pools()
    return ReplayGarden(
        plots=tuple(site_of(plot) for plot in plots),
        plantings=tuple(plantings),
        pools=tuple(pools.values()),
        treatments=_treatments(pools, priors, under, has_shelter=garden.shelter_spaces > 0),
        shelter_spaces=garden.shelter_spaces,
        shelter_minutes_per_pot=SHELTER_MINUTES_PER_POT,
        minutes_budget=garden.minutes_budget,
        worth_per_minute=WORTH_PER_MINUTE,
    )


def _current_pools() -> tuple[dict[Id, CoverPool], dict[Id, LiftPrior], set[Id]]:
    """Covers alike for the solver, by kind and, where kept to own plots, by owner."""
    held_by: dict[int, set[Id]] = defaultdict(set)
    for plot_id, member_id in db.session.execute(select(PlotHolder.plot_id, PlotHolder.member_id)):
        held_by[member_id].add(plot_id)
    covers = db.session.scalars(
        select(Cover)
        .where(Cover.is_usable.is_(True), Cover.condition != "broken")
        .options(joinedload(Cover.cover_kind))
        .order_by(Cover.id)
    )
    counts: Counter[tuple[int, int | None]] = Counter()
    kinds: dict[int, CoverKind] = {}
    for cover in covers:
        owner_id = cover.owner_id if cover.lending == "own plots" else None
        counts[cover.class_id, owner_id] += 1
        kinds[cover.class_id] = cover.cover_kind
    pools: dict[Id, CoverPool] = {}
    priors: dict[Id, LiftPrior] = {}
    under: set[Id] = set()
    for (class_id, owner_id), count in counts.items():
        kind = kinds[class_id]
        key = f"{class_id}" if owner_id is None else f"{class_id}@{owner_id}"
        pools[key] = pool_of(
            key,
            kind,
            count,
            allowed=None if owner_id is None else frozenset(held_by[owner_id]),
        )
        priors[key] = prior_of(kind)
        if kind.goes_under:
            under.add(key)
    return pools, priors, under


def _treatments(
    pools: Mapping[Id, CoverPool],
    priors: Mapping[Id, LiftPrior],
    under: set[Id],
    *,
    has_shelter: bool,
) -> tuple[ReplayTreatment, ...]:
    """Every cover alone, the warmest stacks with a sheet under a cover, and the shelter."""
    found = [
        ReplayTreatment(Treatment(key, (key,), pool.label), priors[key], pool.is_draped)
        for key, pool in pools.items()
    ]
    stacks = [
        ReplayTreatment(
            Treatment(
                f"{outer}+{inner}",
                (outer, inner),
                f"{pools[outer].label} with {pools[inner].label} under it",
            ),
            stacked(priors[outer], priors[inner]),
            pools[inner].is_draped,
            priors[outer],
        )
        for outer in pools
        for inner in pools
        if inner in under and outer not in under
    ]
    stacks.sort(key=lambda item: -item.lift.clear.mean)
    found += stacks[:MOST_STACKS]
    if has_shelter:
        found.append(
            ReplayTreatment(Treatment(SHELTER, (), "carry to the shelter"), shelter_prior()[0])
        )
    return tuple(found)


# --- the invented garden ----------------------------------------------------------------------

# Crop, stage, plants at once, how much its holder minds, in a movable pot.
_GROWN: tuple[tuple[str, str, tuple[int, int], str, bool], ...] = (
    ("tomato", "young plant", (2, 8), "much", False),
    ("French bean", "young plant", (6, 16), "little", False),
    ("basil", "plant", (1, 4), "little", True),
    ("potato", "emerging shoots", (6, 16), "much", False),
    ("strawberry", "full bloom", (6, 16), "dearly", False),
    ("strawberry", "tight bud", (6, 16), "much", False),
    ("lettuce", "leafing or hearting", (6, 16), "little", False),
    ("lettuce", "winter type, rosette", (8, 20), "much", False),
    ("chard", "leaves", (4, 9), "much", False),
    ("pea", "before flowering", (12, 30), "much", False),
    ("cauliflower", "young plant or leaves", (4, 8), "much", False),
    ("kale", "young plant or leaves", (4, 9), "little", False),
    ("broad bean", "young plant", (10, 24), "much", False),
    ("spinach", "leaves", (10, 24), "little", False),
    ("rosemary", "plant in winter", (1, 2), "much", True),
    ("lemon", "plant in a pot", (1, 2), "dearly", True),
)
# Construction and how many of it hang in the shed.
_OWNED: tuple[tuple[str, int], ...] = (
    ("fleece_medium", 5),
    ("fleece_heavy", 2),
    ("sheet", 4),
    ("blanket", 3),
    ("hooped_fleece", 3),
    ("cold_frame", 3),
    ("box_frame", 2),
    ("tote", 6),
    ("cardboard_box", 8),
    ("bottle", 12),
)


def invented_garden(*, plots: int = 16, plantings_per_plot: int = 4) -> ReplayGarden:
    """A small garden with tender and hardy plants and the covers people have; always the same.

    Plants and covers have their published values. Raises OutOfRange for fewer than one plot or
    planting.
    """
    if plots < 1 or plantings_per_plot < 1:
        raise OutOfRange("an invented garden has at least one plot and one planting in it")
    rng = random.Random(GARDEN_SEED)  # noqa: S311 -- an invented garden, not a secret
    stages = {(stage.crop, stage.stage): stage for stage in reference.load_stages()}
    constructions = {built.key: built for built in reference.load_constructions()}
    sites = []
    plantings: list[ReplayPlanting] = []
    for number in range(1, plots + 1):
        length_cm, width_cm = rng.choice(((1000.0, 500.0), (600.0, 300.0), (300.0, 240.0)))
        site = PlotSite(f"plot {number}", length_cm, width_cm, 120.0, rng.choice((0.5, 1.0, 1.5)))
        sites.append(site)
        offset = Estimate(rng.choice((0.0, 0.0, 0.0, -1.0, 0.5)), 0.7)
        for grown in rng.sample(_GROWN, plantings_per_plot % (len(_GROWN) + 1)):
            plantings.append(_invented(len(plantings) + 1, site, offset, grown, stages, rng))
    pools: dict[Id, CoverPool] = {}
    priors: dict[Id, LiftPrior] = {}
    for key, count in _OWNED:
        built = constructions[key]
        pools[key] = _invented_pool(built, max(1, round(count * plots / 16)))
        priors[key] = LiftPrior(
            clear=Estimate(built.clear_mean_k, built.clear_sd_k),
            cloudy=Estimate(built.cloudy_mean_k, built.cloudy_sd_k),
            leaf_shield=built.leaf_shield,
        )
    under: set[Id] = {key for key in pools if constructions[str(key)].drapes}
    under = {key for key in under if constructions[str(key)].may_touch}
    return ReplayGarden(
        plots=tuple(sites),
        plantings=tuple(plantings),
        pools=tuple(pools.values()),
        treatments=_treatments(pools, priors, under, has_shelter=True),
        shelter_spaces=6,
        shelter_minutes_per_pot=SHELTER_MINUTES_PER_POT,
        minutes_budget=None,
        worth_per_minute=WORTH_PER_MINUTE,
    )


def _invented(
    number: int,
    site: PlotSite,
    offset: Estimate,
    grown: tuple[str, str, tuple[int, int], str, bool],
    stages: Mapping[tuple[str, str], StageDefault],
    rng: random.Random,
) -> ReplayPlanting:
    crop, stage_name, (fewest, most), mind, in_pot = grown
    stage = stages[crop, stage_name]
    hardiness = published_hardiness(stage)
    count = rng.randint(fewest, most)
    return ReplayPlanting(
        need=PlantingNeed(
            id=f"{number} {crop}",
            plot_id=site.id,
            count=count,
            spread_cm=stage.default_spread_cm,
            height_cm=stage.default_height_cm,
            worth=worth_of_plant(mind, per="plant", spread_cm=stage.default_spread_cm),
            bare_damage=0.0,
            is_movable_pot=in_pot,
        ),
        hardiness=hardiness,
        bearing=hardiness.at(0.0),
        offset=offset,
    )


def _invented_pool(built: ConstructionDefault, count: int) -> CoverPool:
    return CoverPool(
        id=built.key,
        label=built.label,
        count=count,
        inner_length_cm=built.inner_length_cm,
        inner_width_cm=built.inner_width_cm,
        inner_height_cm=None if built.drapes else built.inner_height_cm,
        outer_length_cm=built.outer_length_cm,
        outer_width_cm=built.outer_width_cm,
        is_rigid=built.is_rigid,
        may_touch=built.may_touch,
        clearance_cm=CLEARANCE_CM,
        minutes=built.minutes,
        gust_limit_mps=built.gust_limit_mps,
    )
