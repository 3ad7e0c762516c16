"""The temperature of a root ball in a pot, whose water takes days of frost to freeze.

One lump of moist mix with a latent heat: it follows the air, stops at 0 °C until all of its water
is ice, and goes on. One cold night freezes no big pot; several in a row do. The wall zone, where
young roots sit, follows the wall and is colder than the lump: that is not reckoned, and said.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.night.curve import NightCurve
from gardenapp.science.night.hardening import Floats

USUAL_POT_L = 10.0
"""A pot of the usual garden size where nobody said how big it is. From memory."""

LATENT_J_KG = 334_000.0
"""Heat that a kilogram of water gives out when it freezes. Handbook constant."""

SURFACE_M2 = 0.062
"""Outside of a pot of one litre, about as high as wide; it grows with the two-thirds power. [m²]"""

FILM_W_M2K = 10.0
"""Heat lost to the air, all round, in a light wind; wind doubles it, halving times. [W/m²K]"""

_BASE_SHARE = 1.0 / 6.0
_MIX_J_LK, _ICE_LESS_J_KGK = 2_465.0, 2_136.0
_WET_KG_L, _DRY_KG_L = 0.5, 0.2
_WATER_J_KGK = 4_186.0
_STEP_H = 0.25
_HOUR = timedelta(hours=1)

MATERIALS = {"": 1.0, "plastic": 1.0, "clay": 1.15, "wood": 0.6, "fabric": 1.2}
"""Heat that passes a wall against a thin plastic one. From memory."""


@dataclass(frozen=True)
class Pot:
    """A pot: its volume [L], wall, and whether its base stands in the air.

    On the ground its base is taken to lose nothing, from memory. Raises OutOfRange for no volume or
    an unknown wall.
    """

    litres: float = USUAL_POT_L
    material: str = ""
    is_raised: bool = True
    is_dry: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.litres) and self.litres > 0.0):
            raise OutOfRange(
                say("%(name)s must be above 0, not %(value)s", name="litres", value=self.litres)
            )
        if self.material not in MATERIALS:
            raise OutOfRange(
                say("%(name)s must be known, not %(value)s", name="material", value=self.material)
            )

    @property
    def water_kg_l(self) -> float:
        """Water in a litre of mix: half when moist, a fifth when dry. [kg/L]"""
        return _DRY_KG_L if self.is_dry else _WET_KG_L

    @property
    def heat_j_lk(self) -> float:
        """Heat that a litre holds above freezing. [J/L K]"""
        return _MIX_J_LK - (_WET_KG_L - self.water_kg_l) * _WATER_J_KGK

    @property
    def frozen_heat_j_lk(self) -> float:
        """The same frozen through. [J/L K]"""
        return self.heat_j_lk - self.water_kg_l * _ICE_LESS_J_KGK

    @property
    def loss_w_lk(self) -> float:
        """Heat that a litre loses for each degree the air is colder. [W/L K]"""
        surface = SURFACE_M2 * self.litres ** (2.0 / 3.0)
        if not self.is_raised:
            surface *= 1.0 - _BASE_SHARE
        return float(FILM_W_M2K * MATERIALS[self.material] * surface / self.litres)

    def temperature_c(self, heat_j_l: float) -> float:
        """The temperature at a heat content, 0 being just thawed at 0 °C. [°C, J/L]"""
        return float(_temperature(np.array([heat_j_l]), _Pots((self,)))[0].item())

    def heat_at(self, temp_c: float) -> float:
        """The heat content at a temperature; at 0 °C all of the water is liquid. [J/L]"""
        if temp_c >= 0.0:
            return self.heat_j_lk * temp_c
        return self.frozen_heat_j_lk * temp_c - self.water_kg_l * LATENT_J_KG


@dataclass(frozen=True)
class Roots:
    """The pot that roots are in, and the heat it holds this evening. [J/L]"""

    pot: Pot
    heat_j_l: float


@dataclass(frozen=True)
class Before:
    """What the nights before did: to roots in a pot, and hours of chill on a tender crop. [h]"""

    roots: Roots | None = None
    chilled_h: float = 0.0


NOTHING_BEFORE = Before()


class _Pots:
    """Pots side by side, arrays of shape (n,)."""

    def __init__(self, pots: Sequence[Pot]) -> None:
        self.heat = np.array([pot.heat_j_lk for pot in pots])
        self.frozen_heat = np.array([pot.frozen_heat_j_lk for pot in pots])
        self.latent = np.array([pot.water_kg_l * LATENT_J_KG for pot in pots])
        self.loss = np.array([pot.loss_w_lk for pot in pots])


def _temperature(heat: Floats, pots: _Pots) -> Floats:
    above = heat / pots.heat
    below = (heat + pots.latent) / pots.frozen_heat
    return np.where(heat > 0.0, above, np.where(heat < -pots.latent, below, 0.0))


def _stepped(heat: Floats, air_c: Floats, pots: _Pots, step_h: float) -> Floats:
    return heat + pots.loss * (air_c - _temperature(heat, pots)) * step_h * 3600.0


def carried(pots: Sequence[Pot], min_c: Floats, mean_c: Floats) -> Floats:
    """Heat content of each of n pots after d days; shape (n,). [J/L]

    min_c, mean_c : daily air at the pots, shape (d, n) or (d, 1); days are sines about their mean,
    coldest at five in the morning, and end at five in the afternoon. A day with NaN changes
    nothing.
    """
    many = _Pots(pots)
    heat = many.heat * np.where(np.isnan(mean_c[0]), 5.0, mean_c[0])
    hours = np.arange(-7.0, 17.0, _STEP_H) + _STEP_H / 2.0
    waves = np.cos((hours - 5.0) * (2.0 * math.pi / 24.0))
    for low, mean in zip(min_c, mean_c, strict=True):
        is_known = ~(np.isnan(low) | np.isnan(mean))
        for wave in waves:
            stepped = _stepped(heat, mean - (mean - low) * wave, many, _STEP_H)
            heat = np.where(is_known, stepped, heat)
    return np.asarray(heat)


def root_ball_c(curve: NightCurve, pot: Pot, *, heat_j_l: float | None = None) -> NightCurve:
    """Temperature of a root ball through a night whose air is `curve`.

    heat_j_l : its heat content at the start of the curve, as `carried` gives it; without it, that
    of a ball as warm as the air then and not frozen. The low of what comes back is the ball's low.
    """
    start_at = curve.knots[0][0]
    hours = [(at - start_at) / _HOUR for at, _temp_c in curve.knots]
    steps = max(1, math.ceil(hours[-1] / _STEP_H))
    step_h = hours[-1] / steps
    middles = (np.arange(steps) + 0.5) * step_h
    air = np.interp(middles, hours, [temp_c for _at, temp_c in curve.knots]).tolist()
    heat = pot.heat_at(max(0.0, curve.knots[0][1])) if heat_j_l is None else heat_j_l
    # In plain numbers: a night has some seventy steps and a plan some thousand pots under covers.
    above, below = pot.heat_j_lk, pot.frozen_heat_j_lk
    latent, gain = pot.water_kg_l * LATENT_J_KG, pot.loss_w_lk * step_h * 3600.0

    def temperature(held: float) -> float:
        if held > 0.0:
            return held / above
        return (held + latent) / below if held < -latent else 0.0

    knots: list[tuple[datetime, float]] = [(start_at, temperature(heat))]
    for number, air_c in enumerate(air, start=1):
        heat += gain * (air_c - temperature(heat))
        knots.append((start_at + number * step_h * _HOUR, temperature(heat)))
    return NightCurve(tuple(knots))
