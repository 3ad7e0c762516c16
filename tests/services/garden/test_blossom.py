"""Fruit blossom moves with the warmth since somebody saw its stage."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from gardenapp.extensions import db
from gardenapp.models.plants import Crop, CropStage, Planting
from gardenapp.models.weather import DailyWeather
from gardenapp.services.garden import blossom, hardened, plants
from gardenapp.services.garden.plants import PlantingEntry
from tests.conftest import NOW
from tests.factories import Factory

STAGES = ("silver tip", "green tip", "first pink", "full bloom", "fruitlet")


def apple(make: Factory) -> dict[str, CropStage]:
    make.garden()
    crop = Crop(name="apple")
    db.session.add(crop)
    db.session.flush()
    rows = {
        name: CropStage(
            crop_id=crop.id, name=name, kind="damage", threshold_c=-2.0, source_text="x"
        )
        for name in STAGES
    }
    db.session.add_all(rows.values())
    db.session.commit()
    return rows


def warm(first: date, count: int, low_c: float, mean_c: float) -> None:
    for n in range(count):
        on = first + timedelta(days=n)
        db.session.merge(DailyWeather(on_date=on, source="record", min_c=low_c, mean_c=mean_c))
    db.session.commit()


def stage_of(planting: Planting, on: date) -> str:
    return hardened.stages_of([planting], on=on)[planting.id].name


def test_a_mild_march_brings_it_on_from_where_it_was_seen(make: Factory) -> None:
    rows = apple(make)
    tree = make.planting(stage=rows["green tip"], stage_on=date(2026, 3, 1))
    warm(date(2026, 1, 1), 100, 6.0, 11.0)  # 4.9 degree-days a day

    assert stage_of(tree, date(2026, 3, 1)) == "green tip"
    assert stage_of(tree, date(2026, 3, 15)) == "green tip"
    assert stage_of(tree, date(2026, 3, 25)) == "first pink"
    assert stage_of(tree, date(2026, 4, 5)) == "full bloom"


def test_what_nobody_saw_on_a_day_stays_as_it_was_chosen(make: Factory) -> None:
    rows = apple(make)
    tree = make.planting(stage=rows["green tip"])
    kale = make.planting(stage=make.stage("kale"), stage_on=date(2026, 3, 1))
    warm(date(2026, 1, 1), 100, 6.0, 11.0)

    assert stage_of(tree, date(2026, 4, 5)) == "green tip"
    assert blossom.stages_by_heat([kale], {kale.id: kale.stage}, on=date(2026, 4, 5)) == {}


def test_a_new_year_begins_anew_and_autumn_counts_nothing(make: Factory) -> None:
    rows = apple(make)
    tree = make.planting(stage=rows["full bloom"], stage_on=date(2025, 4, 28))
    warm(date(2026, 1, 1), 60, 6.0, 11.0)

    assert stage_of(tree, date(2025, 11, 20)) == "silver tip"
    assert stage_of(tree, date(2026, 1, 5)) == "silver tip"
    assert stage_of(tree, date(2026, 2, 5)) == "first pink"


def test_days_nobody_knows_count_as_the_others(make: Factory) -> None:
    rows = apple(make)
    tree = make.planting(stage=rows["green tip"], stage_on=date(2026, 3, 1))
    warm(date(2026, 1, 1), 100, 6.0, 11.0)
    for n in range(5, 12):
        db.session.delete(db.session.get(DailyWeather, date(2026, 3, 1) + timedelta(days=n)))
    db.session.commit()

    assert stage_of(tree, date(2026, 4, 5)) == "full bloom"


def test_saying_the_stage_again_is_seeing_it_again(make: Factory) -> None:
    rows = apple(make)
    vera = make.member()
    plot = make.plot(holders=(vera,))
    spring = NOW.replace(year=2026, month=4, day=5)
    warm(date(2026, 1, 1), 100, 6.0, 11.0)
    tree = make.planting(plot, rows["green tip"], stage_on=date(2026, 3, 1))

    def change(stage: str, **changes: object) -> Planting:
        values: dict[str, object] = {
            "stage_id": rows[stage].id, "name": "", "count": 1, "height_cm": 200.0,
            "spread_cm": 200.0, "in_pot": False, "is_movable": False, "mind": "much", "note": "",
        }  # fmt: skip
        entry = PlantingEntry(**values | changes)  # type: ignore[arg-type]
        plants.change_planting(planting_id=tree.id, entry=entry, member=vera, now=spring)
        db.session.refresh(tree)
        return tree

    # The form shows where it is by now: saving that with another note moves nothing.
    kept = change("full bloom", note="pruned")
    assert (kept.stage_id, kept.stage_on) == (rows["green tip"].id, date(2026, 3, 1))
    seen = change("first pink")
    assert (seen.stage_id, seen.stage_on) == (rows["first pink"].id, spring.date())
    assert stage_of(tree, spring.date()) == "first pink"


@pytest.mark.parametrize("crop", ["apple", "peach"])
def test_each_published_ladder_rises(crop: str) -> None:
    ladder = blossom.ladders()[crop]

    assert len(ladder.rungs) >= 7
    assert ladder.heat_of("full bloom") is not None
