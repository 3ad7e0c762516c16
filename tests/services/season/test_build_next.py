"""What to build next is ranked by the same nights with and without one more of each."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from gardenapp.errors import OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.season import build_next, replay
from gardenapp.services.season.replay_gardens import current_garden
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.builds.stocked import stock_up

EVENING = NOW.date()


def nights(count: int = 300, low_c: float = -1.0) -> list[ReplayNight]:
    """Nights from September on, each as cold."""
    first = date(2020, 9, 1)
    days = [first + timedelta(days=number) for number in range(count)]
    return [ReplayNight(night_of=day, low_c=low_c, measured_on=day) for day in days]


def planted(make: Factory) -> None:
    plot = make.plot("A1")
    make.planting(plot, make.stage("test bean", threshold_c=0.0), count=4, mind="dearly")


def test_a_broken_cover_that_would_have_saved_plants_is_worth_mending(make: Factory) -> None:
    planted(make)
    make.cover(make.cover_kind("Crate", clear_mean_k=4.0), condition="broken", is_usable=False)
    garden = current_garden(before=EVENING)
    extras = build_next.find_extras(garden=garden, member=make.coordinator())

    steps = list(build_next.rank(garden, nights(), extras, latitude=52.0))

    assert len(steps) == 300  # one a night, so work and progress grow with the nights
    result = steps[-1].result
    assert result is not None
    [row] = result["rows"]
    assert row["what"] == "mend"
    assert row["avoided"] > 0.0
    assert result["winters"] == 1


def test_nights_that_endanger_nothing_make_nothing_worth_building(make: Factory) -> None:
    planted(make)
    make.cover(condition="broken", is_usable=False)
    garden = current_garden(before=EVENING)
    extras = build_next.find_extras(garden=garden, member=make.coordinator())

    result = list(build_next.rank(garden, nights(low_c=15.0), extras, latitude=52.0))[-1].result

    assert result is not None
    assert result["risky_nights"] == 0
    assert [row["avoided"] for row in result["rows"]] == [0.0]


def test_the_same_seed_gives_the_same_ranking(make: Factory) -> None:
    member = make.coordinator()
    seed_catalogue(db.session)
    db.session.commit()
    stock_up(member)
    planted(make)
    garden = current_garden(before=EVENING)
    extras = build_next.find_extras(garden=garden, member=member)
    assert {extra.what for extra in extras} == {"build"}

    one, two = (
        list(build_next.rank(garden, nights(60), extras, latitude=52.0))[-1].result
        for _ in range(2)
    )

    assert one == two


def test_without_nights_or_anything_to_build_it_says_so(make: Factory) -> None:
    planted(make)
    garden = current_garden(before=EVENING)

    with pytest.raises(OutOfRange):
        next(build_next.rank(garden, [], (), latitude=52.0))
    with pytest.raises(OutOfRange):
        next(build_next.rank(garden, nights(3), (), latitude=52.0))
    with pytest.raises(Refused, match="No past nights"):
        build_next.start_ranking(
            member=make.coordinator("Ines"),
            now=NOW,
            context=lambda: pytest.fail("nothing may start"),
            clock=lambda: NOW,
        )
    assert replay.list_runs(now=NOW, kind=replay.BUILD_NEXT) == []
