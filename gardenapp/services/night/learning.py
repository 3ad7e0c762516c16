"""What the garden's own nights have taught: the forecast's error and the plots' offsets."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotAllowed, NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.forecasts import LIVE, Forecast, ForecastImport
from gardenapp.models.nights import ObservedLow
from gardenapp.models.people import Member, PlotHolder
from gardenapp.models.plots import Plot
from gardenapp.models.types import PLACES
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import height_share, leaf_k, plant_air_k
from gardenapp.science.night.forecast_error import ForecastRecord, forecast_sd_k
from gardenapp.science.night.site_learning import (
    BIAS_PRIOR_K,
    READING_SD_K,
    Learnt,
    LowReading,
    learn_garden,
)
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone, night_at
from gardenapp.services.night.outlook import share_of_night
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# The published spread holds both what is wrong every night and what is wrong on one night; the
# part that changes from night to night is what is left when the standing part is taken out.
FIRST_NIGHT_SD_K = forecast_sd_k(12.0)
NIGHT_SD_K = math.sqrt(FIRST_NIGHT_SD_K**2 - BIAS_PRIOR_K.sd**2)
# Older nights say little about today's forecasts and plots.
LEARN_FROM_DAYS = 730


# What a reading at a place nobody named may be off: it hung anywhere from a screen to the grass.
UNKNOWN_SD_K = 1.5
# And one that was not read where the plants stand.
ELSEWHERE_SD_K = 1.2
# A low so far from what was expected is doubted: a slip of the hand, a lamp, a logger that fell.
DOUBTED_K = 10.0
# Heights of the places by name. [m]
HEIGHT_M = {"plant_shaded": 0.3, "plant_bare": 0.3, "ground_bare": 0.05}


@dataclass(frozen=True)
class SiteBelief:
    """What is believed of the forecast, the plots and the ground after the nights on record.

    `offsets` are those of clear calm nights; `layer` : how far the ground falls beyond the rule
    for it on such nights. [K]
    """

    record: ForecastRecord
    offsets: Mapping[int, Learnt]
    layer: Learnt
    nights: int

    @property
    def clear_offsets(self) -> dict[int, float]:
        """The middle of each plot's offset on a clear calm night, by its id. [K]"""
        return {plot_id: offset.estimate.mean for plot_id, offset in self.offsets.items()}

    @property
    def beyond_k(self) -> float:
        """What of `layer` a plan reckons with: its mean, for the rule's spread holds the rest."""
        return self.layer.estimate.mean if self.layer.nights else 0.0


def site_belief(*, before: date) -> SiteBelief:
    """Learn from every observed low of the nights before `before`."""
    readings, shares = _readings(before)
    learning = learn_garden(
        readings,
        offset_priors={
            plot.id: Estimate(plot.offset_k, max(plot.offset_sd_k, 0.05)) for plot in _plots()
        },
        forecast_sd_k=NIGHT_SD_K,
        clear_shares=shares,
    )
    offsets = {int(str(plot)): learnt for plot, learnt in learning.site.offsets.items()}
    return SiteBelief(learning.record, offsets, learning.site.layer, learning.record.count)


def record_low(
    *,
    night_of: date,
    plot_id: int | None,
    low_c: float,
    member: Member,
    now: datetime,
    place: str = "",
    source: str = "read",
) -> None:
    """Keep the low that was read at a plot, or in the screen where `plot_id` is None.

    place : one of PLACES, empty where nobody knows.

    A holder of the plot or a coordinator may; a second entry replaces the first.
    Raises NotFound, NotAllowed, OutOfRange.
    """
    member_id, may_any = member.id, member.is_coordinator
    with write_transaction():
        write_low(
            night_of=night_of,
            plot_id=plot_id,
            low_c=low_c,
            member_id=member_id,
            may_any=may_any,
            now=now,
            place=place,
            source=source,
        )


def write_low(
    *,
    night_of: date,
    plot_id: int | None,
    low_c: float,
    member_id: int,
    may_any: bool,
    now: datetime,
    place: str,
    source: str,
) -> None:
    """`record_low` inside the caller's transaction; raises the same."""
    session = db.session
    if not -60 <= low_c <= 45:
        raise OutOfRange(_("Enter a low between −60 and 45 °C."))
    if place not in PLACES:
        raise OutOfRange(_("Choose one of the list."), about="place")
    if night_of > night_at(now, garden_zone()):
        raise OutOfRange(_("That night hasn’t come yet."))
    if plot_id is not None and session.get(Plot, plot_id) is None:
        raise NotFound(_("We can’t find that plot."))
    if not may_any and not holds(plot_id, member_id):
        raise NotAllowed(_("Only the plot’s holders and coordinators can save its lows."))
    here = ObservedLow.plot_id.is_(None) if plot_id is None else ObservedLow.plot_id == plot_id
    row = session.scalar(select(ObservedLow).where(ObservedLow.night_of == night_of, here))
    if row is None:
        row = ObservedLow(night_of=night_of, plot_id=plot_id)
        session.add(row)
    row.low_c, row.place, row.source = low_c, place, source[:80]
    row.entered_by_id, row.entered_at = member_id, now
    session.flush()
    change_log.record(
        action="low read",
        subject=f"plot {plot_id}" if plot_id is not None else "screen",
        detail=f"{low_c:.1f} °C, night of {night_of.isoformat()}",
        at=now,
        member_id=member_id,
    )


def holds(plot_id: int | None, member_id: int) -> bool:
    """Whether a member holds a plot; the screen is nobody's."""
    if plot_id is None:
        return False
    return (
        db.session.scalar(
            select(PlotHolder.id).where(
                PlotHolder.plot_id == plot_id, PlotHolder.member_id == member_id
            )
        )
        is not None
    )


def _plots() -> list[Plot]:
    return list(db.session.scalars(select(Plot).order_by(Plot.id)))


def falls_of(lows: Iterable[ObservedLow]) -> dict[int, float]:
    """By low: how far below the air in a screen beside it its thermometer was to be. [K]"""
    kept = [low for low in lows if low.plot_id is not None]
    forecasts = _forecasts({low.night_of for low in kept}) if kept else {}
    return {
        low.id: _fall_k(share_of_night(forecasts[low.night_of]), low.place)
        for low in kept
        if low.night_of in forecasts
    }


def _fall_k(share: Estimate, place: str) -> float:
    if place not in HEIGHT_M:
        return 0.0
    fall_k = plant_air_k(share, HEIGHT_M[place]).mean
    return fall_k + leaf_k(share).mean if place.endswith("bare") else fall_k


def is_doubted(*, night_of: date, plot_id: int | None, low_c: float, place: str) -> bool:
    """Whether a low is too far from that night's forecast for anything to be learnt from it."""
    forecast = _forecasts({night_of}).get(night_of)
    return forecast is not None and _reading(night_of, plot_id, low_c, place, forecast) is None


def last_place(plot_id: int) -> str:
    """Where the newest low of a plot was read whose place is known; empty where none is."""
    told = db.session.scalar(
        select(ObservedLow.place)
        .where(ObservedLow.plot_id == plot_id, ObservedLow.place != "")
        .order_by(ObservedLow.night_of.desc(), ObservedLow.id.desc())
        .limit(1)
    )
    return told or ""


def _readings(before: date) -> tuple[list[LowReading], dict[date, float]]:
    """Observed minus expected, by the forecast in force on the evening, and the nights' shares."""
    lows = list(
        db.session.scalars(
            select(ObservedLow)
            .where(
                ObservedLow.night_of < before,
                ObservedLow.night_of >= before - timedelta(days=LEARN_FROM_DAYS),
            )
            .order_by(ObservedLow.night_of, ObservedLow.id)
        )
    )
    forecasts = _forecasts({low.night_of for low in lows}) if lows else {}
    found = []
    for low in lows:
        if low.night_of not in forecasts:
            continue
        reading = _reading(low.night_of, low.plot_id, low.low_c, low.place, forecasts[low.night_of])
        if reading is not None:
            found.append(reading)
    return found, {night: share_of_night(forecast).mean for night, forecast in forecasts.items()}


def _forecasts(nights: set[date]) -> dict[date, Forecast]:
    zone = garden_zone()
    by_night: dict[date, Forecast] = {}
    for forecast in db.session.scalars(
        select(Forecast)
        .join(ForecastImport, ForecastImport.id == Forecast.import_id)
        # What the night's own readings had a hand in says nothing of forecasts.
        .where(Forecast.night_of.in_(nights), ForecastImport.came_by != LIVE)
        .options(joinedload(Forecast.source))
        .order_by(Forecast.id)
    ):
        # What came in after midnight was no forecast any more.
        entered = forecast.source.entered_at.astimezone(zone)
        if entered.date() <= forecast.night_of:
            by_night[forecast.night_of] = forecast
    return by_night


def _reading(
    night_of: date, plot_id: int | None, low_c: float, place: str, forecast: Forecast
) -> LowReading | None:
    """A low as the fit takes it; None where it is doubted.

    What a thermometer at plant height or on the grass reads holds the layer near the ground, and
    a bare one the leaf's fall too: they are taken out, each as much as the night had of it.
    """
    share, sd_k = share_of_night(forecast), READING_SD_K
    fall_k = 0.0 if plot_id is None else _fall_k(share, place)
    layer = 0.0
    if plot_id is not None and place in HEIGHT_M:
        layer = share.mean * height_share(HEIGHT_M[place])
    elif plot_id is not None and place != "screen":
        sd_k = UNKNOWN_SD_K if place == "" else ELSEWHERE_SD_K
    residual_k = low_c - forecast.low_c - fall_k
    if abs(residual_k) > DOUBTED_K:
        return None
    return LowReading(night_of, plot_id, residual_k, share.mean, layer, sd_k)
