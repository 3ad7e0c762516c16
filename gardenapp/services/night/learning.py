"""What the garden's own nights have taught: the forecast's error and the plots' offsets."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotAllowed, NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import ObservedLow
from gardenapp.models.people import Member, PlotHolder
from gardenapp.models.plots import Plot
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.forecast_error import ForecastRecord, forecast_sd_k, shrunk
from gardenapp.science.night.site_learning import (
    BIAS_PRIOR_K,
    Learnt,
    LowReading,
    SiteLearning,
    learn_site,
)
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone, night_at
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# The published spread holds both what is wrong every night and what is wrong on one night; the
# part that changes from night to night is what is left when the standing part is taken out.
FIRST_NIGHT_SD_K = forecast_sd_k(12.0)
NIGHT_SD_K = math.sqrt(FIRST_NIGHT_SD_K**2 - BIAS_PRIOR_K.sd**2)
# Older nights say little about today's forecasts and plots.
LEARN_FROM_DAYS = 730


@dataclass(frozen=True)
class SiteBelief:
    """What is believed of the forecast and the plots after the nights on record."""

    record: ForecastRecord
    offsets: Mapping[int, Learnt]
    nights: int


def site_belief(*, before: date) -> SiteBelief:
    """Learn from every observed low of the nights before `before`."""
    plots = {plot.id: Estimate(plot.offset_k, plot.offset_sd_k) for plot in _plots()}
    readings = _readings(before)
    learning = learn_from(readings, plots)
    errors = [estimate.mean for estimate in learning.night_errors.values()]
    record = shrunk(NIGHT_SD_K, errors)
    # The standing error comes from the joint fit, which knows the plots' offsets.
    record = ForecastRecord(
        sd_k=record.sd_k,
        bias=learning.bias.estimate,
        count=record.count,
        weight_of_prior=record.weight_of_prior,
    )
    offsets = {int(str(plot)): learnt for plot, learnt in learning.offsets.items()}
    return SiteBelief(record, offsets, len(errors))


def learn_from(readings: list[LowReading], plots: Mapping[int, Estimate]) -> SiteLearning:
    """The joint fit, with the spread that first-night forecasts are published to have."""
    priors = {plot: Estimate(p.mean, max(p.sd, 0.05)) for plot, p in plots.items()}
    return learn_site(readings, offset_priors=priors, forecast_sd_k=NIGHT_SD_K)


def record_low(
    *,
    night_of: date,
    plot_id: int | None,
    low_c: float,
    member: Member,
    now: datetime,
    source: str = "read",
) -> None:
    """Keep the low that was read at a plot, or in the screen where `plot_id` is None.

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
    source: str,
) -> None:
    """`record_low` inside the caller's transaction; raises the same."""
    session = db.session
    if not -60 <= low_c <= 45:
        raise OutOfRange(_("A low read at a plot is between −60 and 45 °C."))
    if night_of > night_at(now, garden_zone()):
        raise OutOfRange(_("That night has not been yet."))
    if plot_id is not None and session.get(Plot, plot_id) is None:
        raise NotFound(_("There is no such plot."))
    if not may_any and not holds(plot_id, member_id):
        raise NotAllowed(_("Lows are entered by the plot’s holders and by coordinators."))
    place = ObservedLow.plot_id.is_(None) if plot_id is None else ObservedLow.plot_id == plot_id
    row = session.scalar(select(ObservedLow).where(ObservedLow.night_of == night_of, place))
    if row is None:
        row = ObservedLow(night_of=night_of, plot_id=plot_id)
        session.add(row)
    row.low_c, row.source = low_c, source[:80]
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


def _readings(before: date) -> list[LowReading]:
    """Observed minus forecast, with the forecast that was in force on the evening."""
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
    if not lows:
        return []
    zone = garden_zone()
    by_night: dict[date, float] = {}
    for forecast in db.session.scalars(
        select(Forecast)
        .where(Forecast.night_of.in_({low.night_of for low in lows}))
        .options(joinedload(Forecast.source))
        .order_by(Forecast.id)
    ):
        # What came in after midnight was no forecast any more.
        entered = forecast.source.entered_at.astimezone(zone)
        if entered.date() <= forecast.night_of:
            by_night[forecast.night_of] = forecast.low_c
    return [
        LowReading(low.night_of, low.plot_id, low.low_c - by_night[low.night_of])
        for low in lows
        if low.night_of in by_night
    ]
