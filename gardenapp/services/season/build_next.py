"""What to build or mend next: the loss that one more of each cover would have avoided.

The garden as it stands is taken through the nights of winters past. On each night that endangers
anything the covers are given out twice, as they are and with one more of a kind, by the quick
allocation that takes the best next cover again and again: no integer program, so the figures rank
and do not promise. The same night then happens to both (the same draws of sky, plots and lifts),
so that luck does not decide between two designs. Work grows with the nights and no faster.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.models.builds import ClimateNight
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member
from gardenapp.models.replays import ReplayRun
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import covered_by, uses_of
from gardenapp.science.allocation.problem import (
    CoverPool,
    Id,
    PlantingNeed,
    Problem,
    Treatment,
)
from gardenapp.science.allocation.weights import CLEARANCE_CM, SAFE_BELOW
from gardenapp.science.covers.lift import TOUCHING_UNDER_SHEET
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import leaf_k
from gardenapp.science.season.hardened import HardenedGarden
from gardenapp.science.season.one_more import fill_with_one_more
from gardenapp.science.season.outlook import season_of, season_outlook
from gardenapp.science.season.replay import (
    Expected,
    ReplaySettings,
    Truth,
    night_outlook,
    problem_of,
)
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting, ReplayTreatment
from gardenapp.services.builds.designing import Candidate, Wanted, suggest
from gardenapp.services.builds.shapes import Need
from gardenapp.services.clockwork import get_garden, night_at
from gardenapp.services.garden.lift_priors import prior_of
from gardenapp.services.night.standing import pool_of
from gardenapp.services.season import replay
from gardenapp.services.season.replay import BUILD_NEXT, RunView, Step
from gardenapp.services.season.replay_gardens import current_garden
from gardenapp.words import _

MOST_DESIGNS = 12
MOST_MENDS = 6
SEED = 1
DRAWS = 2_000
FRACTION = 0.8
# Hours to build one, from memory and our own: half an hour to begin with, four minutes for each
# saw cut, one and a half for each fixing, ten for each sheet. Mending takes an hour.
_START_H, _CUT_H, _FIXING_H, _SHEET_H, MEND_H = 0.5, 4 / 60, 1.5 / 60, 10 / 60, 1.0
_FLAT = 3.0**0.5


@dataclass(frozen=True)
class Extra:
    """One more of something: a pool of one, how it treats plants, and what it costs."""

    key: str
    title: str
    what: str  # build, mend
    pool: CoverPool
    treatment: ReplayTreatment
    hours: float
    cost: float | None
    outer_mm: tuple[float, ...] = ()
    cover_ids: tuple[int, ...] = ()


@dataclass(frozen=True)
class Ranked:
    """What one more would have avoided a winter, with its spread over winters and draws."""

    key: str
    title: str
    what: str
    avoided: float
    low: float | None
    high: float | None
    nights: int
    hours: float
    cost: float | None
    outer_mm: tuple[float, ...]


# --- what could be added ----------------------------------------------------------------------


def find_extras(*, garden: ReplayGarden, member: Member) -> tuple[Extra, ...]:
    """Each design the store can build now, drawn for the plants most at risk, and each mending."""
    extras = [_of_design(one) for one in _designs(garden, member)]
    return (*extras[:MOST_DESIGNS], *_mends()[:MOST_MENDS])


def _designs(garden: ReplayGarden, member: Member) -> list[Candidate]:
    """Designs for the most tender plantings in turn, each shape and size once."""
    plots = {plot.id: plot for plot in garden.plots}
    seen: dict[tuple[object, ...], Candidate] = {}
    sizes_seen: set[tuple[float, float, Id]] = set()
    for planting in sorted(garden.plantings, key=lambda p: p.offset.mean - p.threshold_c):
        need_ = planting.need
        size = (need_.height_cm, need_.spread_cm, need_.plot_id)
        if size in sizes_seen:
            continue
        sizes_seen.add(size)
        if len(sizes_seen) > 8 or len(seen) >= 2 * MOST_DESIGNS:
            break
        plot = plots[need_.plot_id]
        bed_cm = plot.bed_width_cm or plot.width_cm
        need = Need(
            need_.height_cm * 10.0,
            need_.spread_cm * 10.0,
            need_.count,
            None if plot.length_cm is None else plot.length_cm * 10.0,
            None if bed_cm is None else bed_cm * 10.0,
        )
        try:
            found = suggest(wanted=Wanted(need), member=member)
        except OutOfRange:
            continue  # plants or a plot of a size that no cover has
        for one in found:
            if one.is_buildable:
                key = (one.shape, *(round(side / 50.0) for side in one.design.outer_mm))
                seen.setdefault(key, one)
    return list(seen.values())


def _of_design(one: Candidate) -> Extra:
    found = one.design
    inner = [size / 10.0 for size in found.inner_mm]
    outer = [size / 10.0 for size in found.outer_mm]
    assert found.lift is not None
    key = f"build {one.shape} {outer[0]:.0f} {outer[1]:.0f} {outer[2]:.0f}"
    pool = CoverPool(
        id=key,
        label=found.title,
        count=1,
        inner_length_cm=inner[0],
        inner_width_cm=inner[1],
        inner_height_cm=inner[2],
        outer_length_cm=outer[0],
        outer_width_cm=outer[1],
        is_rigid=True,
        may_touch=False,
        clearance_cm=CLEARANCE_CM,
        minutes=6.0 if found.needs_two_people else 3.0,
    )
    hours = (
        _START_H
        + _CUT_H * sum(part.count for part in found.parts)
        + _FIXING_H * sum(min(item.count, 60) for item in found.items if item.mass_kg < 0.1)
        + _SHEET_H * sum(sheet.count for sheet in found.film)
    )
    treatment = ReplayTreatment(Treatment(key, (key,), found.title), found.lift.prior)
    return Extra(
        key, found.title, "build", pool, treatment, hours, one.cost, outer_mm=found.outer_mm
    )


def _mends() -> list[Extra]:
    """One extra for each kind that has a broken cover in the store."""
    broken = db.session.scalars(
        select(Cover)
        .where(Cover.condition == "broken", Cover.status.in_(("here", "out")))
        .options(joinedload(Cover.cover_kind))
        .order_by(Cover.label, Cover.id)
    )
    kinds: dict[int, list[Cover]] = {}
    for cover in broken:
        kinds.setdefault(cover.class_id, []).append(cover)
    found = []
    for class_id, covers in kinds.items():
        kind = covers[0].cover_kind
        key = f"mend {class_id}"
        pool = pool_of(key, kind, 1)
        treatment = ReplayTreatment(
            Treatment(key, (key,), kind.name), prior_of(kind), pool.is_draped
        )
        title = f"{covers[0].label} ({kind.name})"
        found.append(
            Extra(
                key,
                title,
                "mend",
                pool,
                treatment,
                MEND_H,
                None,
                cover_ids=tuple(cover.id for cover in covers),
            )
        )
    return found


# --- through the nights -----------------------------------------------------------------------


def rank(
    garden: ReplayGarden,
    nights: Sequence[ReplayNight],
    extras: Sequence[Extra],
    *,
    latitude: float,
    seed: int = SEED,
) -> Iterator[Step]:
    """Take the garden through the nights with and without one more of each.

    Yields a step after each night; the last carries the ranking as plain values.

    Raises OutOfRange without nights or extras.
    """
    if not nights:
        raise OutOfRange(_("There are no nights to look at."))
    if not extras:
        raise OutOfRange(_("There is nothing to build from the shed and nothing to mend."))
    settings = ReplaySettings(
        seed=seed, safe_below=SAFE_BELOW, touching_fraction=TOUCHING_UNDER_SHEET
    )
    plots = random.Random(f"{seed} plots")  # noqa: S311 -- a simulation
    plot_draws: dict[Id, float] = {plot.id: plots.uniform(-_FLAT, _FLAT) for plot in garden.plots}
    avoided: dict[str, dict[int, float]] = {extra.key: {} for extra in extras}
    useful: dict[str, int] = {extra.key: 0 for extra in extras}
    is_northern = latitude >= 0.0
    lows = [(night.night_of, night.low_c) for night in nights]
    seasons = set(season_outlook(lows, [0.0], is_northern=is_northern).seasons)
    has_whole_winters = bool(seasons)
    if not seasons:  # too short a record for a whole winter: take what there is, and say so
        seasons = {season_of(night.night_of, is_northern=is_northern) for night in nights}
    risky = 0
    mildest = _mildest_low_c(garden)
    evenings = _Evenings(garden, nights, extras, settings, latitude=latitude)
    for done, night in enumerate(nights, start=1):
        season = season_of(night.night_of, is_northern=is_northern)
        if season in seasons and night.low_c <= mildest:
            evening = evenings.on(night)
            if evening is not None:
                risky += 1
                rng = random.Random(f"{seed} {night.night_of}")  # noqa: S311 -- a simulation
                truth = Truth(evenings.garden, night, plot_draws, settings, rng)
                for extra_key, changes in evening.changes.items():
                    total = avoided[extra_key]
                    less = _loss_avoided(evening.plantings, changes, truth)
                    total[season] = total.get(season, 0.0) + less
                    useful[extra_key] += 1
        if done < len(nights):
            yield Step(done)
    winters = sorted(seasons)
    rows = [_ranked(extra, avoided[extra.key], winters, useful[extra.key]) for extra in extras]
    rows.sort(key=lambda row: (-row.avoided, row.hours, row.key))
    yield Step(
        len(nights),
        {
            "nights": len(nights),
            "risky_nights": risky,
            "winters": len(winters),
            "has_whole_winters": has_whole_winters,
            "first_night": nights[0].night_of.isoformat(),
            "last_night": nights[-1].night_of.isoformat(),
            "rows": [_as_dict(row) for row in rows],
        },
    )


# How finely hardiness is told apart here: covers are given out once for nights alike.
_STATES = 5
# Plantings in a state under a low said, whose expected losses are kept at one time.
_MOST_EXPECTED = 20_000


def _mildest_low_c(garden: ReplayGarden) -> float:
    """Above this low nothing in the garden can be in danger, by a wide margin. [°C]"""
    whole = leaf_k(Estimate(1.0, 0.0))
    return max(
        p.hardiness.soft.harm.t50_c
        + 4.0 * p.hardiness.soft.harm.sd_k
        - p.offset.mean
        + 4.0 * p.offset.sd
        - 3.0 * whole.mean
        for p in garden.plantings
    )


class _Change(NamedTuple):
    """So many plants more, or fewer below 0, of a planting are under a treatment, or bare: None."""

    place: int
    treatment_id: Id | None
    plants: int


Changes = Mapping[str, tuple[_Change, ...]]
"""What an extra changes, by its key."""


class _Evening(NamedTuple):
    """What each extra changes, and the plantings changed, by place, as hardy as they are then."""

    changes: Changes
    plantings: Mapping[int, ReplayPlanting]


class _Evenings:
    """How the covers are given out on each evening, reckoned once for evenings that are alike.

    Nights whose dew point, cloud and wind nobody recorded differ by their low alone, and no
    forecast knows it better than to half a degree. Of those, many differ only by what plants bear
    that are safe either way, and put the same question to the allocation. What is kept grows with
    the evenings that are not alike: at most one entry a night, gone with the run.
    """

    def __init__(
        self,
        garden: ReplayGarden,
        nights: Sequence[ReplayNight],
        extras: Sequence[Extra],
        settings: ReplaySettings,
        *,
        latitude: float,
    ) -> None:
        self._extras = extras
        self._settings = settings
        # All extras are known to the night and to what happens, so that each gets the same draws.
        self.garden = replace(
            garden,
            pools=(*garden.pools, *(replace(extra.pool, count=0) for extra in extras)),
            treatments=(*garden.treatments, *(extra.treatment for extra in extras)),
        )
        self._hardened = HardenedGarden(self.garden, nights, latitude=latitude)
        self._evenings: dict[tuple[object, ...], _Evening | None] = {}
        self._changes: dict[tuple[object, ...], Changes] = {}
        self._expected: Expected = {}

    def on(self, night: ReplayNight) -> _Evening | None:
        """The evening of a night, its low said to half a degree; None: nothing is in danger."""
        said_c = round(night.low_c * 2.0) / 2.0
        states = self._hardened.states(night.night_of, steps=_STATES)
        key = (said_c, night.cloud_fraction, night.wind_mps, night.gust_mps, states)
        if key not in self._evenings:
            garden = self._hardened.on(night.night_of, steps=_STATES)
            self._evenings[key] = self._reckoned(garden, replace(night, low_c=said_c))
        return self._evenings[key]

    def _reckoned(self, garden: ReplayGarden, night: ReplayNight) -> _Evening | None:
        said, safe_below = Estimate(night.low_c, 0.0), self._settings.safe_below
        if len(self._expected) > _MOST_EXPECTED:
            self._expected.clear()
        outlook = night_outlook(garden, night, said, self._settings, known=self._expected)
        if not outlook.covered:
            return None
        in_danger = tuple(item for item in outlook.bare.items() if item[1] >= safe_below)
        key = (in_danger, tuple(outlook.covered.items()), night.gust_mps)
        if key not in self._changes:
            problem = problem_of(garden, outlook, gust_mps=night.gust_mps, safe_below=safe_below)
            self._changes[key] = _changes(problem, self._extras)
        changes = self._changes[key]
        places = {change.place for changed in changes.values() for change in changed}
        return _Evening(changes, {place: garden.plantings[place] for place in places})


def _changes(problem: Problem, extras: Sequence[Extra]) -> Changes:
    """What giving the covers out with each extra changes.

    An extra whose allocation is expected to do no better is left in the store.
    """
    added = frozenset(extra.pool.id for extra in extras)
    pools = tuple(replace(p, count=1) if p.id in added else p for p in problem.pools)
    found = fill_with_one_more(prepare(replace(problem, pools=pools)), added)
    without = covered_by(uses_of(found.without))
    return {
        extra.key: _difference(problem.plantings, without, covered_by(uses_of(tally)))
        for extra in extras
        if (tally := found.with_one.get(extra.pool.id)) is not None
        and tally.objective > found.without.objective + 1e-9
    }


def _difference(
    plantings: Sequence[PlantingNeed],
    without: Mapping[Id, Mapping[Id, int]],
    with_one: Mapping[Id, Mapping[Id, int]],
) -> tuple[_Change, ...]:
    """Only the plantings that stand under something else with the extra than without."""
    found = []
    for place, planting in enumerate(plantings):
        before, after = without.get(planting.id, {}), with_one.get(planting.id, {})
        if before == after:
            continue
        for treatment_id in {**before, **after}:
            plants = after.get(treatment_id, 0) - before.get(treatment_id, 0)
            if plants:
                found.append(_Change(place, treatment_id, plants))
        left_bare = sum(before.values()) - sum(after.values())
        if left_bare:
            found.append(_Change(place, None, left_bare))
    return tuple(found)


def _loss_avoided(
    plantings: Mapping[int, ReplayPlanting], changes: Sequence[_Change], truth: Truth
) -> float:
    """How much less is lost than without these changes, in the garden's worth."""
    less = 0.0
    for place, treatment_id, plants in changes:
        planting = plantings[place]
        less -= plants * truth.lost(planting, treatment_id) * planting.need.worth
    return less


def _ranked(extra: Extra, by_season: Mapping[int, float], winters: list[int], used: int) -> Ranked:
    totals = np.array([by_season.get(season, 0.0) for season in winters])
    low = high = None
    if len(winters) > 1:
        rng = np.random.default_rng(SEED)
        means = totals[rng.integers(0, len(totals), size=(DRAWS, len(totals)))].mean(axis=1)
        tail = (1.0 - FRACTION) / 2.0
        low, high = (float(value) for value in np.quantile(means, [tail, 1.0 - tail]))
    return Ranked(
        extra.key,
        extra.title,
        extra.what,
        float(totals.mean()),
        low,
        high,
        used,
        extra.hours,
        extra.cost,
        extra.outer_mm,
    )


def _as_dict(row: Ranked) -> dict[str, Any]:
    return {
        "key": row.key,
        "title": row.title,
        "what": row.what,
        "avoided": round(row.avoided, 4),
        "low": None if row.low is None else round(row.low, 4),
        "high": None if row.high is None else round(row.high, 4),
        "nights": row.nights,
        "hours": round(row.hours, 2),
        "cost": None if row.cost is None else round(row.cost, 2),
        "outer_mm": list(row.outer_mm),
    }


# --- runs -------------------------------------------------------------------------------------


def past_nights() -> tuple[ReplayNight, ...]:
    """The imported nights in order; they hold lows and nothing of the sky."""
    return tuple(
        ReplayNight(night_of=night_of, low_c=low_c, measured_on=night_of)
        for night_of, low_c in db.session.execute(
            select(ClimateNight.night_of, ClimateNight.low_c).order_by(ClimateNight.night_of)
        )
    )


def start_ranking(
    *,
    member: Member,
    now: datetime,
    context: Callable[[], AbstractContextManager[Any]],
    clock: Callable[[], datetime],
) -> int:
    """Begin to rank what to build or mend, in the background; gives the run's id.

    Raises Refused where no past nights are known, nothing grows, nothing can be built or mended,
    or a run is going on.
    """
    nights = past_nights()
    if not nights:
        raise Refused(
            _("There are no past nights yet. A coordinator imports them on the season’s page.")
        )
    place = get_garden()
    before: date = night_at(now, ZoneInfo(place.time_zone))
    garden = current_garden(before=before)
    extras = find_extras(garden=garden, member=member)
    if not extras:
        raise Refused(
            _(
                "The shed has too little for any design, and nothing in it is broken. Add the "
                "materials you have."
            )
        )
    run = ReplayRun(
        started_at=now,
        started_by_id=member.id,
        record="what to build next",
        garden=BUILD_NEXT,
        covers=f"{len(extras)} to compare",
        seed=SEED,
        nights_total=len(nights),
        heard_at=now,
        result=None,
        finished_at=None,
    )
    return replay.begin_run(
        run=run,
        steps=lambda: rank(garden, nights, extras, latitude=place.latitude),
        detail=f"{len(nights)} nights, {len(extras)} to compare",
        context=context,
        clock=clock,
    )


def list_rankings(*, now: datetime) -> list[RunView]:
    """The newest first."""
    return replay.list_runs(now=now, kind=BUILD_NEXT)


def get_ranking(run_id: int, *, now: datetime) -> RunView:
    """One ranking as it is. Raises NotFound."""
    return replay.get_run(run_id, now=now, kind=BUILD_NEXT)


def stop_ranking(*, run_id: int, member_id: int, now: datetime) -> None:
    """Ask a ranking to stop. Raises NotFound, and Refused where it has ended."""
    get_ranking(run_id, now=now)
    replay.stop_run(run_id=run_id, member_id=member_id, now=now)
