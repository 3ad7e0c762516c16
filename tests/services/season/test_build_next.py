"""What to build next is ranked by the same nights with and without one more of each."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

import pytest

from gardenapp.errors import OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.science.season.replay import Truth
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.science.season.replay_garden import ReplayGarden
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.season import build_next, replay
from gardenapp.services.season.build_next import Extra
from gardenapp.services.season.replay_gardens import current_garden, invented_garden
from tests.bench.bench_build_next import extras as frames
from tests.bench.bench_build_next import winters
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.builds.stocked import stock_up
from tests.services.season.ranked_plainly import rank_plainly

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
    with pytest.raises(Refused, match="no past nights"):
        build_next.start_ranking(
            member=make.coordinator("Ines"),
            now=NOW,
            context=lambda: pytest.fail("nothing may start"),
            clock=lambda: NOW,
        )
    assert replay.list_runs(now=NOW, kind=replay.BUILD_NEXT) == []


def with_skies(seed: int) -> list[ReplayNight]:
    """Two winters of nights whose cloud, wind and gusts somebody recorded, in a few steps."""
    rng = random.Random(seed)
    return [
        replace(
            night,
            cloud_fraction=rng.choice((0.0, 0.5, 1.0)),
            wind_mps=rng.choice((1.0, 4.0)),
            gust_mps=rng.choice((None, 6.0, 18.0)),
        )
        for night in winters(2)
    ]


def check_against_plain(
    garden: ReplayGarden, found: list[ReplayNight], extras: list[Extra], seed: int
) -> None:
    steps = list(build_next.rank(garden, found, extras, latitude=52.0, seed=seed))
    plain = rank_plainly(garden, found, extras, latitude=52.0, seed=seed)

    result = steps[-1].result
    assert result is not None
    assert result["risky_nights"] == plain["risky_nights"] > 0
    assert [row["key"] for row in result["rows"]] == [row["key"] for row in plain["rows"]]
    assert any(row["avoided"] > 0.0 for row in plain["rows"])
    for row, expected in zip(result["rows"], plain["rows"], strict=True):
        assert row["nights"] == expected["nights"]
        for name in ("avoided", "low", "high", "hours"):
            assert row[name] == pytest.approx(expected[name], abs=1e-6), name


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_ranking_is_the_straightforward_one(seed: int) -> None:
    garden = invented_garden(plots=5, plantings_per_plot=3)

    check_against_plain(garden, winters(2), frames()[::3], seed)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_ranking_is_the_straightforward_one_under_recorded_skies(seed: int) -> None:
    garden = invented_garden(plots=3, plantings_per_plot=4)

    check_against_plain(garden, with_skies(seed), frames()[1::5], seed)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_ranking_is_the_straightforward_one_where_minutes_are_short(seed: int) -> None:
    garden = replace(invented_garden(plots=5, plantings_per_plot=3), minutes_budget=40.0)

    check_against_plain(garden, winters(2), frames()[2::4], seed)


def test_losses_kept_for_few_plantings_only_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build_next, "_MOST_EXPECTED", 20)
    garden = invented_garden(plots=3, plantings_per_plot=3)

    check_against_plain(garden, winters(2), frames()[::6], 1)


def test_few_plantings_are_asked_what_they_lose_and_alike_evenings_share_an_allocation(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: Counter[str] = Counter()
    lost, changes = Truth.lost, build_next._changes
    monkeypatch.setattr(
        Truth, "lost", lambda self, *args: (asked.update(["lost"]), lost(self, *args))[1]
    )
    monkeypatch.setattr(
        build_next, "_changes", lambda *args: (asked.update(["given out"]), changes(*args))[1]
    )
    garden, found, extras = invented_garden(plots=5), winters(2), frames()[::3]

    result = list(build_next.rank(garden, found, extras, latitude=52.0))[-1].result
    assert result is not None
    quick = Counter(asked)
    rank_plainly(garden, found, extras, latitude=52.0, seed=1)

    assert 0 < quick["given out"] < result["risky_nights"] / 2
    assert 0 < quick["lost"] < (asked["lost"] - quick["lost"]) / 4
