from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.covers import wind
from gardenapp.science.units import ft_to_m, mph_to_mps

PASCAL_PER_PSF = 47.880259


@pytest.mark.outside("Wind pressure page with worked numbers: 10 m/s, rho 1.225, 2 m²")
def test_ten_metres_a_second_on_two_square_metres() -> None:
    pressure = wind.dynamic_pressure_pa(10.0)

    assert pressure == pytest.approx(61.25)
    assert pressure * 2.0 == pytest.approx(122.5)


@pytest.mark.outside("Worked example of a small tunnel in US units: 15 mph, 0.576 psf")
def test_fifteen_miles_an_hour() -> None:
    psf = wind.dynamic_pressure_pa(mph_to_mps(15.0)) / PASCAL_PER_PSF

    assert psf == pytest.approx(0.576, abs=0.002)


@pytest.mark.outside("Worked example of a small tunnel: 20 by 8 ft side, drag 0.8, 73.7 lb")
def test_the_side_of_a_small_tunnel_is_pushed_harder_than_it_weighs() -> None:
    area_m2 = ft_to_m(20.0) * ft_to_m(8.0)

    needed_kg = wind.sliding_ballast_kg(
        gust_mps=mph_to_mps(15.0), area_m2=area_m2, drag=0.8, friction=1.0, safety=1.0
    )

    assert needed_kg / 0.45359237 == pytest.approx(73.7, rel=0.005)
    assert needed_kg / 0.45359237 > 68.0


@pytest.mark.outside("Worked sheet to EN 1991-1-4: 26 m/s, rho 1.25, 0.422 kN/m²")
def test_the_basic_pressure_of_the_european_code() -> None:
    assert wind.dynamic_pressure_pa(26.0, 1.25) / 1000.0 == pytest.approx(0.422, abs=0.001)


@pytest.mark.parametrize(
    ("mps", "pascal"), [(5, 15.3), (10, 61.3), (15, 137.9), (20, 245.2), (25, 383.1)]
)
def test_twice_the_wind_is_four_times_the_pressure(mps: float, pascal: float) -> None:
    assert wind.dynamic_pressure_pa(mps, 1.226) == pytest.approx(pascal, abs=0.1)


@pytest.mark.outside("FAO-56 example 14, p. 92, and example 18, p. 113, as tested in PyETo")
@pytest.mark.parametrize(
    ("at_10_m", "at_2_m", "within"),
    [(3.2, 2.4, 0.05), (10.0 / 3.6, 2.078, 0.0015)],
    ids=["3.2 m/s", "10 km/h"],
)
def test_wind_at_two_metres(at_10_m: float, at_2_m: float, within: float) -> None:
    assert wind.wind_at_height(at_10_m, height_m=2.0) == pytest.approx(at_2_m, abs=within)


@given(st.floats(0.0, 30.0), st.floats(0.2, 50.0))
def test_to_another_height_and_back_is_home(speed: float, height_m: float) -> None:
    there = wind.wind_at_height(speed, height_m=height_m)

    assert wind.wind_at_height(there, height_m=10.0, measured_at_m=height_m) == pytest.approx(
        speed, abs=1e-9
    )


def test_a_lid_of_a_box_frame_needs_ballast_in_a_gale() -> None:
    needed_kg = wind.uplift_ballast_kg(
        gust_mps=15.0, area_m2=0.60 * 0.40, own_mass_kg=1.5, coefficient=1.2, safety=1.5
    )

    assert needed_kg == pytest.approx(4.57, rel=0.01)


def test_a_box_slides_before_it_is_heavy_enough() -> None:
    needed_kg = wind.sliding_ballast_kg(
        gust_mps=10.0, area_m2=0.60 * 0.35, drag=1.3, friction=0.3, safety=1.0
    )

    assert needed_kg == pytest.approx(5.69, rel=0.01)


def test_a_cover_that_is_heavy_enough_needs_nothing() -> None:
    assert wind.uplift_ballast_kg(gust_mps=5.0, area_m2=0.2, own_mass_kg=20.0) == 0.0


@given(st.floats(1.0, 40.0), st.floats(0.05, 10.0))
def test_the_limit_of_a_mass_is_the_gust_it_was_worked_out_for(gust: float, area: float) -> None:
    mass_kg = wind.uplift_ballast_kg(gust_mps=gust, area_m2=area, own_mass_kg=0.0)

    assert wind.gust_limit_mps(mass_kg=mass_kg, area_m2=area) == pytest.approx(gust)


@pytest.mark.parametrize("speed", [-1.0, math.nan, math.inf])
def test_a_wind_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(OutOfRange, match="wind_mps"):
        wind.dynamic_pressure_pa(speed)


@pytest.mark.parametrize("height_m", [0.0, 0.1, 300.0])
def test_a_height_the_form_is_not_for_is_refused(height_m: float) -> None:
    with pytest.raises(OutOfRange, match="height_m"):
        wind.wind_at_height(3.0, height_m=height_m)


@pytest.mark.parametrize(
    "changes", [{"area_m2": 0.0}, {"friction": 0.0}, {"safety": -1.0}, {"drag": math.nan}]
)
def test_ballast_for_nothing_is_refused(changes: dict[str, float]) -> None:
    arguments = {"gust_mps": 10.0, "area_m2": 1.0} | changes
    with pytest.raises(OutOfRange):
        wind.sliding_ballast_kg(**arguments)


def test_what_is_not_said_of_a_cover_is_taken_as_the_module_says() -> None:
    # q = 0.5 · 1.225 · 20² = 245 Pa on 2 m², one and a half times over.
    uplift_kg = wind.uplift_ballast_kg(gust_mps=20.0, area_m2=2.0, own_mass_kg=10.0)
    sliding_kg = wind.sliding_ballast_kg(gust_mps=20.0, area_m2=2.0)
    limit_mps = wind.gust_limit_mps(mass_kg=uplift_kg + 10.0, area_m2=2.0)

    assert uplift_kg == pytest.approx(1.5 * 245.0 * 1.2 * 2.0 / 9.81 - 10.0)
    assert sliding_kg == pytest.approx(1.5 * 245.0 * 1.3 * 2.0 / (0.3 * 9.81))
    assert limit_mps == pytest.approx(20.0)


def test_thin_air_pushes_less() -> None:
    usual = {"gust_mps": 20.0, "area_m2": 2.0, "own_mass_kg": 0.0}

    for ballast in (wind.uplift_ballast_kg, wind.sliding_ballast_kg):
        assert ballast(**usual, rho_kgm3=1.0) == pytest.approx(ballast(**usual) / 1.225)
    assert wind.gust_limit_mps(mass_kg=30.0, area_m2=2.0, rho_kgm3=1.0) == pytest.approx(
        wind.gust_limit_mps(mass_kg=30.0, area_m2=2.0) * math.sqrt(1.225)
    )


def test_a_cover_s_own_weight_counts_and_never_below_nothing() -> None:
    bare = wind.sliding_ballast_kg(gust_mps=10.0, area_m2=1.0)

    assert wind.sliding_ballast_kg(gust_mps=10.0, area_m2=1.0, own_mass_kg=5.0) == pytest.approx(
        bare - 5.0
    )
    assert wind.sliding_ballast_kg(gust_mps=10.0, area_m2=1.0, own_mass_kg=bare + 1.0) == 0.0
    assert wind.uplift_ballast_kg(gust_mps=0.0, area_m2=1.0, own_mass_kg=0.0) == 0.0
    assert wind.gust_limit_mps(mass_kg=0.0, area_m2=1.0) == 0.0


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"own_mass_kg": -0.1}, "own_mass_kg must be 0 or more, not -0.1"),
        ({"coefficient": -0.1}, "coefficient must be 0 or more, not -0.1"),
        ({"safety": 0.0}, "safety must be above 0, not 0.0"),
        ({"rho_kgm3": 0.0}, "rho_kgm3 must be above 0, not 0.0"),
        ({"area_m2": math.inf}, "area_m2 must be above 0, not inf"),
    ],
)
def test_uplift_of_nonsense_is_refused_in_words(changes: dict[str, float], words: str) -> None:
    with pytest.raises(OutOfRange) as refused:
        wind.uplift_ballast_kg(**({"gust_mps": 9.0, "area_m2": 1.0, "own_mass_kg": 0.0} | changes))

    assert str(refused.value) == words


@pytest.mark.parametrize("name", ["area_m2", "coefficient", "safety", "rho_kgm3"])
def test_a_limit_of_nonsense_is_refused_in_words(name: str) -> None:
    with pytest.raises(OutOfRange, match=f"{name} must be above 0, not 0.0"):
        wind.gust_limit_mps(**({"mass_kg": 9.0, "area_m2": 1.0} | {name: 0.0}))
    with pytest.raises(OutOfRange, match=r"mass_kg must be 0 or more, not -1\.0"):
        wind.gust_limit_mps(mass_kg=-1.0, area_m2=1.0)


def test_heights_from_a_fifth_of_a_metre_to_two_hundred_are_taken() -> None:
    assert wind.wind_at_height(3.0, height_m=0.2) > 0.0
    assert wind.wind_at_height(3.0, height_m=200.0) > 3.0
    for height in (0.19, 200.1):
        with pytest.raises(OutOfRange, match=f"height_m must be 0.2 to 200 m, not {height}"):
            wind.wind_at_height(3.0, height_m=height)
        with pytest.raises(OutOfRange, match=f"measured_at_m must be 0.2 to 200 m, not {height}"):
            wind.wind_at_height(3.0, height_m=2.0, measured_at_m=height)
