"""A crop's likeliest stage by date and place. What is usual is common practice, no source."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pytest

from gardenapp import reference
from gardenapp.services.garden.stage_guess import guess_stage


@dataclass(frozen=True)
class Stage:
    name: str


def stages(crop: str) -> list[Stage]:
    return [Stage(row.stage) for row in reference.load_stages() if row.crop == crop]


@pytest.mark.parametrize(
    ("crop", "month", "stage"),
    [
        ("apple", 3, "silver tip"), ("apple", 4, "tight cluster"), ("apple", 5, "full bloom"),
        ("apple", 7, "silver tip"), ("strawberry", 12, "dormant plant"),
        ("strawberry", 5, "full bloom"), ("French bean", 5, "young plant"),
        ("French bean", 7, "climbing, full height"), ("tomato", 4, "young plant"),
        ("tomato", 8, "full grown"), ("tomato", 10, "full grown"), ("garlic", 12, "growing leaves"),
    ],
)  # fmt: skip
def test_a_stage_is_guessed_from_the_month(crop: str, month: int, stage: str) -> None:
    known = [row.name for row in stages(crop)]
    assert stage in known, known
    found = guess_stage(stages(crop), on=date(2026, month, 10), latitude=52.0).name
    if crop == "apple" and month == 7:
        assert found in known  # no stage of summer is published: any will do
    else:
        assert found == stage


def test_the_south_has_its_seasons_half_a_year_later() -> None:
    north = guess_stage(stages("tomato"), on=date(2026, 4, 10), latitude=52.0)
    south = guess_stage(stages("tomato"), on=date(2026, 10, 10), latitude=-33.0)
    assert north == south


def test_pots_are_told_apart_where_that_is_known() -> None:
    both = [Stage("plant in the ground"), Stage("in a pot, first winter")]
    assert guess_stage(both, on=date(2026, 1, 1), latitude=52, in_pot=True).name.endswith("winter")
    assert guess_stage(both, on=date(2026, 1, 1), latitude=52).name == "plant in the ground"
    assert guess_stage(both[1:], on=date(2026, 1, 1), latitude=52) == both[1]
    with pytest.raises(ValueError, match="at least one"):
        guess_stage([], on=date(2026, 1, 1), latitude=52)
