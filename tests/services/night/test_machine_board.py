"""The board for machines keeps its shape, whatever the form in which plans are kept."""

from __future__ import annotations

import json

import pytest

from gardenapp.services.night.machine_board import board_as_dict
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan
from tests.services.night.small_garden import (
    BASIL,
    BEANS,
    LOW,
    SAMPLES,
    keep_sample,
    small_garden,
)

SAMPLE = "plan_format_1.json"


@pytest.mark.parametrize("kept_by", ["the version before", "this version"])
def test_machines_read_what_plans_of_the_first_format_were(make: Factory, kept_by: str) -> None:
    small_garden(make)
    if kept_by == "this version":
        enter(make.now, **LOW)
        plan(make.now)
    else:
        keep_sample(SAMPLE, now=make.now)
    kept = json.loads((SAMPLES / SAMPLE).read_text("utf-8"))
    columns = ("planting_id", "plot_id", "status", "margin_k")
    job_labels = {job["id"]: job["label"] for job in kept["jobs"]}

    board = json.loads(json.dumps(board_as_dict(now=make.now, night_of=EVENING)))

    new_labels = {job["id"]: job["label"] for job in board["jobs"]}
    assert sorted(new_labels.values()) == sorted(job_labels.values())
    header = kept["plan"]["header"]
    is_new = kept_by == "this version"
    if not is_new:  # this version's figures are its own; its shape is not
        assert {key: board["plan"][key] for key in header if key != "stages"} == {
            key: value for key, value in header.items() if key != "stages"
        }
    else:
        lifts = [job["lift_off_by"] for job in board["jobs"] if job["lift_off_by"] is not None]
        assert board["plan"]["lift_off_by"] == min(lifts, default=None)
    assert [key for key in list(board["plan"])[6:] if key != "lift_statuses"] == list(header)
    for said, row in zip(board["plantings"], kept["rows"], strict=True):
        # Told since: the offset of a clear night, the early end of a crossing, and what the
        # weather, the mornings and the kind of harm make of it; nothing else.
        assert said.pop("offset_clear") is not None
        for name in ("crosses_early_at", "worth_per", "state", "learnt_k", "harm", "death"):
            said.pop(name)
        assert list(said) == [*columns, *row["data"]]
        for gift, old in zip(said["given"], row["data"]["given"], strict=True):
            assert list(gift) == list(old)
            assert new_labels[gift.pop("job_id")] == job_labels[old.pop("job_id")]
        if is_new:
            assert {key: type(value) for key, value in said["options"][0].items()} == {
                key: type(value) for key, value in row["data"]["options"][0].items()
            }
        else:
            assert said == {**{name: row[name] for name in columns}, **row["data"]}


def test_reasons_and_ways_are_said_in_english_words(make: Factory) -> None:
    small_garden(make)
    enter(make.now, **LOW)
    plan(make.now)

    board = board_as_dict(now=make.now)

    stories = {story["planting_id"]: story for story in board["plantings"]}
    assert stories[BASIL]["reason"]["words"].startswith("every cover that would fit is in use")
    assert stories[BEANS]["given"][0]["label"] == "Film frame with Loose fleece under it"
    assert "format" not in board["plan"]
    assert "names" not in board["plan"]


def test_a_night_without_a_plan_is_told_without_one(make: Factory) -> None:
    make.garden()

    board = board_as_dict(now=make.now)

    assert (board["plan"], board["forecast"], board["jobs"]) == (None, None, [])
