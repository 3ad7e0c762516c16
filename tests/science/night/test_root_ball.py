"""Root balls in pots, whose water takes days of frost to freeze."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.night.curve import NightCurve
from gardenapp.science.night.root_ball import (
    LATENT_J_KG,
    MATERIALS,
    NOTHING_BEFORE,
    USUAL_POT_L,
    Before,
    Pot,
    carried,
    root_ball_c,
)

EVENING = datetime(2026, 11, 24, 16, tzinfo=UTC)
SIZES = [(0.7, 13.8, 1.02), (3.0, 20.4, 1.51), (10.0, 32.4, 2.39), (30.0, 46.5, 3.43)]


def night(*temps_c: float, hours: float = 16.0) -> NightCurve:
    step = timedelta(hours=hours / (len(temps_c) - 1))
    return NightCurve(tuple((EVENING + n * step, temp_c) for n, temp_c in enumerate(temps_c)))


def after(pot: Pot, *days: tuple[float, float]) -> float:
    """The ball's temperature after days with these minima and means. [°C]"""
    low, mean = (np.array(values)[:, None] for values in zip(*days, strict=True))
    return pot.temperature_c(float(carried([pot], low, mean)[0]))


@pytest.mark.outside("Latent heat of water 334 kJ/kg, handbook: w·334/(h·A·ΔT), half of it water")
@pytest.mark.parametrize(("litres", "hours", "_lag"), SIZES)
def test_pots_freeze_through_in_the_time_their_latent_heat_takes(
    litres: float, hours: float, _lag: float
) -> None:
    pot = Pot(litres)
    frozen_h = pot.water_kg_l * LATENT_J_KG / (pot.loss_w_lk * 5.0) / 3600.0

    assert frozen_h == pytest.approx(hours, rel=0.07)
    # And the ball itself stands at 0 °C for so long in such air.
    long = root_ball_c(night(-5.0, -5.0, hours=80.0), pot, heat_j_l=0.0)
    at_nought = [at for at, temp_c in long.knots if temp_c == 0.0]
    assert (at_nought[-1] - at_nought[0]) / timedelta(hours=1) == pytest.approx(frozen_h, abs=0.6)


@pytest.mark.outside("Cooling time C/(hA) of the same pots, arithmetic from handbook heats")
@pytest.mark.parametrize(("litres", "_hours", "lag_h"), SIZES)
def test_above_freezing_they_follow_the_air_in_hours(
    litres: float, _hours: float, lag_h: float
) -> None:
    pot = Pot(litres)

    assert pot.heat_j_lk / pot.loss_w_lk / 3600.0 == pytest.approx(lag_h, rel=0.07)


def test_one_night_of_frost_freezes_no_ten_litres_and_three_days_do() -> None:
    pot = Pot(10.0)

    one = root_ball_c(night(4.0, -5.0, -5.0, -5.0), pot)

    assert one.low[1] == 0.0  # its water holds it there
    assert after(pot, *[(-5.0, -5.0)] * 3) == pytest.approx(-5.0, abs=0.1)
    assert root_ball_c(night(-3.0, -9.0, -9.0), pot, heat_j_l=pot.heat_at(-3.0)).low[1] < -8.0


@pytest.mark.outside("Logger plot of a 1 US gallon pot: 0 °C through three nights of frost")
def test_a_moist_pot_stands_at_nought_through_nights_of_frost_and_mild_days() -> None:
    """The pot stood mulched in a frame, so its nights were milder than the air's."""
    pot = Pot(3.8, is_raised=False)
    temps = [after(pot, *[(-4.0, 0.0)] * nights) for nights in (1, 2, 3)]

    assert temps == [0.0, 0.0, 0.0]


@pytest.mark.outside("Frozen pots may take three days to thaw at 4 °C (statement, order of size)")
def test_a_frozen_pot_thaws_in_days_and_not_in_hours() -> None:
    pot = Pot(10.0)
    frozen = [(-5.0, -5.0)] * 4

    assert after(pot, *frozen, (4.0, 4.0)) == 0.0
    assert after(pot, *frozen, *[(4.0, 4.0)] * 4) > 1.0


def test_a_bigger_wetter_pot_on_the_ground_is_never_colder_at_the_end_of_a_frost() -> None:
    frost = night(3.0, -6.0, -8.0, -8.0, hours=40.0)

    def low_c(**changes: object) -> float:
        values: dict[str, object] = {"litres": 5.0}
        return root_ball_c(frost, Pot(**values | changes)).low[1]  # type: ignore[arg-type]

    assert low_c(litres=1.0) < low_c(litres=5.0) <= low_c(litres=40.0)
    assert low_c(litres=1.0, is_dry=True) < low_c(litres=1.0)
    assert low_c(litres=1.0) < low_c(litres=1.0, is_raised=False)
    assert low_c(litres=1.0, material="fabric") < low_c(litres=1.0, material="wood")


def test_in_steady_air_it_settles_at_the_airs_temperature() -> None:
    assert root_ball_c(night(-3.0, -3.0, hours=200.0), Pot(1.0)).knots[-1][1] == pytest.approx(-3.0)
    assert root_ball_c(night(8.0, 8.0, hours=60.0), Pot(1.0)).low[1] == pytest.approx(8.0)


def test_the_heat_it_holds_and_its_temperature_say_the_same() -> None:
    pot = Pot(3.0, "clay")

    for temp_c in (-7.0, -0.5, 0.0, 4.0):
        assert pot.temperature_c(pot.heat_at(temp_c)) == pytest.approx(temp_c)
    half_frozen = -0.5 * pot.water_kg_l * LATENT_J_KG
    assert pot.temperature_c(half_frozen) == 0.0
    assert Pot(3.0, is_dry=True).water_kg_l < pot.water_kg_l
    assert Pot(3.0, is_dry=True).heat_j_lk < pot.heat_j_lk


def test_many_pots_are_carried_side_by_side_and_unknown_days_change_nothing() -> None:
    pots = [Pot(0.7), Pot(30.0)]
    low, mean = np.array([[-4.0], [np.nan], [-6.0]]), np.array([[-2.0], [np.nan], [-3.0]])

    both = carried(pots, low, mean)

    for pot, heat in zip(pots, both, strict=True):
        assert heat == pytest.approx(carried([pot], low[[0, 2]], mean[[0, 2]])[0])
    assert pots[0].temperature_c(float(both[0])) < pots[1].temperature_c(float(both[1])) + 1e-9
    assert carried(pots, low[1:2], mean[1:2]) == pytest.approx([pot.heat_at(5.0) for pot in pots])


def test_a_pot_without_a_volume_or_of_glass_is_none() -> None:
    for litres in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(OutOfRange):
            Pot(litres)
    with pytest.raises(OutOfRange):
        Pot(3.0, "glass")
    assert Pot() == Pot(USUAL_POT_L, "", True, False)
    assert Before(None, 0.0) == NOTHING_BEFORE
    assert MATERIALS["wood"] < MATERIALS["plastic"] < MATERIALS["clay"]
