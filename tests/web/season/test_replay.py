"""A coordinator uploads a past record, watches it being replayed and reads what came out."""

from __future__ import annotations

import io
from datetime import timedelta
from typing import Any

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.replays import ReplayRun
from gardenapp.services.season import replay
from tests.conftest import NOW
from tests.factories import Factory, replay_run
from tests.pages import Pages
from tests.services.season.test_replay import record_csv

FORM = {
    "unit": "C",
    "daily_low": "morning",
    "station": "",
    "season": "all",
    "garden": "current",
    "covers": "all",
    "times": "",
    "seed": "7",
}


@pytest.fixture
def coordinator(make: Factory) -> Member:
    member = make.coordinator()
    make.planting(make.plot("A1"), make.stage("bean", threshold_c=0.0))
    make.cover(make.cover_kind("box"))
    return member


def upload(data: bytes = b"", name: str = "winter.csv", **changes: str) -> dict[str, Any]:
    return FORM | changes | {"file": (io.BytesIO(data or record_csv()), name)}


def make_run(**changes: Any) -> int:
    return replay_run(NOW, **changes)


def test_a_record_is_replayed_from_upload_to_result(
    app: Flask, pages: Pages, coordinator: Member
) -> None:
    pages.sign_in(coordinator)

    answer = pages.post("/replay", upload())
    run_id = int(answer.response.headers["Location"].rsplit("/", 1)[1])
    assert replay.wait_for(run_id, seconds=90)
    page = pages.get(f"/replay/{run_id}")

    assert "Replay of winter.csv" in page.heading
    assert "perfect foresight" in page.text and "Brier score" in page.text
    assert "seed 7" in page.text
    assert "http-equiv" not in page.html  # nothing to wait for any more
    rows = page.all("tr")
    assert any("most tender first" in "".join(row.itertext()) for row in rows)
    assert len(page.all("rect")) == 0 and page.html.count("<rect") == 6
    assert "done" in pages.get("/replay").text


def test_a_reader_of_fahrenheit_finds_no_celsius(
    pages: Pages, make: Factory, coordinator: Member
) -> None:
    reader = make.coordinator("Fran", temperature_unit="F")
    pages.sign_in(reader)

    run_id = int(pages.post("/replay", upload()).response.headers["Location"].rsplit("/", 1)[1])
    assert replay.wait_for(run_id, seconds=90)
    page = pages.get(f"/replay/{run_id}")

    assert "°C" not in page.html
    assert "everything below 36 °F" in page.text and "3.6 °F" in page.text


def test_a_run_that_goes_on_shows_how_far_it_is_and_looks_again(
    pages: Pages, coordinator: Member
) -> None:
    run_id = make_run()

    page = pages.sign_in(coordinator).get(f"/replay/{run_id}")

    assert '<meta http-equiv="refresh" content="3">' in page.html
    bar = page.all("progress")[0]
    assert (bar.get("value"), bar.get("max")) == ("12", "40")
    assert "12 of 40 nights" in page.text


def test_a_run_is_stopped_with_one_press(pages: Pages, coordinator: Member) -> None:
    run_id = make_run()
    pages.sign_in(coordinator)

    page = pages.follow(pages.post(f"/replay/{run_id}/stop"))

    assert "stops after the night" in page.text
    assert db.session.get(ReplayRun, run_id, populate_existing=True).wants_stop  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"status": "interrupted"}, "restarted after 12 of 40 nights"),
        ({"status": "stopped"}, "Stopped after 12 of 40 nights"),
        ({"status": "failed", "message": "the reason"}, "It failed. the reason"),
        ({"heard_at": NOW - timedelta(minutes=9)}, "restarted after 12 of 40 nights"),
    ],
    ids=["interrupted", "stopped", "failed", "silent"],
)
def test_a_run_that_did_not_end_well_says_why(
    pages: Pages, coordinator: Member, changes: dict[str, Any], words: str
) -> None:
    run_id = make_run(**changes)

    assert words in pages.sign_in(coordinator).get(f"/replay/{run_id}").text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"covers": "times"}, "Enter a number, such as 0.5 or 2"),
        ({"covers": "times", "times": "101"}, "100"),
        ({"seed": "nan"}, "number"),
        ({"seed": "99999999999999999999"}, "number"),
        ({"season": "x" * 3000}, "Choose one of the list"),
        ({"garden": "🌱"}, "Choose one of the list"),
        ({"station": "a\x00b"}, "letters, digits and punctuation"),
        ({"station": "s" * 500}, "at most 80"),
    ],
    ids=["no times", "times", "nan", "20 digits", "long", "emoji", "control", "long station"],
)
def test_what_is_typed_wrong_is_said_beside_it_and_nothing_is_lost(
    pages: Pages, coordinator: Member, changes: dict[str, Any], words: str
) -> None:
    pages.sign_in(coordinator)

    page = pages.post("/replay", upload(**changes), status=422)

    assert words in page.text
    assert page.values()["unit"] == "C"
    assert page.values()["seed"] == changes.get("seed", "7")
    assert not replay.list_runs(now=NOW)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\x89PNG not a table", "picture"),
        (b"DATE,TMAX,TMIN\n2025-01-01,1,5\n2025-01-02,1,0\n", "line 2, tmin"),
        (record_csv(10), "20 nights"),
        (b"\xff\xfe\x00", "UTF-16"),
    ],
    ids=["picture", "low above high", "too short", "utf-16"],
)
def test_a_file_that_cannot_be_replayed_is_refused_with_the_reason(
    pages: Pages, coordinator: Member, data: bytes, words: str
) -> None:
    pages.sign_in(coordinator)

    page = pages.post("/replay", upload(data), status=422)

    assert words in page.text
    assert page.values()["season"] == "all"


def test_no_file_is_asked_for(pages: Pages, coordinator: Member) -> None:
    pages.sign_in(coordinator)

    assert "Choose a file" in pages.post("/replay", FORM, status=422).text


def test_a_second_replay_is_refused_while_one_goes_on(pages: Pages, coordinator: Member) -> None:
    make_run()

    page = pages.sign_in(coordinator).post("/replay", upload(), status=422)

    assert "already running" in page.text


def test_the_garden_with_nothing_in_it_is_refused(pages: Pages, make: Factory) -> None:
    pages.sign_in(make.coordinator())

    assert "Nothing grows" in pages.post("/replay", upload(), status=422).text


@pytest.mark.parametrize("path", ["/replay", "/replay/1"])
def test_members_do_not_come_in(pages: Pages, make: Factory, path: str) -> None:
    pages.sign_in(make.member())

    pages.get(path, status=403)


@pytest.mark.parametrize("run_id", ["1", "2147483647", "99999999999999999999"])
def test_a_replay_that_is_not_there_is_not_found(
    pages: Pages, coordinator: Member, run_id: str
) -> None:
    pages.sign_in(coordinator)

    pages.get(f"/replay/{run_id}", status=404)
    pages.post(f"/replay/{run_id}/stop", {}, status=404)


def test_before_any_night_is_on_record_the_next_step_is_said(
    pages: Pages, coordinator: Member
) -> None:
    assert "Save the lows you read" in pages.sign_in(coordinator).get("/replay").text


def test_a_strange_file_name_is_shown_safely(pages: Pages, coordinator: Member) -> None:
    pages.sign_in(coordinator)

    answer = pages.post("/replay", upload(name="../../<b>éé\u202e.csv" + "x" * 300))
    page = pages.follow(answer)
    run_id = int(answer.response.headers["Location"].rsplit("/", 1)[1])

    assert replay.wait_for(run_id, seconds=90)
    assert "<b>" not in page.html and "\u202e" not in page.html and "../" not in page.heading
