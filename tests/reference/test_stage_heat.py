"""The warmth at which fruit buds reach their stages, against the published ladders."""

from __future__ import annotations

import pytest

from gardenapp.reference import load_stage_heat

CORNELL = "Research code of a north-eastern climate centre: degree-days F over 43 F, capped at 86 F"
SPAIN = "Miranda and others 2013, in the package fruclimadapt: growing degree hours over 4.7 °C"


def heat(crop: str, stage: str) -> float:
    (found,) = [r.degree_days_k for r in load_stage_heat() if (r.crop, r.stage) == (crop, stage)]
    return found


@pytest.mark.outside(CORNELL)
@pytest.mark.parametrize(
    ("stage", "kinds_f"),
    [
        ("silver tip", (91, 85, 97)),
        ("green tip", (107, 121, 132)),
        ("half-inch green", (170, 175, 192)),
        ("tight cluster", (224, 233, 248)),
        ("first pink", (288, 295, 331)),
        ("full bloom", (384, 382, 424)),
        ("post-bloom", (492, 484, 539)),
    ],
)
def test_the_apple_takes_the_earliest_of_three_kinds(
    stage: str, kinds_f: tuple[float, ...]
) -> None:
    assert heat("apple", stage) == pytest.approx(min(kinds_f) * 5.0 / 9.0, abs=0.06)


@pytest.mark.outside(SPAIN)
@pytest.mark.parametrize(
    ("stage", "hours"),
    [("swollen bud", 786), ("calyx green", 1385), ("calyx red", 2557), ("first pink", 4016),
     ("first bloom", 5518), ("full bloom", 7348), ("post-bloom", 9457)],
)  # fmt: skip
def test_the_peach_takes_its_hours_as_days(stage: str, hours: float) -> None:
    assert heat("peach", stage) == pytest.approx(hours / 24.0, abs=0.06)


@pytest.mark.outside("Univ. of Massachusetts: McIntosh green tip at about 120 degree-days F")
def test_green_tip_is_not_later_than_a_second_source_has_it() -> None:
    assert heat("apple", "green tip") * 9.0 / 5.0 <= 120.0


@pytest.mark.outside("Seattle daily weather 2012-2015, open data; apples there bloom in spring")
def test_apples_bloom_in_spring_on_a_real_record() -> None:
    vega = pytest.importorskip("vega_datasets")
    from gardenapp.services.garden.blossom import ladders

    ladder = ladders()["apple"]
    days = vega.local_data.seattle_weather()
    for year in (2012, 2013, 2014, 2015):
        total, blooms_on = 0.0, None
        for _, row in days[days["date"].dt.year == year].iterrows():
            total += ladder.degree_days(row["temp_min"], row["temp_max"])
            if blooms_on is None and ladder.stage_at(total) == "full bloom":
                blooms_on = row["date"]
        # 2015 had the mildest winter of its record; the earliest kind is taken, to be cautious.
        assert blooms_on is not None and (3, 5) <= (blooms_on.month, blooms_on.day) <= (5, 5)
