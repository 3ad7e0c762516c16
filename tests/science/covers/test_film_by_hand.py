"""Film plans small enough to be laid out on paper."""

from __future__ import annotations

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.covers.film import Roll, Sheet, Strip, plan_film, strips_needed

ROLL = Roll("roll", 2_000.0, None, 100.0)


def test_two_rows_of_one_roll() -> None:
    sheets = [
        Sheet("a", 1_500.0, 800.0, 2, may_turn=False),
        Sheet("b", 900.0, 500.0, 1, may_turn=False),
        Sheet("c", 600.0, 400.0, 1, may_turn=False),
    ]

    plan = plan_film(sheets, ROLL)

    # Both a's side by side leave 400: c goes in beside them, b begins a row of its own.
    assert plan.strips == (
        Strip("a", 0.0, 0.0, 1_500.0, 800.0, 1, 1),
        Strip("a", 0.0, 800.0, 1_500.0, 800.0, 1, 1),
        Strip("b", 1_500.0, 0.0, 900.0, 500.0, 1, 1),
        Strip("c", 0.0, 1_600.0, 600.0, 400.0, 1, 1),
    )
    assert (plan.used_mm, plan.rows_mm, plan.joins, plan.short) == (
        2_400.0,
        (0.0, 1_500.0, 2_400.0),
        0,
        (),
    )
    area_m2 = 2 * 1.5 * 0.8 + 0.9 * 0.5 + 0.6 * 0.4
    assert plan.mass_kg == pytest.approx(area_m2 * 0.092)
    assert plan.waste_fraction == pytest.approx(1 - area_m2 / (2.4 * 2.0))
    assert plan.bound_mm == pytest.approx(max(area_m2 / 2.0 * 1e3, 1_500.0))


def test_a_long_strip_may_be_the_bound() -> None:
    plan = plan_film([Sheet("a", 3_000.0, 100.0, may_turn=False)], ROLL)

    assert (plan.bound_mm, plan.used_mm) == (3_000.0, 3_000.0)


def test_hems_and_laps_are_cut_with_the_sheet() -> None:
    plan = plan_film([Sheet("a", 3_000.0, 2_900.0)], ROLL, hem_mm=50.0)

    # 3.1 by 3.0 m with its hems. Lying with 3.0 m along the roll, the second strip takes the 1.1 m
    # that are left and a lap of 10 cm.
    assert [(s.length_mm, s.width_mm, s.part, s.parts) for s in plan.strips] == [
        (3_000.0, 2_000.0, 1, 2),
        (3_000.0, 1_200.0, 2, 2),
    ]
    assert plan.joins == 1
    assert plan.used_mm == 6_000.0


def test_a_lap_of_ten_centimetres_is_the_usual_one() -> None:
    sheet = [Sheet("a", 5_000.0, 3_900.0, may_turn=False)]

    assert plan_film(sheet, ROLL).joins == 1  # 2.0 + 2.0 less 0.1
    assert plan_film(sheet, ROLL, overlap_mm=101.0).joins == 2
    assert plan_film([Sheet("a", 5_000.0, 2_000.0, may_turn=False)], ROLL).joins == 0


@pytest.mark.parametrize(
    ("width", "roll", "lap", "strips"),
    [
        (2_000.0, 2_000.0, 100.0, 1),
        (2_000.1, 2_000.0, 100.0, 2),
        (3_900.0, 2_000.0, 100.0, 2),
        (3_900.1, 2_000.0, 100.0, 3),
        (4_000.0, 2_000.0, 0.0, 2),
        (2_000.0, 2_000.0, 5_000.0, 1),
    ],
)
def test_strips_at_the_edge(width: float, roll: float, lap: float, strips: int) -> None:
    assert strips_needed(width, roll, lap) == strips


def test_a_lap_as_wide_as_the_roll_is_refused() -> None:
    with pytest.raises(OutOfRange, match="less than the roll's 2000 mm"):
        strips_needed(2_001.0, 2_000.0, 2_000.0)
    assert strips_needed(2_001.0, 2_000.0, 1_999.0) == 2


def test_what_a_roll_has_no_length_for_is_named_once() -> None:
    sheets = [
        Sheet("long", 1_500.0, 1_500.0, 2, may_turn=False),
        Sheet("small", 500.0, 500.0, may_turn=False),
    ]

    exact = plan_film(sheets, Roll("roll", 2_000.0, 3_000.0))
    short = plan_film(sheets, Roll("roll", 2_000.0, 2_999.0))

    assert (exact.short, exact.used_mm) == ((), 3_000.0)
    assert (short.short, short.used_mm) == (("long",), 1_500.0)
    assert plan_film(sheets, Roll("roll", 2_000.0, 100.0)).rows_mm == ()
    assert plan_film(sheets, Roll("roll", 2_000.0, 100.0)).waste_fraction == 0.0


def test_of_many_kinds_one_rule_for_all_is_tried() -> None:
    # Five kinds: all lying the short way take 500 each in one row of 5 × 380 = 1.9 m.
    many = [Sheet(name, 500.0, 380.0) for name in "abcde"]
    few = many[:4]

    assert plan_film(many, ROLL).used_mm == 500.0
    # Four of them turned stand in one row of 4 × 500 = 2.0 m and take 380.
    assert plan_film(few, ROLL).used_mm == 380.0
