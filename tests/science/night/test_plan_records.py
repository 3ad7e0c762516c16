"""What a plan says, to JSON and back, and the reading of the format before."""

from __future__ import annotations

import json
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta

import pytest

from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import (
    PLAN_FORMAT,
    Gift,
    HardnessStory,
    LiftLearnt,
    LiftStory,
    Option,
    PlanHeader,
    PlantingStory,
    Reason,
    SolveStage,
    StoryParts,
    TreatmentName,
    format_of,
    rounded,
)

AT = datetime(2026, 11, 24, 16, 2, tzinfo=UTC)
STACK = TreatmentName(("Film frame", "Loose straw"))
PORCH = TreatmentName(place="the porch")
PARTS = StoryParts(
    Estimate(-2.0, 1.3), Estimate(-1.0, 0.5), Estimate(-0.6, 0.4), Estimate(-1.5, 0.5)
)
STORY = PlantingStory(
    planting_id=7,
    plot_id=3,
    status="short",
    margin_k=-3.1,
    name="beans",
    crop="French bean",
    crop_id=11,
    stage="young plant",
    count=9,
    is_hardened=True,
    uses_hardened=False,
    in_pot=False,
    mind="dearly",
    height_cm=20.0,
    spread_cm=15.0,
    plot="B2",
    worth_per="bed",
    threshold_c=0.0,
    kind="kill",
    state=HardnessStory(0.3, 1.2, 3, by_weather_c=-4.0, is_uncertain=True),
    learnt_k=0.4,
    harm="looks",
    curve_t50_c=-0.5,
    curve_sd_k=1.0,
    source_id="",
    source_text="a table",
    source_status="seen",
    parts=PARTS,
    offset_reason="a hollow",
    offset_declared=Estimate(-1.2, 0.6),
    offset_nights=4,
    offset_clear=Estimate(-1.7, 0.3),
    temp=Estimate(-5.1, 1.6),
    share=0.9,
    frost=0.88,
    death=0.3,
    chilling=0.2,
    chilling_c=6.0,
    root=None,
    root_kill_c=None,
    hours_below=9.5,
    crosses_at=AT,
    crosses_early_at=AT - timedelta(hours=1),
    back_at=None,
    given=(Gift(1, "4+5", STACK, 6, Estimate(-1.0, 1.7), Estimate(4.1, 0.9), 0.5),),
    left=3,
    after=0.63,
    options=(Option("shelter", PORCH, Estimate(1.0, 1.0), 0.1),),
    reason=Reason("all_in_use", {}, 20.0, 15.0, 2),
)
LEARNT = LiftLearnt(Estimate(3.0, 0.8), Estimate(3.4, 0.5), 2)
HEADER = PlanHeader(
    low=Estimate(-2.0, 1.3),
    low_at=AT + timedelta(hours=14),
    forecast_low_c=-2.2,
    record_nights=3,
    record_bias=Estimate(0.2, 0.4),
    share=Estimate(0.8, 0.2),
    frost="radiation frost",
    coldest_plant_c=-5.1,
    cloud_fraction=0.1,
    wind_mps=None,
    gust_mps=4.0,
    dew_point_c=None,
    sunset_at=AT,
    sunrise_at=AT + timedelta(hours=15),
    is_polar=False,
    put_on_by=AT,
    lift_off_by=None,
    counts={"short": 1, "safe": 2},
    minutes=12.5,
    lifts={"4+5": (LiftStory(4, "Film frame", 1, 3, LEARNT, LEARNT),)},
    lift_statuses={"4+5": ("derived", "seen"), "shelter": ("memory",)},
    curve=((AT, 5.25), (AT + timedelta(hours=14), -2.2)),
    stages=(SolveStage("greedy", 0.004),),
    names={"4+5": STACK, "shelter": PORCH},
)


def through_json(data: object) -> dict[str, object]:
    """What a database gives back."""
    found: dict[str, object] = json.loads(json.dumps(data))
    return found


def story_from(data: dict[str, object], version: int = PLAN_FORMAT) -> PlantingStory:
    return PlantingStory.from_json(
        data, version, planting_id=7, plot_id=3, status="short", margin_k=-3.1
    )


def test_a_story_comes_back_as_it_was_kept() -> None:
    assert story_from(through_json(STORY.to_json())) == STORY


def test_a_story_without_reason_gifts_or_options_comes_back_too() -> None:
    bare = replace(STORY, reason=None, given=(), options=(), crosses_at=None, chilling=None)

    assert story_from(through_json(bare.to_json())) == bare
    assert "reason" not in bare.to_json()


def test_a_header_comes_back_as_it_was_kept_and_says_its_format() -> None:
    data = through_json(HEADER.to_json())

    assert format_of(data) == PLAN_FORMAT == 3
    assert PlanHeader.from_json(data, format_of(data)) == HEADER


def test_a_plan_without_a_number_is_of_the_first_format() -> None:
    assert format_of({"low": [-2.0, 1.3]}) == 1


@pytest.mark.parametrize(
    ("name", "label"),
    [
        (TreatmentName(("Loose straw",)), "Loose straw"),
        (STACK, "Film frame with Loose straw under it"),
        (PORCH, "carry to the porch"),
    ],
)
def test_a_label_of_the_first_format_is_read_as_the_name_it_was_made_of(
    name: TreatmentName, label: str
) -> None:
    assert name.label == label
    assert TreatmentName.from_label(label) == name
    assert TreatmentName.from_json(through_json(name.to_json())) == name


def test_a_kind_that_is_called_like_a_stack_stays_one_kind() -> None:
    name = TreatmentName(("Box with straw under it",))

    assert TreatmentName.from_json(through_json(name.to_json())) == name


def test_a_story_and_a_header_of_the_first_format_are_read() -> None:
    data, header = STORY.to_json(), HEADER.to_json()
    for item in (*data["given"], *data["options"]):
        item["label"] = TreatmentName.from_json(item.pop("name")).label
    data["reason"]["words"] = "every cover that would fit is in use"
    del header["format"], header["names"]

    for key in ("worth_per", "state", "learnt_k", "harm", "death"):
        del data[key]

    story = story_from(through_json(data), 1)
    found = PlanHeader.from_json(through_json(header), 1)

    assert story == replace(
        STORY, worth_per="plant", state=None, learnt_k=0.0, harm="plant", death=None
    )
    assert found == replace(HEADER, names={})
    assert found.name_of("4+5", "Film frame with Loose straw under it") == STACK


def test_what_the_first_plans_did_not_know_yet_is_read_as_nothing() -> None:
    data, header = STORY.to_json(), HEADER.to_json()
    for item in (*data["given"], *data["options"]):
        item["label"] = TreatmentName.from_json(item.pop("name")).label
    for key in ("offset_declared", "offset_nights", "offset_clear", "crosses_early_at"):
        del data[key]
    for key in ("worth_per", "state", "learnt_k", "harm", "death"):
        del data[key]
    for key in ("format", "names", "lifts", "record_nights", "record_bias"):
        del header[key]

    story, found = story_from(data, 1), PlanHeader.from_json(header, 1)

    assert (story.offset_declared, story.offset_nights) == (Estimate(0.0, 0.0), 0)
    assert story.offset_clear == Estimate(0.0, 0.0)
    assert story.crosses_early_at is None
    assert (found.lifts, found.record_nights) == ({}, 0)
    assert found.record_bias == Estimate(0.0, 0.0)


def test_gifts_get_the_jobs_numbers_in_place_of_their_places() -> None:
    (gift,) = STORY.with_job_ids([40, 41]).given

    assert gift.job_id == 41
    assert STORY.with_job_ids([40, 41]).gift_of(41) == gift
    assert STORY.gift_of(41) is None


def test_a_story_says_its_plots_low_and_how_many_are_lost() -> None:
    assert STORY.said_low.mean == pytest.approx(-3.0)
    assert STORY.lost == 3
    assert replace(STORY, left=0).lost == 9


def test_a_header_says_what_trials_taught_of_a_treatment() -> None:
    assert HEADER.lift_stories("4+5")[0].clear == LEARNT
    assert HEADER.lift_stories("9") == ()


def test_records_cannot_be_changed() -> None:
    with pytest.raises(FrozenInstanceError):
        STORY.status = "safe"  # type: ignore[misc]
    assert not hasattr(STORY, "__dict__")


def test_what_is_kept_has_four_digits() -> None:
    assert rounded(Estimate(-1.23456789, 0.98765432)) == Estimate(-1.2346, 0.9877)
