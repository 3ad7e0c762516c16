"""How hardened each planting is on a day, from the weather it has had or what somebody said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.science.night.bearing import Bearing, Hardiness
from gardenapp.science.night.damage import hours_below_on_day
from gardenapp.science.night.exposure import radiative_share
from gardenapp.science.night.hardening import Filled, Floats, Kinds, course, filled, seasonal_share
from gardenapp.science.night.root_ball import USUAL_POT_L, Before, Pot, Roots, carried
from gardenapp.services.clockwork import get_garden, tonight
from gardenapp.services.garden import blossom
from gardenapp.services.garden.crop_learning import learnt_shifts
from gardenapp.services.garden.hardiness import hardiness_of
from gardenapp.services.garden.weather import Series, series

# What a plot's offset of clear calm nights is on the night nobody knows; its days feel half of it.
_USUAL_SHARE = radiative_share(cloud_fraction=None, wind_mps=None).mean
_OF_THE_MEAN = 0.5
MOVED_SINCE_DAYS = 21
"""Days for which shoots in bud are taken to have moved where nobody said when. From memory."""

TOLD_DAYS = 3
"""Days over which a change is told."""


@dataclass(frozen=True, slots=True)
class State:
    """Where a planting stands between soft (0) and as hard as in midwinter (1).

    before : the same so many days ago (`TOLD_DAYS`). by_weather : what the weather alone would
    say, where somebody said otherwise. is_uncertain : the weather of the last weeks is not whole.
    """

    share: float
    before: float
    by_weather: float | None = None
    is_uncertain: bool = False


FIXED = State(0.0, 0.0)
"""Of plants whose cold limit the weather does not move."""


def states_of(
    plantings: Iterable[Planting],
    stages: Mapping[int, CropStage],
    offsets: Mapping[int, float],
    *,
    on: date,
) -> dict[int, State]:
    """The state of each planting on a day, by id.

    stages : of each planting, by its id. offsets : of each plot on a clear calm night. [K]
    """
    latitude = get_garden().latitude
    by_stage = {stage.id: stage for stage in stages.values()}
    moved = {number: hardiness_of(stage).is_moved for number, stage in by_stage.items()}
    found: dict[int, State] = {}
    moving = []
    for planting in plantings:
        found[planting.id] = FIXED
        if moved[stages[planting.id].id]:
            moving.append(planting)
    if not moving:
        return found
    days = series(until=on)
    whole = filled(days.min_c, days.mean_c)
    usual = np.array(
        [seasonal_share(days.first + timedelta(days=n), latitude) for n in range(len(days.min_c))]
    )
    by_weather = _courses(moving, stages, offsets, days, whole, usual, with_words=False)
    said = [planting for planting in moving if planting.state_on is not None]
    by_word = _courses(said, stages, offsets, days, whole, usual, with_words=True) if said else None
    places = {planting.id: index for index, planting in enumerate(said)}
    is_uncertain = bool(whole.is_uncertain[-1])
    for index, planting in enumerate(moving):
        shares = by_weather[:, index]
        if by_word is None or planting.id not in places:
            found[planting.id] = _state(shares, is_uncertain)
            continue
        state = _state(by_word[:, places[planting.id]], is_uncertain)
        found[planting.id] = State(state.share, state.before, float(shares[-1]), state.is_uncertain)
    return found


def _state(shares: Floats, is_uncertain: bool) -> State:
    return State(float(shares[-1]), float(shares[-1 - TOLD_DAYS]), None, is_uncertain)


def _courses(
    plantings: list[Planting],
    stages: Mapping[int, CropStage],
    offsets: Mapping[int, float],
    days: Series,
    whole: Filled,
    usual: Floats,
    *,
    with_words: bool,
) -> Floats:
    shift = np.array([offsets.get(planting.plot_id, 0.0) for planting in plantings])
    start, begins = np.full(len(plantings), usual[0]), np.zeros(len(plantings), dtype=np.int64)
    if with_words:
        for index, planting in enumerate(plantings):
            assert planting.state_share is not None and planting.state_on is not None
            start[index] = planting.state_share
            # The day it was said of is over with what was said of it.
            begins[index] = days.index(planting.state_on) + 1
    return course(
        min_c=whole.min_c[:, None] + _USUAL_SHARE * shift,
        mean_c=whole.mean_c[:, None] + _USUAL_SHARE * _OF_THE_MEAN * shift,
        kinds=Kinds.of(
            [stages[planting.id].hardens for planting in plantings],
            moved_on=[_moved_on(planting, days) for planting in plantings],
        ),
        start=start,
        begins=begins,
        usual=usual,
        is_said=np.full(len(plantings), with_words),
    )


def _moved_on(planting: Planting, days: Series) -> int:
    """When stems or buds began to move: on the day the stage was seen, or some weeks ago."""
    if planting.stage_on is not None:
        return days.index(planting.stage_on)
    return len(days.sources) - MOVED_SINCE_DAYS


def bearings_of(
    plantings: Iterable[Planting],
    stages: Mapping[int, CropStage],
    states: Mapping[int, State],
    learnt: Mapping[int, float],
) -> dict[int, Bearing]:
    """What each planting bears in its state, by id; those alike share one record.

    learnt : how much warmer each crop is harmed here than published, by the crop's id. [K]
    """
    known: dict[tuple[int, float], Bearing] = {}
    hardiness: dict[int, Hardiness] = {}
    found: dict[int, Bearing] = {}
    for planting in plantings:
        number = stages[planting.id].id
        if number not in hardiness:
            hardiness[number] = hardiness_of(stages[planting.id])
        key = (number, round(states[planting.id].share, 3))
        if key not in known:
            shift_k = learnt.get(stages[planting.id].crop_id, 0.0)
            known[key] = hardiness[number].at(key[1]).shifted(shift_k)
        found[planting.id] = known[key]
    return found


POT_DAYS = 14
"""Days after which a pot has forgotten how it began: the biggest thaws in a few."""


CHILL_DAYS = 3
"""Days whose hours of chill still count on a tender crop; recovery is not reckoned. From memory."""


def before_of(
    plantings: Iterable[Planting],
    stages: Mapping[int, CropStage],
    offsets: Mapping[int, float],
    *,
    on: date,
) -> dict[int, Before]:
    """What the days before have done to roots in pots and to tender crops, where they did anything.

    Plants count as bare in those nights.
    """
    chosen = list(plantings)
    potted = [p for p in chosen if p.in_pot and stages[p.id].root_kill_c is not None]
    tender = [p for p in chosen if stages[p.id].chilling_c is not None]
    if not potted and not tender:
        return {}
    days = series(until=on, days=POT_DAYS)
    roots = _roots(potted, days, offsets) if potted else {}
    chilled = {
        p.id: _chilled_h(stages[p.id].chilling_c or 0.0, days, offsets.get(p.plot_id, 0.0))
        for p in tender
    }
    return {
        number: Before(roots.get(number), chilled.get(number, 0.0))
        for number in roots.keys() | chilled.keys()
    }


def _roots(
    potted: Sequence[Planting], days: Series, offsets: Mapping[int, float]
) -> dict[int, Roots]:
    pots = [Pot(p.pot_l or USUAL_POT_L, p.pot_material, p.pot_is_raised) for p in potted]
    shift = np.array([offsets.get(p.plot_id, 0.0) for p in potted])
    heat = carried(
        pots,
        days.min_c[:, None] + _USUAL_SHARE * shift,
        days.mean_c[:, None] + _USUAL_SHARE * _OF_THE_MEAN * shift,
    )
    return {
        planting.id: Roots(pot, round(float(held)))
        for planting, pot, held in zip(potted, pots, heat, strict=True)
    }


def _chilled_h(chilling_c: float, days: Series, offset_k: float) -> float:
    """Hours below a limit in the last nights before this one. [h]"""
    shift_k = _USUAL_SHARE * offset_k
    recent = zip(days.min_c[-CHILL_DAYS:], days.mean_c[-CHILL_DAYS:], strict=True)
    return round(
        sum(
            hours_below_on_day(float(low) + shift_k, float(mean) + shift_k / 2.0, chilling_c)
            for low, mean in recent
            if not np.isnan(mean)
        ),
        1,
    )


@dataclass(frozen=True, slots=True)
class Today:
    """What a planting bears today, as a page tells it. [°C, K]

    moved_k : how much warmer than `TOLD_DAYS` days ago. by_weather_c : by the weather alone, where
    somebody said otherwise. is_moved : whether the weather moves it at all. stage : where the
    warmth has moved it since it was seen, if anywhere.
    """

    bears_c: float
    moved_k: float
    by_weather_c: float | None
    is_moved: bool
    is_uncertain: bool
    stage_id: int
    stage: str
    stage_seen_on: date | None


def today_in(*, plot_id: int, now: datetime) -> dict[int, Today]:
    """What each living planting of a plot bears today, by its id."""
    plantings = db.session.scalars(
        select(Planting).where(Planting.plot_id == plot_id, Planting.ended_at.is_(None))
    ).all()
    if not plantings:
        return {}
    on = tonight(now)
    stages = stages_of(plantings, on=on)
    states = states_of(plantings, stages, _declared(plantings), on=on)
    learnt = learnt_shifts()
    found = {}
    for planting in plantings:
        hardiness, state = hardiness_of(stages[planting.id]), states[planting.id]
        shift_k = learnt.get(stages[planting.id].crop_id, 0.0)
        bears_c = hardiness.at(round(state.share, 3)).bears_c + shift_k
        word_c = state.by_weather
        found[planting.id] = Today(
            bears_c=bears_c,
            moved_k=bears_c - shift_k - hardiness.at(round(state.before, 3)).bears_c,
            by_weather_c=(
                None if word_c is None else hardiness.at(round(word_c, 3)).bears_c + shift_k
            ),
            is_moved=hardiness.is_moved,
            is_uncertain=hardiness.is_moved and state.is_uncertain,
            stage_id=stages[planting.id].id,
            stage=stages[planting.id].name,
            stage_seen_on=planting.stage_on,
        )
    return found


def bearings_now(plantings: Sequence[Planting], *, on: date) -> dict[int, Bearing]:
    """What each of these plantings bears on a day, its plot's offset being the one declared."""
    if not plantings:
        return {}
    stages = stages_of(plantings, on=on)
    states = states_of(plantings, stages, _declared(plantings), on=on)
    return bearings_of(plantings, stages, states, learnt_shifts())


def _declared(plantings: Sequence[Planting]) -> dict[int, float]:
    plot_ids = {planting.plot_id for planting in plantings}
    plots = db.session.scalars(select(Plot).where(Plot.id.in_(plot_ids)))
    return {plot.id: plot.offset_k for plot in plots}


def stages_of(plantings: Iterable[Planting], *, on: date) -> dict[int, CropStage]:
    """The stage each planting is in on a day, with its crop, by the planting's id.

    The stage that somebody chose, or the one that the warmth since then has moved it to.
    """
    chosen = list(plantings)
    stage_ids = {planting.stage_id for planting in chosen}
    by_id = {
        stage.id: stage
        for stage in db.session.scalars(
            select(CropStage).where(CropStage.id.in_(stage_ids)).options(joinedload(CropStage.crop))
        )
    }
    found = {planting.id: by_id[planting.stage_id] for planting in chosen}
    return found | blossom.stages_by_heat(chosen, found, on=on)
