"""Kept plans as records, of this format and of the one before."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Any

import pytest
from sqlalchemy import event, select

from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import Option, PlantingStory, TreatmentName
from gardenapp.services.kept_plans import header_of, offsets_said, stories_of
from tests.factories import Factory
from tests.services.night.planning import enter, plan
from tests.services.night.small_garden import BASIL, BEANS, DAHLIA, LOW, keep_sample, small_garden

STACK = TreatmentName(("Film frame", "Loose fleece"))


def test_the_format_before_says_what_the_plan_of_today_says(make: Factory) -> None:
    small_garden(make)
    old = keep_sample("plan_format_1.json", now=make.now)
    before, header_before = stories_of(old), header_of(old)
    enter(make.now, **LOW)
    plan(make.now)
    new = db.session.scalars(select(Plan).where(Plan.is_current)).one()

    after, header = stories_of(new), header_of(new)

    assert new.id != old.id
    # Jobs come in another order since each has its own latest time: known by what they are.
    names = {(job.plot_id, header.name_of(job.treatment, "")): job.id for job in new.jobs}
    now_called = {
        job.id: names[job.plot_id, header_before.name_of(job.treatment, job.label)]
        for job in old.jobs
    }
    ids = [now_called.get(number, 0) for number in range(max(now_called) + 1)]
    said = [shape(story.with_job_ids(ids)) for story in before]
    assert sorted(said, key=str) == sorted(map(shape, after), key=str)
    assert len(set(now_called.values())) == len(old.jobs) == len(new.jobs)
    for name in ("low", "low_at", "frost", "put_on_by", "curve"):
        assert shape(getattr(header_before, name)) == shape(getattr(header, name)), name


def shape(value: Any) -> Any:
    """What is left of a record without its figures, which later versions reckon otherwise."""
    if isinstance(value, float | datetime | Estimate) or value is None:
        return type(value).__name__
    if isinstance(value, Option):
        return shape(value.name)
    if isinstance(value, TreatmentName):
        return value.label
    if is_dataclass(value):
        # A figure less or more of danger changes a status and the order of options, not a shape.
        return {
            field.name: shape(getattr(value, field.name))
            for field in fields(value)
            if field.name
            not in {
                "status",
                "crosses_at",
                "crosses_early_at",
                "back_at",
                "kind",
                "reason",
                "mind",
                "worth_per",
            }
        }
    if isinstance(value, Mapping):
        return {str(key): shape(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return sorted((shape(item) for item in value), key=str)
    return value


def test_names_and_reasons_of_the_format_before_are_codes_and_parts(make: Factory) -> None:
    small_garden(make)
    stories = {
        story.planting_id: story
        for story in stories_of(keep_sample("plan_format_1.json", now=make.now))
    }

    (gift,) = stories[BEANS].given
    assert gift.name == STACK
    assert any(option.name == TreatmentName(place="the porch") for option in _options(stories))
    tall = stories[DAHLIA].reason
    assert tall is not None
    assert (tall.code, tall.values["needs_cm"]) == ("too_tall", 180.0)
    wanted = stories[BASIL].reason
    assert wanted is not None
    assert wanted.units_wanted == 1


def _options(stories: dict[int, PlantingStory]) -> list[Option]:
    return [option for story in stories.values() for option in story.options]


def test_a_plan_is_read_from_the_database_once(make: Factory) -> None:
    small_garden(make)
    kept = keep_sample("plan_format_1.json", now=make.now)
    stories_of(kept)
    asked: list[str] = []
    listen = lambda *args: asked.append(args[2])  # noqa: E731
    event.listen(db.engine, "before_cursor_execute", listen)

    again = stories_of(kept)

    event.remove(db.engine, "before_cursor_execute", listen)
    assert len(again) == 5
    assert asked == []


def test_a_plan_says_what_it_believed_of_each_plot(make: Factory) -> None:
    small_garden(make)
    kept = keep_sample("plan_format_1.json", now=make.now)

    offsets = offsets_said([kept])

    assert set(offsets) == {(kept.id, 101), (kept.id, 102)}
    assert offsets[kept.id, 102].mean == pytest.approx(-1.0)
    assert offsets_said([kept], plot_ids={102}) == {(kept.id, 102): offsets[kept.id, 102]}
    assert offsets[kept.id, 101] == Estimate(0.0, offsets[kept.id, 101].sd)
