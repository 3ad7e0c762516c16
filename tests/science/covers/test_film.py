from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.covers import film
from gardenapp.science.covers.film import FilmPlan, Roll, Sheet, plan_film


@pytest.mark.outside("Stretch film page, worked example: 300 m x 0.5 m x 17 µm is 2.346 kg")
def test_a_roll_of_stretch_film() -> None:
    assert film.film_mass_kg(300.0, 0.5, 17.0) == pytest.approx(2.346, abs=1e-9)


@pytest.mark.outside("Film yield chart: 1 mil at 0.92 is 23.4 g/m², at 0.95 is 24.1 g/m²")
@pytest.mark.parametrize(("density", "gm2"), [(920.0, 23.4), (950.0, 24.1)], ids=["LD", "HD"])
def test_a_thousandth_of_an_inch(density: float, gm2: float) -> None:
    assert film.areal_mass_gm2(film.mil_to_um(1.0), density) == pytest.approx(gm2, abs=0.1)


@pytest.mark.parametrize(("um", "gm2"), [(100, 92), (150, 138), (200, 184)])
def test_usual_thicknesses(um: float, gm2: float) -> None:
    assert film.areal_mass_gm2(um) == pytest.approx(gm2)


@pytest.mark.parametrize(("oz", "gm2"), [(0.55, 18.6), (0.9, 30.5), (1.5, 50.9), (2.0, 67.8)])
def test_fabric_in_ounces(oz: float, gm2: float) -> None:
    assert film.oz_yd2_to_gm2(oz) == pytest.approx(gm2, abs=0.06)


def test_rows_across_a_wide_roll_take_no_more_than_was_found_by_hand() -> None:
    sheets = [
        Sheet("a", 2400, 1500, 4, may_turn=False),
        Sheet("b", 2000, 1000, 2, may_turn=False),
        Sheet("c", 1800, 1000, 3, may_turn=False),
    ]

    plan = plan_film(sheets, Roll("roll", 3000))

    assert plan.used_mm <= 8600
    assert plan.bound_mm == pytest.approx(7933.33, abs=0.01)
    assert_no_overlap(plan, 3000)


def assert_no_overlap(plan: FilmPlan, width_mm: float) -> None:
    for number, one in enumerate(plan.strips):
        assert one.across_mm >= 0 and one.across_mm + one.width_mm <= width_mm + 1e-6
        assert one.along_mm + one.length_mm <= plan.used_mm + 1e-6
        for other in plan.strips[number + 1 :]:
            assert (
                one.along_mm + one.length_mm <= other.along_mm + 1e-6
                or other.along_mm + other.length_mm <= one.along_mm + 1e-6
                or one.across_mm + one.width_mm <= other.across_mm + 1e-6
                or other.across_mm + other.width_mm <= one.across_mm + 1e-6
            )


@given(
    sheets=st.lists(
        st.tuples(st.integers(100, 4000), st.integers(100, 4000), st.integers(1, 4)),
        min_size=1,
        max_size=6,
    ),
    width=st.integers(900, 4000),
)
def test_strips_never_overlap_and_the_bound_holds(
    sheets: list[tuple[int, int, int]], width: int
) -> None:
    wanted = [Sheet(f"s{i}", a, b, n) for i, (a, b, n) in enumerate(sheets)]

    plan = plan_film(wanted, Roll("roll", width), hem_mm=20, overlap_mm=100)

    assert_no_overlap(plan, width)
    assert plan.bound_mm <= plan.used_mm + 1e-6
    assert 0 <= plan.waste_fraction < 1
    whole = math.fsum(strip.length_mm * strip.width_mm for strip in plan.strips)
    assert whole >= math.fsum((a + 40) * (b + 40) * n for a, b, n in sheets) - 1e-3


def test_a_sheet_is_turned_before_it_is_joined() -> None:
    plan = plan_film([Sheet("cover", 1500, 3800)], Roll("roll", 2000))

    assert plan.joins == 0 and plan.used_mm == 3800


def test_a_sheet_wider_than_the_roll_both_ways_gets_one_lapped_join() -> None:
    plan = plan_film([Sheet("cover", 3000, 5000)], Roll("roll", 2000), overlap_mm=150)

    assert plan.joins == 1
    # Two strips of the long way, the lap counted once: 2000 + 1150 make 3000 + 150.
    assert sorted(strip.width_mm for strip in plan.strips) == [1150, 2000]
    assert plan.used_mm == 10_000


@pytest.mark.parametrize(
    ("width", "roll", "lap", "strips"),
    [(2000, 2000, 100, 1), (2001, 2000, 100, 2), (3900, 2000, 100, 2), (3901, 2000, 100, 3)],
)
def test_strips_in_closed_form(width: float, roll: float, lap: float, strips: int) -> None:
    assert film.strips_needed(width, roll, lap) == strips


def test_a_roll_that_is_too_short_says_what_is_left_out() -> None:
    plan = plan_film([Sheet("cover", 3000, 1800, 2)], Roll("end of roll", 2000, length_mm=4000))

    assert plan.short == ("cover",) and len(plan.strips) == 1


@pytest.mark.parametrize(
    ("sheets", "roll", "words"),
    [
        ([], Roll("r", 1000), "no sheets"),
        ([Sheet("a", -1, 10)], Roll("r", 1000), "sides must be"),
        ([Sheet("a", 10, 10, 10_000)], Roll("r", 1000), "at most 500"),
        ([Sheet("a", 10, 10)], Roll("r", 0), "above 0"),
        ([Sheet("a", 900, 900)], Roll("r", 50), "overlap_mm must be less"),
    ],
    ids=["none", "negative", "too many", "no roll", "narrow roll"],
)
def test_impossible_sheets_are_refused(sheets: list[Sheet], roll: Roll, words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        plan_film(sheets, roll)
