"""How much colder it gets at the ground than in the screen, measured, and how good the rule is.

Fitted on minima that a weather service reads at 2 m in a screen and at 5 cm over short grass, in
the open. The rule says how far the second falls below the first, from cloud, wind, how dry the
air is and the season; `judge` holds it, or one fitted elsewhere, against any such table.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import astuple, dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate

Floats = npt.NDArray[np.float64]
Number = TypeVar("Number", float, Floats)

SCREEN_HEIGHT_M, GROUND_HEIGHT_M = 2.0, 0.05
"""Where the two thermometers of the fitted record stand."""

UNKNOWN_OPEN = Estimate(0.8, 0.42)
UNKNOWN_STILL = Estimate(0.97, 0.1)
"""Sky or wind not known: on the clear and still side, which is the cold one, of the fitted nights
(0.68 ± 0.34 and 0.93 ± 0.10), and wide, so that not knowing is never milder. Judged on those
nights without their cloud, 80 % intervals hold 83 %, and the rule is 0.2 K too cold."""

_SEASONS = {
    "autumn": (9, 10),
    "winter": (11, 12, 1),
    "late_winter": (2, 3),
    "spring": (4, 5),
    "all": tuple(range(1, 13)),
}
_NEAR_FREEZING_C = (-1.0, 3.5)
_WEIGHT_ELSEWHERE = 1.0 / 40.0
_HUBER_K = 0.62
_LEAST_NIGHTS = 60
_LEAST_SPREAD_K = 0.3
# Share of the residuals' mean size that a normal spread is larger by: √(π/2).
_SD_OF_MEAN_SIZE = math.sqrt(math.pi / 2.0)
_STEPS = 60


@dataclass(frozen=True)
class GroundNights:
    """Nights read at both heights, an array for each column, all of one length.

    day_of_year : 1 to 366, of the date the minima are booked on; month : 1 to 12.
    screen_c, ground_c : minima [°C]. cloud_fraction : 0 to 1; wind_mps : mean [m/s];
    vapour_pressure_hpa : mean [hPa]; these three are nan where unknown.
    """

    month: npt.NDArray[np.int64]
    day_of_year: Floats
    screen_c: Floats
    ground_c: Floats
    cloud_fraction: Floats
    wind_mps: Floats
    vapour_pressure_hpa: Floats

    def __len__(self) -> int:
        return len(self.screen_c)

    def shifted_by_half_a_year(self) -> GroundNights:
        """The same nights as if read on the other side of the equator."""
        return replace(
            self,
            month=(self.month + 5) % 12 + 1,
            day_of_year=(self.day_of_year + 182.0) % 365.0 + 1.0,
        )


@dataclass(frozen=True)
class GroundRule:
    """Ground minimum minus screen minimum, as a rule a gardener can be shown. [K]

    −clear_k · share · (1 + dryness · x · (1 − cloud³)) · (1 + season · cos(2π(day − 355)/365)),
    where x = ln(vapour pressure / saturation at the screen's minimum) less its usual value, and
    share = 1 − cloud_takes · (1 − open · still), open = 1 − cloud^cloud_power (cloud 0 to 1) and
    still = 1/(1 + (wind/wind_halves_mps)³). So a clear calm night of usual air has −clear_k, an
    overcast or stormy one keeps 1 − cloud_takes of it, and one unit of dryness is a factor e.

    spread_k, spread_grows : the spread is the first plus the second times the fall. [K]
    """

    clear_k: float
    cloud_takes: float
    cloud_power: float
    wind_halves_mps: float
    dryness: float
    season: float
    usual_x: float = 0.0
    spread_k: float = 0.55
    spread_grows: float = 0.2

    def open_sky(self, cloud_fraction: Number) -> Number:
        """1 under a clear sky, 0 under a closed one. Thin or broken cloud takes little."""
        closed: Number = cloud_fraction**self.cloud_power
        return 1.0 - closed

    def stillness(self, wind_mps: Number) -> Number:
        """1 in still air, half at `wind_halves_mps`, towards 0 in a storm."""
        return 1.0 / (1.0 + (wind_mps / self.wind_halves_mps) ** 3)

    def share(self, open_sky: Number, stillness: Number) -> Number:
        """What is left of a clear calm night's fall, 1 to 1 − cloud_takes."""
        return 1.0 - self.cloud_takes * (1.0 - open_sky * stillness)

    def dryness_factor(self, x: Number, cloud_fraction: Number) -> Number:
        """How much more the ground falls in dry air: `x` from `dryness_x`; 1 in usual air."""
        return _no_less(0.0, 1.0 + self.dryness * (x - self.usual_x) * (1.0 - cloud_fraction**3))

    def spread_of(self, fall_k: Number) -> Number:
        """Spread of the fall about the rule, where the rule says it is `fall_k`. [K]"""
        return _no_less(_LEAST_SPREAD_K, self.spread_k + self.spread_grows * abs(fall_k))


def _no_less(least: float, value: Number) -> Number:
    found: Number = np.maximum(least, value)
    return found if isinstance(value, np.ndarray) else float(found)


def saturation_hpa(temp_c: Floats) -> Floats:
    """Saturation vapour pressure over water, Magnus with the coefficients of WMO-No. 8. [hPa]"""
    return np.asarray(6.112 * np.exp(17.62 * temp_c / (243.12 + temp_c)))


def dryness_x(vapour_pressure_hpa: Floats, low_c: Floats) -> Floats:
    """ln(vapour pressure / saturation at the low): below 0 in air that stays dry all night."""
    return np.asarray(np.log(vapour_pressure_hpa / saturation_hpa(low_c)))


def dryness_of(dew_point_c: float, low_c: float) -> float:
    """`dryness_x` of a dew point beside a low. [°C]"""
    return float(
        np.log(saturation_hpa(np.array([dew_point_c])) / saturation_hpa(np.array([low_c])))[0]
    )


def falls(rule: GroundRule, nights: GroundNights) -> tuple[Floats, Floats]:
    """Expected ground minus screen of each night, and its spread. [K]

    What is unknown of a night widens its spread.
    """
    columns = _Columns(nights, rule.usual_x)
    fall, open_, still = _fall(rule, columns)
    open_sd = np.where(columns.no_cloud, UNKNOWN_OPEN.sd, 0.0)
    still_sd = np.where(columns.no_wind, UNKNOWN_STILL.sd, 0.0)
    product_sd = np.sqrt(
        (open_ * still_sd) ** 2 + (still * open_sd) ** 2 + (open_sd * still_sd) ** 2
    )
    return fall, np.hypot(rule.spread_of(fall), rule.clear_k * rule.cloud_takes * product_sd)


class _Columns:
    """The columns as the fit uses them, with what is unknown filled in."""

    def __init__(self, nights: GroundNights, usual_x: float | None) -> None:
        self.no_cloud = np.isnan(nights.cloud_fraction)
        self.no_wind = np.isnan(nights.wind_mps)
        self.cloud = np.where(self.no_cloud, 0.0, nights.cloud_fraction)
        self.wind = np.where(self.no_wind, 0.0, nights.wind_mps)
        x = dryness_x(nights.vapour_pressure_hpa, nights.screen_c)
        known = x[~np.isnan(x)]
        middle = float(np.median(known)) if len(known) else 0.0
        self.usual_x = middle if usual_x is None else usual_x
        self.x = np.where(np.isnan(x), self.usual_x, x)
        self.season = np.cos(2.0 * np.pi * (nights.day_of_year - 355.0) / 365.0)


def _fall(rule: GroundRule, columns: _Columns) -> tuple[Floats, Floats, Floats]:
    """The fall of each night by a rule, and the openness and stillness that it is from."""
    open_ = np.where(columns.no_cloud, UNKNOWN_OPEN.mean, rule.open_sky(columns.cloud))
    still = np.where(columns.no_wind, UNKNOWN_STILL.mean, rule.stillness(columns.wind))
    share = rule.share(open_, still)
    dry = rule.dryness_factor(columns.x, columns.cloud)
    return -rule.clear_k * share * dry * (1.0 + rule.season * columns.season), open_, still


def fit(nights: GroundNights) -> GroundRule:
    """The rule that suits these nights best.

    Least squares with Huber's loss (0.62 K), so that nights whose daily mean of cloud says little
    of the night do not pull it; nights near freezing in the screen, about which one asks, weigh
    forty times the others. Solved by Levenberg and Marquardt's method. Both settings were chosen
    by how rules fitted on some stations or years did on others.

    Raises OutOfRange for fewer than 60 nights, or where they are too much alike to tell.
    """
    if len(nights) < _LEAST_NIGHTS:
        raise OutOfRange(
            say(
                "A rule needs at least %(least)s nights, not %(count)s",
                least=_LEAST_NIGHTS,
                count=len(nights),
            )
        )
    columns = _Columns(nights, None)
    target = nights.ground_c - nights.screen_c
    low_c, high_c = _NEAR_FREEZING_C
    near = (nights.screen_c >= low_c) & (nights.screen_c <= high_c)
    weights = np.where(near, 1.0, _WEIGHT_ELSEWHERE)

    def shaped(shape: Floats) -> GroundRule:
        clear_k, takes, power, wind_mps, dryness, season = (float(value) for value in shape)
        return GroundRule(clear_k, takes, power, wind_mps, dryness, season, columns.usual_x)

    shape = _least_squares(
        lambda shape: _fall(shaped(shape), columns)[0] - target,
        np.array(astuple(DEFAULT_RULE)[:6]),
        weights,
    )
    if not (np.all(np.isfinite(shape)) and shape[0] > 0.0 and shape[2] > 0.0 and shape[3] > 0.0):
        raise OutOfRange(say("These nights are too much alike to fit a rule to"))
    rule = shaped(shape)
    fall = _fall(rule, columns)[0]
    grows, least = np.polyfit(np.abs(fall), np.abs(target - fall), 1)
    return replace(
        rule,
        spread_k=_SD_OF_MEAN_SIZE * float(least),
        spread_grows=_SD_OF_MEAN_SIZE * float(grows),
    )


def _least_squares(residuals: Callable[[Floats], Floats], start: Floats, weights: Floats) -> Floats:
    """Levenberg and Marquardt's method on Huber's loss, with slopes by differences."""

    def cost(sizes: Floats) -> float:
        inside = sizes <= _HUBER_K
        return float(
            np.sum(weights * np.where(inside, sizes**2, _HUBER_K * (2.0 * sizes - _HUBER_K)))
        )

    shape: Floats = start.astype(np.float64)
    damping = 1e-2
    left = residuals(shape)
    now = cost(np.abs(left))
    for _ in range(_STEPS):
        slopes = np.empty((len(left), len(shape)))
        for at in range(len(shape)):
            moved = shape.copy()
            step = 1e-6 * max(1.0, abs(float(shape[at])))
            moved[at] += step
            slopes[:, at] = (residuals(moved) - left) / step
        pull = weights * np.minimum(1.0, _HUBER_K / np.maximum(np.abs(left), 1e-12))
        normal = slopes.T @ (slopes * pull[:, None])
        downhill = slopes.T @ (pull * left)
        while damping < 1e10:
            try:
                step_to = shape - np.linalg.solve(
                    normal + damping * np.diag(np.diag(normal) + 1e-12), downhill
                )
            except np.linalg.LinAlgError:
                damping *= 10.0
                continue
            # A power or a wind of nothing has no meaning; the step is halved into what has.
            step_to[1:4] = np.clip(step_to[1:4], (0.0, 0.2, 0.5), (1.0, 30.0, 60.0))
            trial = residuals(step_to)
            then = cost(np.abs(trial))
            if then < now:
                break
            damping *= 4.0
        else:
            return shape
        gained = now - then
        shape, left, now, damping = step_to, trial, then, damping / 5.0
        if gained < 1e-10 * now:
            return shape
    return shape


DEFAULT_RULE = GroundRule(
    clear_k=2.81,
    cloud_takes=0.846,
    cloud_power=6.84,
    wind_halves_mps=9.16,
    dryness=-1.07,
    season=-0.071,
    usual_x=0.068,
    spread_k=0.677,
    spread_grows=0.148,
)
"""The rule for a garden without a record of its own: `fit` of seven lowland stations of the German
weather service, 12 354 nights of September to May, 2006 to 2018, without snow and with −8 to 6 °C
in the screen (open data of its Climate Data Center; cloud and wind are means of the day, not of
the night, so a night's own wind, which is less, makes the rule a little too cold)."""


@dataclass(frozen=True)
class Judged:
    """How a rule did on the nights of a season; fractions from 0 to 1, nan where none to ask of.

    constant_rmse_k : of the best single number for those very nights. nothing_rmse_k : of taking
    the ground to be as warm as the screen. missed_fraction : of nights with 0 to 3 °C in the
    screen and below −1 °C at the ground, those with the ground expected at or above 0.
    false_fraction : of those with the ground at or above 0, the ones with it expected below.
    brier : mean square of the chance of below 0 °C at the ground less what came.
    """

    season: str
    nights: int
    rmse_k: float
    bias_k: float
    constant_rmse_k: float
    nothing_rmse_k: float
    interval_80_covered: float
    missed_fraction: float
    false_fraction: float
    brier: float


def judge(rule: GroundRule, nights: GroundNights) -> tuple[Judged, ...]:
    """The rule against what was read, by season and over all; bias is expected minus read."""
    fall, spread = falls(rule, nights)
    return tuple(
        _judged(name, nights, fall, spread, np.isin(nights.month, months))
        for name, months in _SEASONS.items()
    )


def _judged(
    season: str,
    nights: GroundNights,
    fall: Floats,
    spread: Floats,
    wanted: npt.NDArray[np.bool_],
) -> Judged:
    if not wanted.any():
        return Judged(season, 0, *([math.nan] * 8))
    screen, ground = nights.screen_c[wanted], nights.ground_c[wanted]
    expected, sd = screen + fall[wanted], spread[wanted]
    error, real = expected - ground, ground - screen
    half = Estimate(0.0, 1.0).interval(0.8)[1]
    near = (screen >= 0.0) & (screen <= 3.0)
    hard, none = near & (ground < -1.0), near & (ground >= 0.0)
    chance = _chance_below(-expected / sd)
    return Judged(
        season=season,
        nights=int(wanted.sum()),
        rmse_k=_root_mean(error),
        bias_k=float(error.mean()),
        constant_rmse_k=float(real.std()),
        nothing_rmse_k=_root_mean(real),
        interval_80_covered=float((np.abs(error) <= half * sd).mean()),
        missed_fraction=_share_of(expected >= 0.0, hard),
        false_fraction=_share_of(expected < 0.0, none),
        brier=float(((chance - (ground < 0.0)) ** 2).mean()),
    )


def _root_mean(values: Floats) -> float:
    return math.sqrt(float(np.mean(values**2)))


def _share_of(what: npt.NDArray[np.bool_], among: npt.NDArray[np.bool_]) -> float:
    return float(what[among].mean()) if among.any() else math.nan


def _chance_below(z: Floats) -> Floats:
    """The normal distribution's Φ, to 7.5e-8 (Abramowitz and Stegun 1964, 26.2.17)."""
    t = 1.0 / (1.0 + 0.2316419 * np.abs(z))
    poly = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    tail = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi) * poly
    return np.asarray(np.where(z >= 0.0, 1.0 - tail, tail))


def as_record(judged: Judged) -> dict[str, Any]:
    """For JSON: names as in the class, a figure that there is none of as null."""
    return {
        each.name: None if isinstance(value, float) and math.isnan(value) else value
        for each in fields(judged)
        for value in (getattr(judged, each.name),)
    }
