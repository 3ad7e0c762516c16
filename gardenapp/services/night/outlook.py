"""What a night would do to each planting, bare and under each kind of cover.

Joins the garden's rows to the formulas. Reads rows, writes nothing; the numbers it hands on
carry the parts they were made of, so that a page can show why.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from gardenapp.models.covers import CoverKind
from gardenapp.models.forecasts import Forecast
from gardenapp.models.plants import CropStage, Planting
from gardenapp.readers.records import HourForecast
from gardenapp.science.covers.lift import (
    TOUCHING_UNDER_SHEET,
    LiftPrior,
    bare_plant_c,
    covered_plant_c,
    kept_lift,
    late_share,
    lift_tonight,
    stacked,
    stored_share,
    touching,
)
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.bearing import Bearing
from gardenapp.science.night.curve import (
    LAW_STARTS_H,
    NightCurve,
    curve_from_hours,
    curve_from_low,
)
from gardenapp.science.night.damage import (
    CHILLING_HOURS_FOR_HALF,
    chilling_share,
    combined_share,
    curve_from_threshold,
    further_share,
)
from gardenapp.science.night.exposure import (
    dry_share,
    leaf_k,
    plant_air_k,
    radiative_share,
    spot_k,
)
from gardenapp.science.night.forecast_error import (
    FIRST_NIGHT_LEAD_H,
    MOST_LEAD_H,
    ForecastRecord,
    forecast_sd_k,
)
from gardenapp.science.night.root_ball import NOTHING_BEFORE, Before, root_ball_c
from gardenapp.science.night.sun import Night

SHELTER = "shelter"

NEAR_EVENING = timedelta(hours=1)
DAY_BEFORE = timedelta(hours=7)
ENOUGH_DAY_HOURS = 3
"""The hours before sunset that tell what kind of day it was, and how many must be known."""


@dataclass(frozen=True)
class SiteNight:
    """The night at the garden's screen.

    `share` : of a clear calm night. `exposure` : the same for what plants fall below the screen,
    more of it in dry air. `stored_share` : of a cover's usual lift, after the day before
    (`lift.stored_share`). `beyond_k` : how far the ground here falls beyond the rule when clear.
    """

    night: Night
    screen_low: Estimate
    share: Estimate
    exposure: Estimate
    curve: NightCurve
    forecast: Forecast
    stored_share: float = 1.0
    beyond_k: float = 0.0

    def late_share(self, put_on_at: datetime | None) -> float:
        """Share of a whole night's lift at the low, if put on then; None counts as in time."""
        sunset_at, low_at = self.night.sunset_at, self.curve.low[0]
        if put_on_at is None or low_at <= sunset_at:
            return 1.0
        hour = timedelta(hours=1)
        return late_share((put_on_at - sunset_at) / hour, (low_at - sunset_at) / hour)


@dataclass(frozen=True)
class Harm:
    """Expected share lost, whole and by cause.

    share : of what the planting is worth; frost : of its plants that show any harm of frost;
    death : of its plants that frost kills, where that is told apart.
    """

    share: float
    frost: float
    death: float | None = None
    chilling: float | None = None
    root: float | None = None


@dataclass(frozen=True)
class Parts:
    """What a planting's bare temperature is made of. [°C, K]"""

    screen_low: Estimate
    offset: Estimate
    air: Estimate
    leaf: Estimate


@dataclass(frozen=True)
class BareOutlook:
    """A planting with nothing over it."""

    parts: Parts
    temp: Estimate
    bearing: Bearing
    before: Before
    threshold_c: float
    harm: Harm
    plant_curve: NightCurve
    hours_below: float
    crosses_at: datetime | None
    crosses_early_at: datetime | None
    back_at: datetime | None


@dataclass(frozen=True)
class Over:
    """What stands over a cover that lies on the leaves: its lift and how much sky it hides."""

    lift: Estimate
    leaf_shield: float

    def kept(self, share: float) -> Over:
        """The same with only a share of its lift to be had."""
        return Over(kept_lift(self.lift, share), self.leaf_shield)


@dataclass(frozen=True)
class CoveredOutlook:
    """The same planting under one treatment."""

    lift: Estimate
    temp: Estimate
    harm: Harm


def site_night(
    *,
    night: Night,
    forecast: Forecast,
    hours: Sequence[HourForecast],
    record: ForecastRecord,
    beyond_k: float = 0.0,
    evening_at: datetime | None = None,
) -> SiteNight:
    """The screen's low with its spread, the kind of night, and the curve through it.

    The spread is the published one for the hours ahead, widened or narrowed as the garden's
    own record has found first nights of this kind to be; the forecast's standing error is taken
    out. `evening_at` : when the forecast's own evening is, eight o'clock at the garden. [UTC]
    """
    share = share_of_night(forecast)
    screen_low = _screen_low(forecast, night, record, share)
    curve = _screen_curve(forecast, night, hours, share, evening_at).shifted(
        screen_low.mean - forecast.low_c
    )
    dry = dry_share(
        dew_point_c=forecast.dew_point_c,
        low_c=forecast.low_c,
        cloud_fraction=forecast.cloud_fraction,
    )
    return SiteNight(
        night=night,
        screen_low=screen_low,
        share=share,
        exposure=share.scaled(dry),
        curve=curve,
        forecast=forecast,
        stored_share=_stored_share(night, hours),
        beyond_k=beyond_k,
    )


def share_of_night(forecast: Forecast) -> Estimate:
    """How much of a clear calm night a forecast's night is."""
    return radiative_share(cloud_fraction=forecast.cloud_fraction, wind_mps=forecast.wind_mps)


def _screen_low(
    forecast: Forecast, night: Night, record: ForecastRecord, share: Estimate
) -> Estimate:
    if forecast.low_sd_k is not None:  # corrected by readings: it has its own, and no bias
        return Estimate(forecast.low_c, forecast.low_sd_k)
    issued_at = forecast.source.issued_at or forecast.source.entered_at
    low_at = forecast.low_at or night.sunrise_at
    lead_h = max(FIRST_NIGHT_LEAD_H, (low_at - issued_at).total_seconds() / 3600)
    growth = forecast_sd_k(min(lead_h, MOST_LEAD_H)) / forecast_sd_k(FIRST_NIGHT_LEAD_H)
    # Of a source's own spread and ours the wider: members and percentiles are mostly too sure of
    # themselves (from memory).
    spread_k = max(record.spread_on(share.mean) * growth, forecast.stated_sd_k or 0.0)
    return Estimate(record.low(forecast.low_c).mean, math.hypot(spread_k, record.bias.sd))


def _stored_share(night: Night, hours: Sequence[HourForecast]) -> float:
    """What the day before left in the ground; nothing is taken off where nobody knows the day."""
    day = [hour for hour in hours if night.sunset_at - DAY_BEFORE <= hour.at <= night.sunset_at]
    clouds = [hour.cloud_fraction for hour in day if hour.cloud_fraction is not None]
    if len(clouds) < ENOUGH_DAY_HOURS:
        return 1.0
    return stored_share(
        day_cloud_fraction=sum(clouds) / len(clouds), day_high_c=max(hour.temp_c for hour in day)
    )


def _evening_c(
    forecast: Forecast,
    night: Night,
    hours: Sequence[HourForecast],
    evening_at: datetime | None,
) -> float | None:
    """The air two hours after sunset, as the night's curve asks for it; None where nobody knows.

    A forecast's own evening is that of eight o'clock, which in June is before sunset: it is taken
    where it is near enough to two hours after.
    """
    wanted_at = night.sunset_at + timedelta(hours=LAW_STARTS_H)
    near = [hour for hour in hours if abs(hour.at - wanted_at) <= NEAR_EVENING]
    if near:
        return min(near, key=lambda hour: abs(hour.at - wanted_at)).temp_c
    if evening_at is not None and abs(evening_at - wanted_at) > NEAR_EVENING:
        return None
    return forecast.evening_c


def _screen_curve(
    forecast: Forecast,
    night: Night,
    hours: Sequence[HourForecast],
    share: Estimate,
    evening_at: datetime | None,
) -> NightCurve:
    margin = timedelta(hours=4)
    near = [
        (hour.at, hour.temp_c)
        for hour in hours
        if night.sunset_at - margin <= hour.at <= night.sunrise_at + margin
    ]
    if (
        len(near) >= 4
        and near[0][0] <= night.sunset_at + margin
        and near[-1][0] >= night.sunrise_at
    ):
        return curve_from_hours(near, low_c=forecast.low_c)
    low_at = forecast.low_at
    earliest = night.sunset_at + timedelta(hours=2, minutes=30)
    if low_at is not None and not earliest < low_at <= night.sunrise_at + timedelta(hours=2):
        low_at = None
    evening_c = _evening_c(forecast, night, hours, evening_at)
    if evening_c is not None and evening_c <= forecast.low_c:
        evening_c = None
    return curve_from_low(
        night,
        low_c=forecast.low_c,
        low_at=low_at,
        evening_c=evening_c,
        radiative_share=share.mean,
    )


def bare_outlook(
    site: SiteNight,
    planting: Planting,
    offset: Estimate,
    stage: CropStage,
    bearing: Bearing,
    before: Before = NOTHING_BEFORE,
) -> BareOutlook:
    """A planting's night without any cover, `offset` being its plot's on a clear calm night."""
    height_m = planting.height_cm / 100
    parts = Parts(
        screen_low=site.screen_low,
        offset=spot_k(site.share, offset, height_m),
        air=plant_air_k(site.exposure, height_m, beyond_k=site.beyond_k),
        leaf=leaf_k(site.exposure),
    )
    temp = bare_plant_c(
        screen_low=parts.screen_low, offset=parts.offset, air=parts.air, leaf=parts.leaf
    )
    threshold_c = bearing.bears_c
    plant_curve = site.curve.shifted(temp.mean - site.screen_low.mean)
    air_curve = site.curve.shifted(temp.mean - parts.leaf.mean - site.screen_low.mean)
    harm = _harm(
        stage=stage,
        before=before,
        bearing=bearing,
        temp=temp,
        plant_curve=plant_curve,
        air_curve=air_curve,
    )
    return BareOutlook(
        parts=parts,
        temp=temp,
        bearing=bearing,
        before=before,
        threshold_c=threshold_c,
        harm=harm,
        plant_curve=plant_curve,
        hours_below=plant_curve.hours_below(threshold_c),
        crosses_at=plant_curve.first_below(threshold_c),
        crosses_early_at=plant_curve.early_below(threshold_c),
        back_at=plant_curve.last_below(threshold_c),
    )


def covered_outlook(
    site: SiteNight,
    planting: Planting,
    stage: CropStage,
    bare: BareOutlook,
    *,
    lift: Estimate,
    leaf_shield: float,
    is_draped: bool,
    over: Over | None = None,
) -> CoveredOutlook:
    """The same planting with `lift` over it.

    is_draped : the innermost cover lies on the leaves, and those are as cold as without it:
        bare, or under what stands `over` it.
    """
    parts = bare.parts
    temp = covered_plant_c(
        screen_low=parts.screen_low,
        offset=parts.offset,
        air=parts.air,
        leaf=parts.leaf,
        lift=lift,
        leaf_shield=leaf_shield,
    )
    plant_curve = site.curve.shifted(temp.mean - site.screen_low.mean)
    air_curve = site.curve.shifted(parts.offset.mean + parts.air.mean + lift.mean)
    harm = _harm(
        stage=stage,
        before=bare.before,
        bearing=bare.bearing,
        temp=temp,
        plant_curve=plant_curve,
        air_curve=air_curve,
    )
    if is_draped:
        without = bare.harm
        if over is not None:
            without = covered_outlook(
                site,
                planting,
                stage,
                bare,
                lift=over.lift,
                leaf_shield=over.leaf_shield,
                is_draped=False,
            ).harm
        share = touching(
            bare_share=without.share,
            covered_share=harm.share,
            fraction_touching=TOUCHING_UNDER_SHEET,
        )
        harm = replace(harm, share=share)
    return CoveredOutlook(lift, temp, harm)


def stack_prior(kinds: Sequence[CoverKind], priors: Mapping[int, LiftPrior]) -> LiftPrior:
    """One cover, or an outer one with an inner one under it."""
    prior = priors[kinds[0].id]
    for kind in kinds[1:]:
        prior = stacked(prior, priors[kind.id])
    return prior


def tonight_lift(site: SiteNight, prior: LiftPrior) -> Estimate:
    """What the prior means on this kind of night, after the day there was."""
    return kept_lift(lift_tonight(prior, site.share), site.stored_share)


def _harm(
    *,
    stage: CropStage,
    before: Before,
    bearing: Bearing,
    temp: Estimate,
    plant_curve: NightCurve,
    air_curve: NightCurve,
) -> Harm:
    frost, death, share = bearing.shares(temp)
    chilling: float | None = None
    if stage.chilling_c is not None:
        hours = plant_curve.hours_below(stage.chilling_c)
        half_h = stage.chilling_hours or CHILLING_HOURS_FOR_HALF
        earlier = chilling_share(before.chilled_h, hours_for_half=half_h)
        chilling = further_share(
            chilling_share(before.chilled_h + hours, hours_for_half=half_h), earlier
        )
        share = combined_share(share, chilling)
    root: float | None = None
    roots = before.roots
    if roots is not None and stage.root_kill_c is not None:
        ball = root_ball_c(air_curve, roots.pot, heat_j_l=roots.heat_j_l)
        kill = curve_from_threshold(stage.root_kill_c, kind="root_kill")
        # Where the water still freezes, the air's spread does not reach the roots.
        sd_k = temp.sd if ball.low[1] < 0.0 else 0.0
        root = kill.expected_share(Estimate(ball.low[1], sd_k))
        share = combined_share(share, root)
    return Harm(share=share, frost=frost, death=death, chilling=chilling, root=root)
