"""The season ahead, going by the winters behind: chances by date, frosts, nights, worst night."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from statistics import median
from zoneinfo import ZoneInfo

from sqlalchemy import delete, func, select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotAllowed, Refused
from gardenapp.extensions import db
from gardenapp.messages import Words
from gardenapp.models.builds import ClimateNight
from gardenapp.models.people import Garden, Member
from gardenapp.models.plants import CropStage, Planting
from gardenapp.readers.climate import Unit, read_climate
from gardenapp.science.allocation.fit import prepare
from gardenapp.science.allocation.greedy import Tally, covered_by, fill_greedily, uses_of
from gardenapp.science.allocation.weights import SAFE_BELOW
from gardenapp.science.covers.lift import TOUCHING_UNDER_SHEET
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import leaf_k, plant_air_k, radiative_share
from gardenapp.science.season.hardened import HardenedGarden
from gardenapp.science.season.outlook import (
    NightsBelow,
    SeasonOutlook,
    nights_below,
    season_outlook,
)
from gardenapp.science.season.replay import ReplaySettings, night_outlook, problem_of
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden, night_at
from gardenapp.services.garden.weather import keep_record
from gardenapp.services.season.replay_gardens import current_garden
from gardenapp.services.store.covers import natural
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

WORST_ONE_IN = 5.0
AIR_FROST_C = 0.0
PLENTY = 500  # covers of a kind nobody runs out of


@dataclass(frozen=True)
class SourceLine:
    """Where past nights came from and how many of them."""

    source: str
    nights: int
    first_night: date
    last_night: date


@dataclass(frozen=True)
class PlantLine:
    """A planting and how many nights a winter would cost a tenth of what it is worth, bare. [°C]

    `threshold_c` : where that begins in a usual midwinter. `screen_c` : the low at the screen at
    which it does on a middling night, for that is what the record holds.
    """

    name: str
    plot: str
    plot_id: int
    count: int
    threshold_c: float
    screen_c: float
    mean: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class WorstNight:
    """One winter's coldest night in `WORST_ONE_IN`, and what it would ask of the covers. [°C]

    covers : that can be used now; needed : with as many as one liked of every kind the garden has.
    out_of_reach : plants that no cover of the garden's kinds would help.
    """

    low_c: float
    plants_in_danger: int
    plantings_in_danger: int
    covers: int
    needed: int
    covered_now: int
    covered_then: int
    out_of_reach: int


@dataclass(frozen=True)
class SeasonPage:
    """All of the season's page; no outlook without past nights."""

    sources: tuple[SourceLine, ...]
    threshold_c: float
    is_northern: bool
    outlook: SeasonOutlook | None
    plants: tuple[PlantLine, ...]
    worst: WorstNight | None


@dataclass(frozen=True)
class Imported:
    """What an import brought."""

    nights: int
    first_night: date
    last_night: date
    notes: tuple[Words, ...]


def import_climate(
    *,
    data: bytes,
    filename: str,
    unit: Unit | None,
    station: str | None,
    lows_belong_to: str,
    member: Member,
    now: datetime,
) -> Imported:
    """Keep the lows of a past record; a night that is known already takes the new figure.

    Several files add up: ten winters from one and ten from another make twenty.

    Raises NotAllowed, and UnreadableFile with line and column of what is wrong.
    """
    if not member.is_coordinator:
        raise NotAllowed(_("Only a coordinator can import past nights."))
    garden = get_garden()
    reading = read_climate(
        data,
        time_zone=ZoneInfo(garden.time_zone),
        unit=unit,
        station=station,
        daily_low_belongs_to="evening" if lows_belong_to == "evening" else "morning",
    )
    source = f"{filename}, {reading.station}" if reading.station else filename
    keep_record(reading, zone=ZoneInfo(garden.time_zone), newest=now.date())
    # A typical year's months come from different years; its nights are kept at its own dates.
    lows = {night.night_of: night.low_c for night in reading.nights}
    days = sorted(lows)
    with write_transaction(changes_board=False) as session:
        for start in range(0, len(days), 500):
            session.execute(
                delete(ClimateNight).where(ClimateNight.night_of.in_(days[start : start + 500]))
            )
        session.add_all(
            ClimateNight(night_of=day, low_c=lows[day], source=source[:200]) for day in days
        )
        session.flush()
        change_log.record(
            action="past nights brought in",
            subject=source[:200],
            detail=f"{len(days)} nights, {days[0].isoformat()} to {days[-1].isoformat()}",
            at=now,
            member_id=member.id,
        )
    return Imported(len(days), days[0], days[-1], reading.notes)


def forget_climate(*, member: Member, now: datetime) -> int:
    """Take all past nights away; gives how many there were. Raises NotAllowed."""
    if not member.is_coordinator:
        raise NotAllowed(_("Only a coordinator can delete past nights."))
    with write_transaction(changes_board=False) as session:
        count = session.scalar(select(func.count()).select_from(ClimateNight)) or 0
        session.execute(delete(ClimateNight))
        change_log.record(
            action="past nights taken away",
            subject=f"{count} nights",
            at=now,
            member_id=member.id,
        )
    return count


def get_season(*, threshold_c: float, now: datetime) -> SeasonPage:
    """The outlook from the nights there are, for one threshold and for each planting's own."""
    garden = get_garden()
    sources = _sources()
    is_northern = garden.latitude >= 0.0
    if not sources:
        return SeasonPage((), threshold_c, is_northern, None, (), None)
    lows = [
        (night_of, low_c)
        for night_of, low_c in db.session.execute(
            select(ClimateNight.night_of, ClimateNight.low_c).order_by(ClimateNight.night_of)
        )
    ]
    try:
        grown = current_garden(before=night_at(now, ZoneInfo(garden.time_zone)))
    except Refused:  # nothing grows
        grown = None
    wanted = list(dict.fromkeys([AIR_FROST_C, threshold_c]))
    outlook = season_outlook(lows, wanted, is_northern=is_northern, worst_one_in=WORST_ONE_IN)
    worst = None
    plants: tuple[PlantLine, ...] = ()
    if grown is not None:
        nights = [ReplayNight(night_of, low_c, night_of) for night_of, low_c in lows]
        hardened = HardenedGarden(grown, nights, latitude=garden.latitude)
        plants = _plant_lines(grown, hardened, lows, is_northern=is_northern)
        if outlook.worst_c is not None:
            worst = _worst(garden, hardened, lows, outlook.worst_c)
    return SeasonPage(sources, threshold_c, is_northern, outlook, plants, worst)


def _sources() -> tuple[SourceLine, ...]:
    rows = db.session.execute(
        select(
            ClimateNight.source,
            func.count(),
            func.min(ClimateNight.night_of),
            func.max(ClimateNight.night_of),
        )
        .group_by(ClimateNight.source)
        .order_by(func.min(ClimateNight.night_of))
    )
    return tuple(SourceLine(*row) for row in rows)


@dataclass(frozen=True)
class _Nights:
    """How many nights a winter are too cold, and the usual limits of those winters. [°C]"""

    below: NightsBelow
    threshold_c: float
    screen_c: float


def _too_cold(
    planting: ReplayPlanting,
    hardened: HardenedGarden,
    lows: Sequence[tuple[date, float]],
    *,
    is_northern: bool,
) -> _Nights | None:
    """The nights on which a tenth of what a planting is worth would be lost, bare.

    On nights of unknown sky: the plot's offset and the usual fall of air and leaf below the screen;
    its plants as hard as the record's weather had made them.
    """
    share = radiative_share(cloud_fraction=None, wind_mps=None)
    air = plant_air_k(share, planting.need.height_cm / 100.0).mean
    falls_k = share.mean * planting.offset.mean + air + leaf_k(share).mean
    bears = [hardened.bearing(planting, night_of).costly_c for night_of, _low_c in lows]
    over = [
        (night_of, low_c - (limit_c - falls_k))
        for (night_of, low_c), limit_c in zip(lows, bears, strict=True)
    ]
    below = nights_below(over, 0.0, is_northern=is_northern)
    if below is None:
        return None
    winter = [
        limit_c
        for (night_of, _low_c), limit_c in zip(lows, bears, strict=True)
        if night_of.month in ((12, 1, 2) if is_northern else (6, 7, 8))
    ]
    usual_c = median(winter or bears)
    return _Nights(below, usual_c, round(usual_c - falls_k, 1))


def _plant_lines(
    garden: ReplayGarden,
    hardened: HardenedGarden,
    lows: Sequence[tuple[date, float]],
    *,
    is_northern: bool,
) -> tuple[PlantLine, ...]:
    alike: dict[tuple[object, ...], _Nights | None] = {}
    found: dict[int, _Nights] = {}
    for grown in garden.plantings:
        key = (grown.hardiness, grown.offset, grown.need.height_cm)
        if key not in alike:
            alike[key] = _too_cold(grown, hardened, lows, is_northern=is_northern)
        nights = alike[key]
        if nights is not None:
            found[int(grown.need.id)] = nights
    rows: Sequence[Planting] = db.session.scalars(
        select(Planting)
        .where(Planting.ended_at.is_(None))
        .options(joinedload(Planting.plot), joinedload(Planting.stage).joinedload(CropStage.crop))
    ).all()
    lines = []
    for planting in rows:
        if planting.id not in found:
            continue
        nights = found[planting.id]
        lines.append(
            PlantLine(
                planting.name or planting.stage.crop.name,
                planting.plot.label,
                planting.plot_id,
                planting.count,
                nights.threshold_c,
                nights.screen_c,
                nights.below.mean,
                nights.below.low,
                nights.below.high,
            )
        )
    lines.sort(key=lambda line: (-line.mean, natural(line.plot), line.name))
    return tuple(lines)


# The worst night's allocation takes a moment in a large garden and changes with the garden only.
_worst_known: dict[tuple[object, ...], WorstNight] = {}


def _worst(
    place: Garden, hardened: HardenedGarden, lows: Sequence[tuple[date, float]], low_c: float
) -> WorstNight:
    key = (str(db.engine.url), place.version, round(low_c, 2))
    if key not in _worst_known:
        _worst_known.clear()
        # As hard as the plants were on the night of the record that was most like it.
        nearest = min(lows, key=lambda night: abs(night[1] - low_c))[0]
        _worst_known[key] = worst_night(hardened.on(nearest), low_c)
    return _worst_known[key]


def worst_night(garden: ReplayGarden, low_c: float) -> WorstNight:
    """What a night of this low asks of the covers, by the quick allocation. [°C]"""
    settings = ReplaySettings(safe_below=SAFE_BELOW, touching_fraction=TOUCHING_UNDER_SHEET)
    night = ReplayNight(night_of=date(2001, 1, 1), low_c=low_c, measured_on=date(2001, 1, 1))
    outlook = night_outlook(garden, night, Estimate(low_c, 0.0), settings)
    danger = [p for p in garden.plantings if outlook.bare[p.need.id] >= SAFE_BELOW]
    plants = sum(p.need.count for p in danger)
    problem = replace(
        problem_of(garden, outlook, gust_mps=None, safe_below=SAFE_BELOW), minutes_budget=None
    )

    def given_out(count: int | None) -> tuple[int, int]:
        pools = problem.pools
        if count is not None:
            pools = tuple(replace(pool, count=count) for pool in pools)
        uses = uses_of(fill_greedily(Tally(prepare(replace(problem, pools=pools)))))
        shelter = {t.id for t in problem.treatments if t.is_shelter}
        stacked = {t.id: len(t.pool_ids) for t in problem.treatments}
        covers = sum(
            len(use.units) * stacked[use.treatment_id]
            for use in uses
            if use.treatment_id not in shelter
        )
        return covers, sum(sum(under.values()) for under in covered_by(uses).values())

    _, covered_now = given_out(None)
    needed, covered_then = given_out(PLENTY)
    return WorstNight(
        low_c=low_c,
        plants_in_danger=plants,
        plantings_in_danger=len(danger),
        covers=sum(pool.count for pool in garden.pools),
        needed=needed,
        covered_now=covered_now,
        covered_then=covered_then,
        out_of_reach=plants - covered_then,
    )
