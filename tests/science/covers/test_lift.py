from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
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
    unsealed,
)
from gardenapp.science.estimate import Estimate

CERTAIN_ZERO = Estimate(0.0, 0.0)

lifts = st.builds(Estimate, st.floats(-2.0, 8.0), st.floats(0.1, 2.0))
shields = st.floats(0.0, 1.0)
priors = st.builds(LiftPrior, lifts, lifts, shields)


def make_prior(
    clear_k: float, cloudy_k: float, sd_k: float = 0.5, shield: float = 0.5
) -> LiftPrior:
    return LiftPrior(Estimate(clear_k, sd_k), Estimate(cloudy_k, sd_k), shield)


def test_a_clear_night_takes_the_clear_lift_and_a_cloudy_one_the_cloudy() -> None:
    prior = make_prior(-0.5, 1.5)

    assert lift_tonight(prior, Estimate(1.0, 0.1)) == prior.clear
    assert lift_tonight(prior, Estimate(0.0, 0.1)) == prior.cloudy


@pytest.mark.outside("OSU 1988, table 2: 51 °F under fabric, 53 °F on mulch, on 27 May 1984")
def test_a_lift_may_be_negative() -> None:
    measured_k = (51.0 - 53.0) * 5.0 / 9.0

    lift = lift_tonight(make_prior(measured_k, 1.0), Estimate(1.0, 0.0))

    assert lift.mean == pytest.approx(-1.1, abs=0.05)
    assert (
        bare_plant_c(
            screen_low=Estimate(0.0, 1.0), offset=CERTAIN_ZERO, air=CERTAIN_ZERO, leaf=CERTAIN_ZERO
        ).mean
        > covered_plant_c(
            screen_low=Estimate(0.0, 1.0),
            offset=CERTAIN_ZERO,
            air=CERTAIN_ZERO,
            leaf=CERTAIN_ZERO,
            lift=lift,
            leaf_shield=0.0,
        ).mean
    )


def test_a_night_in_between_is_less_sure_than_either() -> None:
    lift = lift_tonight(make_prior(-1.0, 3.0), Estimate(0.5, 0.1))

    assert lift.mean == pytest.approx(1.0)
    assert lift.sd > 1.9


@given(priors, st.builds(Estimate, st.floats(-0.3, 1.3), st.floats(0.0, 0.4)))
def test_tonight_s_lift_lies_between_the_two(prior: LiftPrior, share: Estimate) -> None:
    ends = sorted((prior.clear.mean, prior.cloudy.mean))

    assert ends[0] - 1e-9 <= lift_tonight(prior, share).mean <= ends[1] + 1e-9


@given(lifts)
def test_sealed_always_beats_unsealed(lift: Estimate) -> None:
    open_edges = unsealed(lift)

    assert open_edges.mean < lift.mean
    assert open_edges.sd > lift.sd


@given(lifts, st.floats(0.0, 3.0))
def test_a_better_cover_stays_better_with_its_edges_open(lift: Estimate, more_k: float) -> None:
    assert unsealed(lift.shifted(more_k)).mean >= unsealed(lift).mean - 1e-9


@pytest.mark.outside("Guttormsen 1972: holes of 0.65 to 6.5 % cost at most 1 °C at night")
@pytest.mark.parametrize("lift_k", [0.0, 1.5, 3.0, 8.0])
def test_open_edges_cost_no_more_than_holes_were_measured_to(lift_k: float) -> None:
    assert lift_k - unsealed(Estimate(lift_k, 0.5)).mean <= 1.0 + 1e-12


@given(priors, priors)
def test_a_second_layer_adds_and_adds_less_than_its_own(a: LiftPrior, b: LiftPrior) -> None:
    both = stacked(a, b)

    for name in ("clear", "cloudy"):
        one, other, stack = (getattr(prior, name).mean for prior in (a, b, both))
        assert stack >= max(one, other) - 1e-9
        assert stack <= max(one, other) + max(0.0, min(one, other)) + 1e-9
    assert both.leaf_shield >= max(a.leaf_shield, b.leaf_shield) - 1e-9


@given(priors, priors)
def test_it_does_not_matter_which_of_two_covers_is_counted_first(
    a: LiftPrior, b: LiftPrior
) -> None:
    one, other = stacked(a, b), stacked(b, a)

    assert one.clear.mean == pytest.approx(other.clear.mean)
    assert one.leaf_shield == pytest.approx(other.leaf_shield)


@pytest.mark.outside("Acta Horticulturae 187: one perforated film 1.5 °C, two 3 °C")
def test_two_films_gain_more_than_one_and_no_more_than_was_measured() -> None:
    film = make_prior(1.5, 1.5)

    two = stacked(film, film)

    assert 1.5 < two.clear.mean <= 3.0
    assert two.clear.interval(0.95)[0] < 3.0 < two.clear.interval(0.95)[1]


@pytest.mark.outside("Rasheed 2017 and an orchid society: two films lose 34 to 40 % less than one")
@pytest.mark.parametrize("less", [0.34, 0.40])
def test_the_second_layer_s_share_is_that_of_its_resistance(less: float) -> None:
    resistance_added = 1.0 / (1.0 - less) - 1.0
    film = make_prior(2.0, 2.0, sd_k=0.01)

    added_share = (stacked(film, film).clear.mean - 2.0) / 2.0

    assert added_share == pytest.approx(resistance_added, abs=0.1)


@pytest.mark.outside("Missouri G6965: a mat over a frame of 2.8 to 5.6 °C adds a few °F more")
def test_a_blanket_over_a_frame_adds_a_few_fahrenheit() -> None:
    frame, blanket = make_prior(4.2, 4.2), make_prior(2.0, 2.0)

    added_k = stacked(blanket, frame).clear.mean - 4.2

    assert 2.0 <= added_k * 9.0 / 5.0 <= 5.0


def test_a_plant_under_a_cover_is_warmer_by_the_lift_and_its_shade_from_the_sky() -> None:
    screen, offset = Estimate(1.0, 1.3), Estimate(-0.5, 0.5)
    air, leaf = Estimate(-0.7, 0.4), Estimate(-1.5, 0.5)

    bare = bare_plant_c(screen_low=screen, offset=offset, air=air, leaf=leaf)
    covered = covered_plant_c(
        screen_low=screen,
        offset=offset,
        air=air,
        leaf=leaf,
        lift=Estimate(1.6, 0.8),
        leaf_shield=0.6,
    )

    assert bare.mean == pytest.approx(-1.7)
    assert covered.mean == pytest.approx(-1.7 + 1.6 + 0.9)


@given(shields)
def test_without_lift_a_cover_can_only_win_back_the_leaf_s_own_fall(shield: float) -> None:
    zero = CERTAIN_ZERO
    leaf = Estimate(-1.5, 0.4)

    covered = covered_plant_c(
        screen_low=Estimate(0.0, 1.0),
        offset=zero,
        air=zero,
        leaf=leaf,
        lift=zero,
        leaf_shield=shield,
    )

    assert -1.5 <= covered.mean <= 0.0


@pytest.mark.outside("Florida shade trial: a sheet that only hides the sky won about 1 °F (0.6 °C)")
def test_a_sheet_that_only_hides_the_sky_wins_about_what_was_measured() -> None:
    # Half the sky hidden from a leaf 1.5 K below the air.
    covered = covered_plant_c(
        screen_low=CERTAIN_ZERO,
        offset=CERTAIN_ZERO,
        air=CERTAIN_ZERO,
        leaf=Estimate(-1.5, 0.5),
        lift=CERTAIN_ZERO,
        leaf_shield=0.5,
    )

    won_k = covered.mean - -1.5
    assert won_k == pytest.approx(0.75)  # half of what the leaf loses to the sky
    # The trial's figure is a whole °F, so it stands for half a degree to either side.
    assert 0.5 * 5 / 9 <= won_k <= 1.5 * 5 / 9


@pytest.mark.parametrize(
    ("fraction", "expected"), [(0.0, 0.1), (1.0, 0.8), (0.25, 0.275)], ids=["none", "all", "some"]
)
def test_leaves_that_touch_count_as_bare(fraction: float, expected: float) -> None:
    got = touching(bare_share=0.8, covered_share=0.1, fraction_touching=fraction)

    assert got == pytest.approx(expected)


@pytest.mark.parametrize("value", [-0.1, 1.1, float("nan")])
def test_shares_outside_0_to_1_are_refused(value: float) -> None:
    with pytest.raises(OutOfRange, match="leaf_shield"):
        LiftPrior(CERTAIN_ZERO, CERTAIN_ZERO, value)
    with pytest.raises(OutOfRange, match="fraction_touching"):
        touching(bare_share=0.5, covered_share=0.5, fraction_touching=value)
    with pytest.raises(OutOfRange, match="leaf_shield"):
        covered_plant_c(
            screen_low=CERTAIN_ZERO,
            offset=CERTAIN_ZERO,
            air=CERTAIN_ZERO,
            leaf=CERTAIN_ZERO,
            lift=CERTAIN_ZERO,
            leaf_shield=value,
        )


def test_what_is_believed_of_leaves_under_a_sheet() -> None:
    assert TOUCHING_UNDER_SHEET == 0.15


@pytest.mark.parametrize(
    ("sealed_k", "open_k"),
    [(0.0, -0.2), (0.5, 0.3), (2.0, 1.2), (2.5, 1.5), (5.0, 4.0), (-1.0, -1.2)],
)
def test_open_edges_cost_two_fifths_between_a_fifth_of_a_kelvin_and_one(
    sealed_k: float, open_k: float
) -> None:
    lift = unsealed(Estimate(sealed_k, 0.3))

    assert lift.mean == pytest.approx(open_k)
    assert lift.sd == pytest.approx(0.5)  # 0.3 and 0.4 at right angles


def test_a_second_layer_adds_three_fifths_of_its_own_lift_with_a_spread_of_its_own() -> None:
    outer = LiftPrior(Estimate(3.0, 0.0), Estimate(1.0, 0.0), 0.5)
    inner = LiftPrior(Estimate(2.0, 0.0), Estimate(4.0, 0.0), 0.2)
    both = stacked(outer, inner)

    assert both.clear.mean == pytest.approx(3.0 + 0.6 * 2.0)
    assert both.clear.sd == pytest.approx(0.15 * 2.0)
    assert both.cloudy.mean == pytest.approx(4.0 + 0.6 * 1.0)
    assert both.cloudy.sd == pytest.approx(0.15 * 1.0)
    assert both.leaf_shield == pytest.approx(0.6)


@pytest.mark.parametrize("share", [-0.01, 1.01])
def test_each_share_is_nought_to_one(share: float) -> None:
    half = {"bare_share": 0.5, "covered_share": 0.5, "fraction_touching": 0.5}

    for name in half:
        with pytest.raises(OutOfRange, match=f"{name} must be 0 to 1"):
            touching(**(half | {name: share}))
    with pytest.raises(OutOfRange, match="leaf_shield must be 0 to 1"):
        make_prior(1.0, 1.0, shield=share)
    assert touching(bare_share=1.0, covered_share=0.2, fraction_touching=0.25) == pytest.approx(0.4)


def test_a_plants_temperature_is_the_sum_of_what_is_believed_of_it() -> None:
    parts = {
        "screen_low": Estimate(1.0, 0.6),
        "offset": Estimate(-0.5, 0.8),
        "air": Estimate(-1.0, 0.0),
        "leaf": Estimate(-2.0, 0.0),
    }

    bare = bare_plant_c(**parts)
    covered = covered_plant_c(**parts, lift=Estimate(3.0, 0.0), leaf_shield=0.75)

    assert (bare.mean, bare.sd) == (pytest.approx(-2.5), pytest.approx(1.0))
    assert covered.mean == pytest.approx(1.0 - 0.5 - 1.0 + 3.0 - 0.5)
    assert covered.sd == pytest.approx(1.0)


# --- put on late, and after a dull day --------------------------------------------------------


def ground_after(hours: int, loss_from_h: int) -> float:
    """Fall of the surface of a deep soil whose loss of heat begins then, by finite differences."""
    depth_m, cells, step_s = 1.0, 200, 20.0
    diffusivity, conductivity = 5e-7, 1.0
    dx = depth_m / cells
    temps = np.zeros(cells)
    for step in range(int(hours * 3600 / step_s)):
        loss = 50.0 if step * step_s >= loss_from_h * 3600 else 0.0
        flux = np.empty(cells + 1)
        flux[0], flux[-1] = loss, 0.0
        flux[1:-1] = conductivity * (temps[1:] - temps[:-1]) / dx
        temps += step_s * diffusivity / (conductivity * dx) * (flux[1:] - flux[:-1])
    return float(temps[0])


@pytest.mark.outside("Carslaw and Jaeger 1959, section 2.9, by finite differences")
@pytest.mark.parametrize("late_h", [0, 2, 6, 10])
def test_what_a_late_cover_still_saves_is_what_a_soil_reckoned_by_steps_does(late_h: int) -> None:
    # By superposition the cover saves what a loss that begins when it is put on would have cost.
    saved, whole = ground_after(14, late_h), ground_after(14, 0)

    assert late_share(late_h, 14.0) == pytest.approx(abs(saved / whole), abs=0.03)


def test_a_cover_put_on_before_sunset_loses_nothing_and_after_the_low_gains_nothing() -> None:
    assert late_share(-3.0, 14.0) == 1.0
    assert late_share(14.0, 14.0) == late_share(20.0, 14.0) == 0.0
    assert late_share(6.0, 14.0) == pytest.approx(0.7559, abs=1e-4)


@given(st.floats(0.0, 16.0), st.floats(0.0, 4.0))
def test_later_is_never_warmer(hours: float, more: float) -> None:
    assert late_share(hours + more, 14.0) <= late_share(hours, 14.0)


@pytest.mark.parametrize(("hours", "night"), [(1.0, 0.0), (1.0, math.nan), (math.nan, 14.0)])
def test_a_night_of_no_hours_is_refused(hours: float, night: float) -> None:
    with pytest.raises(OutOfRange):
        late_share(hours, night)


def test_only_a_day_both_dull_and_cold_leaves_the_ground_with_little() -> None:
    assert stored_share(day_cloud_fraction=1.0, day_high_c=1.0) == pytest.approx(0.6)
    assert stored_share(day_cloud_fraction=1.0, day_high_c=12.0) == 1.0
    assert stored_share(day_cloud_fraction=0.2, day_high_c=-3.0) == 1.0
    assert stored_share(day_cloud_fraction=0.75, day_high_c=6.0) == pytest.approx(0.9)
    with pytest.raises(OutOfRange, match="day_cloud_fraction"):
        stored_share(day_cloud_fraction=1.2, day_high_c=6.0)
    with pytest.raises(OutOfRange, match="day_high_c"):
        stored_share(day_cloud_fraction=0.2, day_high_c=math.inf)


def test_less_heat_is_less_lift_but_no_more_certainty() -> None:
    assert kept_lift(Estimate(2.0, 0.8), 0.6) == Estimate(1.2, 0.8)
    assert kept_lift(Estimate(-0.5, 0.8), 0.6) == Estimate(-0.5, 0.8)
    with pytest.raises(OutOfRange, match="share"):
        kept_lift(Estimate(1.0, 1.0), 1.1)
