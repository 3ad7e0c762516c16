from __future__ import annotations

import math
from datetime import UTC, datetime
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.night import damage
from gardenapp.science.night.damage import (
    DEFAULT_SPREAD_K,
    DamageCurve,
    chilling_share,
    combined_share,
    curve_from_pair,
    curve_from_threshold,
    further_share,
    hours_below_on_day,
)
from gardenapp.science.units import f_to_c

SUNSET_AT = datetime(2026, 4, 20, 18, 30, tzinfo=UTC)
curves = st.builds(DamageCurve, st.floats(-20.0, 12.0), st.floats(0.2, 4.0))

# 10 % and 90 % kill after 30 minutes, °F as printed.
PAIRS = {
    "apple silver tip": (15, 2, "MSU Extension / Utah State IPM-012, apple block"),
    "apple full bloom": (28, 25, "MSU Extension critical spring temperatures, apple block"),
    "pear full bloom": (28, 24, "MSU Extension critical spring temperatures, pear block"),
    "pear bud scales separating": (15, 0, "MSU Extension critical spring temperatures, pear block"),
    "sweet cherry full bloom": (28, 25, "MSU Extension critical spring temperatures, cherry block"),
    "peach first pink": (25, 15, "MSU Extension critical spring temperatures, peach block"),
    "peach full bloom": (27, 24, "MSU Extension critical spring temperatures, peach block"),
    "plum first white": (26, 22, "MSU Extension critical spring temperatures, plum block"),
    "apricot full bloom": (27, 22, "MSU Extension critical spring temperatures, apricot block"),
    "blueberry full bloom": (28, 26, "Purdue Facts for Fancy Fruit, table 1"),
    "grape bud burst": (28, 26, "Purdue Facts for Fancy Fruit, table 1"),
}


@pytest.mark.parametrize(
    ("t10_f", "t90_f"),
    [
        pytest.param(t10, t90, id=name, marks=pytest.mark.outside(source))
        for name, (t10, t90, source) in PAIRS.items()
    ],
)
def test_the_curve_goes_through_the_published_pair(t10_f: float, t90_f: float) -> None:
    curve = curve_from_pair(f_to_c(t10_f), f_to_c(t90_f))

    assert curve.share_at(f_to_c(t10_f)) == pytest.approx(0.10, abs=1e-9)
    assert curve.share_at(f_to_c(t90_f)) == pytest.approx(0.90, abs=1e-9)
    assert curve.t50_c == pytest.approx(f_to_c((t10_f + t90_f) / 2.0))


@pytest.mark.parametrize(
    ("t10_f", "t90_f", "no_damage_f"),
    [
        pytest.param(28, 25, 29, id="apple post-bloom"),
        pytest.param(28, 25, 30, id="peach post-bloom"),
        pytest.param(28, 23, 30, id="plum post-bloom"),
        pytest.param(28, 25, 31, id="apricot green fruit"),
    ],
)
@pytest.mark.outside("MSU Extension table: older standard, no damage for 30 minutes, small fruit")
def test_hardly_anything_is_hurt_where_an_older_table_says_nothing_is(
    t10_f: float, t90_f: float, no_damage_f: float
) -> None:
    curve = curve_from_pair(f_to_c(t10_f), f_to_c(t90_f))

    assert curve.share_at(f_to_c(no_damage_f)) < 0.05


@given(curves, st.floats(-30.0, 20.0), st.floats(0.0, 10.0))
def test_colder_never_lowers_the_damage(curve: DamageCurve, temp_c: float, k: float) -> None:
    assert curve.share_at(temp_c - k) >= curve.share_at(temp_c)


@given(curves, st.floats(-30.0, 20.0), st.floats(0.0, 4.0), st.floats(0.0, 10.0))
def test_a_colder_belief_never_lowers_the_damage(
    curve: DamageCurve, mean_c: float, sd_k: float, k: float
) -> None:
    warm, cold = Estimate(mean_c, sd_k), Estimate(mean_c - k, sd_k)

    assert curve.expected_share(cold) >= curve.expected_share(warm)


@given(curves, st.floats(-30.0, 20.0))
def test_a_belief_without_spread_gives_the_curve_itself(curve: DamageCurve, temp_c: float) -> None:
    assert curve.expected_share(Estimate(temp_c, 0.0)) == pytest.approx(curve.share_at(temp_c))


@pytest.mark.parametrize(
    ("mean_c", "sd_k"), [(-1.0, 1.5), (-3.0, 0.7), (1.0, 2.5)], ids=["near", "sure", "vague"]
)
def test_the_closed_form_is_the_average_over_the_temperatures(mean_c: float, sd_k: float) -> None:
    curve = DamageCurve(-2.2, 0.9)
    belief = NormalDist(mean_c, sd_k)
    step = 0.001

    average = step * sum(
        belief.pdf(t) * curve.share_at(t)
        for t in (mean_c - 8.0 * sd_k + step * i for i in range(int(16.0 * sd_k / step)))
    )

    assert curve.expected_share(Estimate(mean_c, sd_k)) == pytest.approx(average, abs=1e-5)


@pytest.mark.parametrize(
    ("kind", "share"),
    [("damage", 0.10), ("kill", 0.50), ("root_kill", 0.50), ("chilling", 0.10)],
)
def test_a_single_published_temperature_is_read_as_its_kind_says(kind: str, share: float) -> None:
    curve = curve_from_threshold(-2.0, kind=kind)

    assert curve.share_at(-2.0) == pytest.approx(share)
    assert curve.sd_k == DEFAULT_SPREAD_K[kind]


def test_a_spread_of_one_s_own_is_taken() -> None:
    assert curve_from_threshold(-2.0, kind="kill", spread_k=0.4).sd_k == 0.4


@pytest.mark.outside("MSU Extension and Purdue bud tables: spreads of the open-blossom pairs above")
def test_the_default_spread_is_about_that_of_published_pairs() -> None:
    spreads = [
        curve_from_pair(f_to_c(t10), f_to_c(t90)).sd_k
        for name, (t10, t90, _) in PAIRS.items()
        if "full bloom" in name
    ]

    assert min(spreads) < DEFAULT_SPREAD_K["damage"] < max(spreads)


def test_a_kind_nobody_knows_is_refused() -> None:
    with pytest.raises(OutOfRange, match="kind"):
        curve_from_threshold(-2.0, kind="10pct")


@pytest.mark.parametrize(("t10_c", "t90_c"), [(-3.0, -2.0), (-2.0, -2.0), (math.nan, -2.0)])
def test_a_pair_the_wrong_way_round_is_refused(t10_c: float, t90_c: float) -> None:
    with pytest.raises(OutOfRange, match="t90_c"):
        curve_from_pair(t10_c, t90_c)


@pytest.mark.parametrize("sd_k", [0.0, -1.0, math.nan, math.inf])
def test_a_curve_needs_a_spread(sd_k: float) -> None:
    with pytest.raises(OutOfRange, match="sd_k"):
        DamageCurve(-2.0, sd_k)


def test_two_harms_are_worse_than_one_and_never_more_than_all() -> None:
    assert combined_share(0.5, 0.5) == pytest.approx(0.75)
    assert combined_share(0.3, 0.0) == pytest.approx(0.3)
    assert combined_share(1.0, 0.7) == 1.0


@given(curves, st.floats(0.01, 0.99))
def test_the_temperature_for_a_share_gives_that_share(curve: DamageCurve, share: float) -> None:
    assert curve.share_at(curve.temperature_for(share)) == pytest.approx(share)


# Chilling


def test_no_hours_of_chill_do_no_harm_and_the_half_dose_harms_half() -> None:
    assert chilling_share(0.0) == 0.0
    assert chilling_share(48.0) == pytest.approx(0.5)


@pytest.mark.outside("Storage chilling limits mean days of exposure (produce handbook reprint)")
def test_one_cool_night_is_far_from_the_days_that_storage_limits_mean() -> None:
    assert chilling_share(9.0) < 0.1
    assert chilling_share(7 * 24.0) > 0.9


@given(st.floats(0.0, 200.0), st.floats(0.0, 50.0))
def test_more_hours_of_chill_never_do_less(hours: float, more: float) -> None:
    assert 0.0 <= chilling_share(hours) <= chilling_share(hours + more) <= 1.0


@pytest.mark.parametrize("hours", [-1.0, math.nan, math.inf])
def test_hours_that_are_none_are_refused(hours: float) -> None:
    with pytest.raises(OutOfRange, match="hours_below"):
        chilling_share(hours)


@pytest.mark.parametrize(
    ("low_c", "mean_c", "threshold_c", "hours"),
    [(2.0, 8.0, 2.0, 0.0), (2.0, 8.0, 8.0, 12.0), (2.0, 8.0, 5.0, 8.0), (2.0, 8.0, 20.0, 24.0)],
)
def test_hours_below_are_those_of_a_sine_about_the_days_mean(
    low_c: float, mean_c: float, threshold_c: float, hours: float
) -> None:
    assert hours_below_on_day(low_c, mean_c, threshold_c) == pytest.approx(hours)
    assert hours_below_on_day(4.9, 4.9, threshold_c) == (24.0 if threshold_c > 4.9 else 0.0)


def test_a_further_night_takes_of_what_is_left() -> None:
    assert further_share(0.5, 0.0) == 0.5
    assert further_share(0.7, 0.4) == pytest.approx(0.5)
    assert further_share(0.4, 0.4) == further_share(0.3, 0.4) == further_share(1.0, 1.0) == 0.0


@pytest.mark.parametrize("share", [-0.01, 1.01, float("nan")])
def test_two_harms_are_shares_and_strike_as_if_by_chance(share: float) -> None:
    assert combined_share(0.5, 0.2) == pytest.approx(0.6)
    assert combined_share(0.0, 1.0) == 1.0
    with pytest.raises(OutOfRange, match="a must be 0 to 1"):
        combined_share(share, 0.5)
    with pytest.raises(OutOfRange, match="b must be 0 to 1"):
        combined_share(0.5, share)


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, math.nan])
def test_no_temperature_kills_all_or_none(share: float) -> None:
    curve = curve_from_threshold(-2.0, kind="kill")

    assert curve.temperature_for(0.5) == pytest.approx(curve.t50_c)
    with pytest.raises(OutOfRange, match="share"):
        curve.temperature_for(share)


def test_what_is_taken_from_memory_or_chosen_is_what_the_pages_say() -> None:
    assert Estimate(-0.75, 0.5) == damage.AIR_RECORD_K
    assert damage.DEFAULT_SPREAD_K == {
        "damage": 1.0, "kill": 1.0, "root_kill": 1.0, "chilling": 2.0,
    }  # fmt: skip
    # Two days and nights of chill harm half; after half that time, two to the minus 0.35 are well.
    assert damage.chilling_share(48.0) == pytest.approx(0.5)
    assert damage.chilling_share(24.0) == pytest.approx(1.0 - 2.0 ** -(0.5**1.5))
    assert damage.chilling_share(10.0, hours_for_half=5.0, steepness=1.0) == pytest.approx(0.75)
    for constants in ({"hours_for_half": 0.0}, {"steepness": 0.0}):
        with pytest.raises(OutOfRange, match="hours_for_half and steepness must be above 0"):
            damage.chilling_share(1.0, **constants)
