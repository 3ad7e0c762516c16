"""Plans follow what plants bear today: the same crops need nothing, or everything."""

from __future__ import annotations

import ast
from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp import reference
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.plants import Crop, CropStage
from gardenapp.models.weather import DailyWeather
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.kept_plans import stories_of
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory

Grow = Callable[..., dict[str, int]]
NOVEMBER = date(2026, 11, 24)
CLEAR: dict[str, Any] = {"cloud_fraction": 0.1, "wind_mps": 1.0, "gust_mps": 3.0}
HARDY = (
    ("garlic", "growing leaves"),
    ("leek", "growing leaves"),
    ("kale", "young plant or leaves"),
    ("Brussels sprouts", "young plant or leaves"),
    ("corn salad", "leaves"),
    ("swede", "tops"),
    ("parsnip", "tops"),
    ("cabbage", "young plant"),
)
ORDINARY = ((3.5, 6.5, 60),)
MILD = ((3.5, 6.5, 60), (9.5, 13.0, 14))
MAY = ((8.0, 14.0, 60),)


@pytest.fixture
def grow(make: Factory) -> Grow:
    """Plant crops of the published catalogue in a garden with plenty of fleece."""
    make.garden()
    with write_transaction() as session:
        seed_catalogue(
            session,
            stages=reference.load_stages(),
            constructions=reference.load_constructions(),
            sources=reference.load_sources(),
        )
    fleece = make.cover_kind(
        "fleece", construction="fleece", is_rigid=False, may_touch=True, inner_height_cm=None,
        inner_length_cm=300.0, inner_width_cm=300.0, outer_length_cm=300.0,
        outer_width_cm=300.0, clear_mean_k=2.5, cloudy_mean_k=2.0,
    )  # fmt: skip
    for _ in range(30):
        make.cover(fleece)

    def planted(*crops: tuple[str, str], **changes: object) -> dict[str, int]:
        found = {}
        for crop, name in crops:
            stage = db.session.scalars(
                select(CropStage).join(Crop).where(Crop.name == crop, CropStage.name == name)
            ).one()
            values: dict[str, object] = {
                "count": 12, "height_cm": stage.usual_height_cm,
                "spread_cm": stage.usual_spread_cm,
            }  # fmt: skip
            planting = make.planting(make.plot(), stage, **values | changes)
            found[crop] = planting.id
        return found

    return planted


def weather(evening: date, *spells: tuple[float, float, int]) -> None:
    rows = [(low, mean) for low, mean, count in spells for _ in range(count)]
    for back, (low, mean) in enumerate(reversed(rows)):
        on = evening - timedelta(days=back)
        db.session.merge(DailyWeather(on_date=on, source="record", min_c=low, mean_c=mean))
    db.session.commit()


def night(low_c: float, evening: date = NOVEMBER) -> dict[int, PlantingStory]:
    now: datetime = NOW.replace(year=evening.year, month=evening.month, day=evening.day)
    forecasts.enter_by_hand(night_of=evening, low_c=low_c, member_id=None, now=now, **CLEAR)
    number = plan_night.plan_night(night_of=evening, member_id=None, now=now)
    plan = db.session.get(Plan, number)
    assert plan is not None
    return {story.planting_id: story for story in stories_of(plan)}


def served(stories: dict[int, PlantingStory]) -> set[str]:
    return {story.crop for story in stories.values() if story.given}


def test_nobody_is_sent_out_for_winter_crops_at_two_below_in_late_november(grow: Grow) -> None:
    grow(*HARDY)
    weather(NOVEMBER, *ORDINARY)

    stories = night(-2.0)

    assert served(stories) == set()
    assert {story.status for story in stories.values()} == {"safe"}
    assert all(-9.5 < story.threshold_c < -3.0 for story in stories.values())


def test_the_same_leeks_and_cabbages_need_it_when_a_mild_fortnight_has_softened_them(
    grow: Grow,
) -> None:
    grow(*HARDY)
    weather(NOVEMBER, *MILD)

    stories = night(-7.0)

    assert {"leek", "cabbage"} <= served(stories)
    told = next(story for story in stories.values() if story.crop == "leek")
    assert told.state is not None and told.state.share < 0.1


def test_the_kale_needs_it_at_fifteen_below(grow: Grow) -> None:
    grow(*HARDY)
    weather(NOVEMBER, *ORDINARY)

    assert "kale" not in served(night(-5.0))
    assert "kale" in served(night(-15.0))


def test_the_same_two_below_in_may_is_another_night(grow: Grow) -> None:
    grow(
        ("French bean", "young plant"),
        ("potato", "full foliage"),
        ("broccoli", "young plant or leaves"),
        ("cabbage", "young plant"),
        ("lettuce", "leafing or hearting"),
    )
    evening = date(2027, 5, 12)
    weather(evening, *MAY)

    stories = night(-2.0, evening)

    assert served(stories) >= {"French bean", "potato", "broccoli", "lettuce"}
    assert all(story.state is None or story.state.share < 0.1 for story in stories.values())


def test_a_late_frost_after_a_mild_march_warns_for_blossom_by_its_stage(grow: Grow) -> None:
    evening = date(2027, 4, 8)
    grow(("apple", "green tip"), count=1, stage_on=date(2027, 3, 1))
    weather(evening, (6.0, 11.5, 98))
    (mild,) = night(-3.5, evening).values()
    weather(evening, (-2.0, 2.0, 98))
    (cold,) = night(-3.5, evening).values()

    assert (mild.stage, cold.stage) == ("full bloom", "green tip")
    assert mild.share > 0.3 and mild.status != "safe"
    assert cold.status == "safe"
    assert mild.harm == "harvest"


def test_no_crops_name_stands_in_the_planner() -> None:
    package = Path(plan_night.__file__).resolve().parents[2]
    names = {crop for crop, _stage in HARDY}

    for folder in ("science", "services/night", "services/garden"):
        for path in (package / folder).rglob("*.py"):
            said = {
                node.value
                for node in ast.walk(ast.parse(path.read_text("utf-8")))
                if isinstance(node, ast.Constant) and isinstance(node.value, str)
            }
            assert not names & said, path
