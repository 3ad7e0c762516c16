"""What reuse has saved: uses, protected nights, costs, plastic, what became of things.

One report covers one season.

All of it follows from the ledger; sizes, costs and dates are what members wrote down. What
nobody wrote down is counted as not known, never as nothing.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.plots import Plot
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.reference import load_materials
from gardenapp.science.store.ledger import ONE, standing_entries
from gardenapp.science.store.reuse import (
    Stay,
    cost_per_night,
    nights_within,
    plastic_kg,
    season_days,
    season_of,
    seasons_in_service,
    stays_of,
    uses_within,
)
from gardenapp.services.clockwork import garden_zone
from gardenapp.services.store.ledger import as_entries
from gardenapp.words import later

# The published table's names for the resin codes; 7 is a mixture and has no density.
DENSITY_NAMES = {
    "1": "PET",
    "2": "HDPE",
    "3": "PVC",
    "4": "LDPE",
    "5": later("polypropylene (PP)"),
    "6": later("polystyrene (PS)"),
    "PC": later("polycarbonate (PC)"),
    "PMMA": later("acrylic (PMMA)"),
}


@dataclass(frozen=True)
class ThingReuse:
    """What use came of one thing. Money in hundredths, mass in kg; None where not known."""

    id: int
    label: str
    kind: str
    uses: int
    nights: int
    nights_so_far: int
    seasons: int
    cost_hundredths: int | None
    cost_per_night: float | None
    plastic_kg: float | None
    off_season_job: str
    photo: str | None


@dataclass(frozen=True)
class Density:
    """A plastic's density as published, and the middle that is counted with. [kg/m³]"""

    material: str
    low: float
    high: float
    source_id: str

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2


@dataclass(frozen=True)
class ReuseReport:
    """A season's report. Money in hundredths, mass in kg."""

    season: int
    first: date
    last: date
    uses: int
    nights: int
    things_used: int
    things: tuple[ThingReuse, ...]
    by_month: tuple[tuple[date, int], ...]
    by_plot: tuple[tuple[str, int], ...]
    by_origin: tuple[tuple[str, int], ...]
    cost_hundredths: int
    costed: int
    cost_per_night: float | None
    plastic_kg: float
    plastic_known: int
    stored_film_kg: float
    densities: tuple[Density, ...]
    gone: tuple[tuple[str, int], ...]
    lots_gone: tuple[tuple[str, str, str, int], ...]


def seasons_with_entries(*, now: datetime) -> tuple[int, ...]:
    """The seasons there is something to report of, the newest first."""
    first = db.session.scalar(select(LedgerEntry.at).order_by(LedgerEntry.at).limit(1))
    newest = season_of(now.astimezone(garden_zone()).date())
    oldest = season_of(first.astimezone(garden_zone()).date()) if first else newest
    return tuple(range(newest, min(oldest, newest) - 1, -1))


@lru_cache(maxsize=16)
def density_of(resin: str) -> Density | None:
    """The published density of a resin code's plastic; None where there is no single one."""
    name = DENSITY_NAMES.get(resin)
    for row in load_materials():
        is_it = row.material == name and row.property == "density"
        if is_it and row.low is not None and row.high is not None:
            return Density(row.material, row.low, row.high, row.source_id)
    return None


def thing_plastic_kg(cover: Cover) -> float | None:
    """Plastic in a thing, at the middle of the published density. [kg]"""
    density = density_of(cover.resin)
    if density is None or cover.film_area_m2 is None or cover.film_thickness_um is None:
        return None
    return plastic_kg(cover.film_area_m2, cover.film_thickness_um, density.middle)


def lot_plastic_kg(lot: Lot) -> float | None:
    """Plastic of a film lot on hand. [kg]"""
    density = density_of(lot.resin)
    if density is None or lot.width_cm is None or lot.thickness_um is None:
        return None
    length_m = lot.on_hand_milli / ONE
    if lot.unit == "piece" and lot.length_mm is not None:
        length_m *= lot.length_mm / 1_000
    elif lot.unit != "m":
        return None
    return plastic_kg(length_m * lot.width_cm / 100, lot.thickness_um, density.middle)


def thing_reuse(*, cover_id: int, now: datetime) -> ThingReuse | None:
    """What use came of one thing in all its time; None where it is not there."""
    cover = db.session.get(Cover, cover_id)
    if cover is None:
        return None
    rows = db.session.scalars(
        select(LedgerEntry).where(LedgerEntry.cover_id == cover_id).order_by(LedgerEntry.number)
    )
    today = now.astimezone(garden_zone()).date()
    return _thing(cover, list(rows), date.min, date.max, today)


def season_report(*, season: int, now: datetime) -> ReuseReport:
    """The report of one season, July to June."""
    zone = garden_zone()
    first, last = season_days(season)
    today = min(now.astimezone(zone).date(), last)
    rows: dict[int, list[LedgerEntry]] = defaultdict(list)
    for row in db.session.scalars(
        select(LedgerEntry)
        .where(LedgerEntry.cover_id.is_not(None))
        .order_by(LedgerEntry.cover_id, LedgerEntry.number)
    ):
        rows[row.cover_id or 0].append(row)
    plots = {plot.id: plot.label for plot in db.session.scalars(select(Plot))}
    things: list[ThingReuse] = []
    months: Counter[date] = Counter()
    by_plot: Counter[str] = Counter()
    origins: Counter[str] = Counter()
    gone: Counter[str] = Counter()
    used: set[str] = set()
    covers = db.session.scalars(select(Cover).options(joinedload(Cover.cover_kind)))
    for cover in covers:
        past = rows.get(cover.id, [])
        came_on, left_on, went_to = _life(cover, past)
        if left_on is not None and first <= left_on <= last:
            gone[went_to] += 1
        if went_to == "mistake" or came_on > last or (left_on is not None and left_on < first):
            continue
        things.append(_thing(cover, past, first, last, today))
        origins[cover.origin] += 1
        if density_of(cover.resin) is not None:
            used.add(cover.resin)
        for stay in _stays(past, today):
            nights = nights_within([stay], first, last)
            by_plot[plots.get(stay.plot_id, "")] += len(nights)
            months.update(night.replace(day=1) for night in nights)
    costed = [thing for thing in things if thing.cost_hundredths is not None]
    cost = sum(thing.cost_hundredths or 0 for thing in costed)
    plastics = [thing.plastic_kg for thing in things if thing.plastic_kg is not None]
    lots = list(db.session.scalars(select(Lot).where(Lot.on_hand_milli > 0)))
    used |= {lot.resin for lot in lots if lot_plastic_kg(lot) is not None}
    densities = [density_of(resin) for resin in sorted(used)]
    things.sort(key=lambda thing: (-thing.nights, -thing.uses, thing.label))
    return ReuseReport(
        season=season,
        first=first,
        last=last,
        uses=sum(thing.uses for thing in things),
        nights=sum(thing.nights for thing in things),
        things_used=sum(thing.uses > 0 for thing in things),
        things=tuple(things),
        by_month=tuple((month, months[month]) for month in _months(first, last)),
        by_plot=tuple(
            sorted(((p, n) for p, n in by_plot.items() if n), key=lambda x: (-x[1], x[0]))
        ),
        by_origin=tuple(sorted(origins.items(), key=lambda x: (-x[1], x[0]))),
        cost_hundredths=cost,
        costed=len(costed),
        cost_per_night=cost_per_night([cost], sum(thing.nights_so_far for thing in costed)),
        plastic_kg=sum(plastics),
        plastic_known=len(plastics),
        stored_film_kg=sum(lot_plastic_kg(lot) or 0.0 for lot in lots),
        densities=tuple(density for density in densities if density is not None),
        gone=tuple(sorted(gone.items(), key=lambda x: (-x[1], x[0]))),
        lots_gone=_lots_gone(first, last),
    )


def _months(first: date, last: date) -> Iterable[date]:
    for number in range(12):
        month = first.month + number
        day = date(first.year + (month - 1) // 12, (month - 1) % 12 + 1, 1)
        if day <= last:
            yield day


def _day(moment: datetime) -> date:
    return moment.astimezone(garden_zone()).date()


def _stays(past: list[LedgerEntry], today: date) -> tuple[Stay, ...]:
    return stays_of(as_entries(past), day_of=_day, today=today)


def _life(cover: Cover, past: list[LedgerEntry]) -> tuple[date, date | None, str]:
    """When it came, when it left (if it did) and where it went."""
    came_on = cover.acquired_on or (_day(past[0].at) if past else date.min)
    standing = standing_entries(as_entries(past))
    last = standing[-1] if standing else None
    if last is not None and last.action == "retired":
        return came_on, _day(last.at), last.went_to or ""
    return came_on, None, ""


def _thing(
    cover: Cover, past: list[LedgerEntry], first: date, last: date, today: date
) -> ThingReuse:
    stays = _stays(past, today)
    so_far = len(nights_within(stays, date.min, min(last, today)))
    came_on, left_on, _went_to = _life(cover, past)
    cost = cover.cost_hundredths
    return ThingReuse(
        id=cover.id,
        label=cover.label,
        kind=cover.cover_kind.name,
        uses=uses_within(stays, first, last),
        nights=len(nights_within(stays, first, last)),
        nights_so_far=so_far,
        seasons=seasons_in_service(came_on, min(left_on or today, today))
        if came_on > date.min
        else 1,
        cost_hundredths=cost,
        cost_per_night=None if cost is None else cost_per_night([cost], so_far),
        plastic_kg=thing_plastic_kg(cover),
        off_season_job=cover.off_season_job,
        photo=cover.photo,
    )


def _lots_gone(first: date, last: date) -> tuple[tuple[str, str, str, int], ...]:
    """Materials that left in the season: name, unit, where, how much."""
    rows = list(
        db.session.execute(
            select(LedgerEntry, Lot)
            .join(Lot, Lot.id == LedgerEntry.lot_id)
            .where(LedgerEntry.action == "retired")
        )
    )
    taken_back = set(
        db.session.scalars(
            select(LedgerEntry.reverses_id).where(LedgerEntry.reverses_id.is_not(None))
        )
    )
    totals: Counter[tuple[str, str, str]] = Counter()
    for entry, lot in rows:
        if entry.id not in taken_back and first <= _day(entry.at) <= last:
            totals[lot.name, lot.unit, entry.went_to or ""] += entry.quantity_milli or 0
    return tuple((name, unit, to, n) for (name, unit, to), n in sorted(totals.items()))
