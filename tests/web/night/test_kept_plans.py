"""A plan that the version before this one kept is shown everywhere as it was."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from gardenapp.models.nights import Plan
from gardenapp.models.people import Member
from gardenapp.services.night import tonight
from tests.factories import Factory
from tests.pages import Pages
from tests.services.night.small_garden import BASIL, BEANS, DAHLIA, LEMON, keep_sample, small_garden

STACK = "Film frame with Loose fleece under it"


@pytest.fixture
def odile(make: Factory) -> Member:
    return small_garden(make)


@pytest.fixture
def kept(make: Factory, odile: Member) -> Plan:
    return keep_sample("plan_format_1.json", now=make.now)


@pytest.fixture
def reader(pages: Pages, odile: Member, kept: Plan) -> Pages:
    return pages.sign_in(odile)


def test_on_the_board(reader: Pages) -> None:
    page = reader.get("/tonight?view=all")

    for words in (STACK, "carry to the porch", "north shed", "4 ✕ at risk"):
        assert words in page.text, words
    assert "No cover is tall enough: 1 tall dahlia, B2 (at least 180 cm high inside" in page.text


def test_on_the_page_that_says_why(reader: Pages) -> None:
    why = {key: reader.get(f"/tonight/plantings/{key}").text for key in (BEANS, DAHLIA, LEMON)}

    assert f"4 under {STACK}: lift" in why[BEANS]
    assert "Film frame was believed to add +3.0" in why[BEANS]
    assert "Hours below 6.0" in why[BEANS]
    assert "1 left bare: no cover is tall enough" in why[DAHLIA]
    assert "2 under carry to the porch" in why[LEMON]
    assert "Its root ball in the pot" in why[LEMON]


def test_on_the_sheet_and_the_coordinators_page(reader: Pages) -> None:
    sheet, hands = reader.get("/tonight/sheet").text, reader.get("/tonight/walks").text

    assert "carry to the porch" in sheet
    assert "4 beans" in sheet
    assert "1 with no cover No cover is tall enough: 1 tall dahlia, B2" in sheet
    assert "carry to the porch" in hands
    assert f"2 more × {STACK}" in hands


def test_in_feeds_and_for_machines(reader: Pages) -> None:
    calendar = reader.get("/tonight.ics").response.get_data(as_text=True)
    atom = reader.get("/tonight.atom").response.get_data(as_text=True)
    data = reader.get("/tonight.json").response.get_json()

    unfolded = calendar.replace("\r\n ", "")
    assert f"2 × {STACK} (from north shed\\, tea hut)" in unfolded
    assert "carry to the porch" in unfolded
    assert STACK in atom
    assert {job["label"] for job in data["jobs"]} >= {STACK, "carry to the porch"}


def test_in_the_nights_ahead_and_what_is_needed(reader: Pages) -> None:
    assert f"plot A1: {STACK}" in reader.get("/ahead").text
    needs = reader.get("/store/needs").text
    assert "1 plant of tall dahlia, plot B2 1 more cover, 180 cm high inside" in needs
    assert "3 plants of basil, plot B2 1 more cover" in needs


def test_in_the_morning(make: Factory, reader: Pages, odile: Member, clock: list[datetime]) -> None:
    (job,) = [j for j in tonight.tonight_page(now=make.now).jobs if BEANS in j.plants]
    tonight.mark_on(job_id=job.id, member_id=odile.id, now=make.now)
    clock[0] = make.now + timedelta(hours=17)

    morning = reader.get("/morning").text
    plot = reader.get("/morning/plots/102?night=2026-11-24").text

    assert STACK in morning
    assert "2 at risk" in morning
    assert "We predicted about" in plot
    assert "basil" in plot
    assert "chance of loss about" in plot


def test_its_jobs_can_be_claimed_and_planned_anew(make: Factory, reader: Pages) -> None:
    page = tonight.tonight_page(now=make.now)
    (job,) = [job for job in page.jobs if BASIL in job.plants]
    reader.post(f"/tonight/jobs/{job.id}/claim")

    reader.post(
        "/forecast/by-hand",
        {"low": "-3.1", "unit": "C", "night_of": "2026-11-24"},
    )

    after = tonight.tonight_page(now=make.now)
    assert after.plan_id != page.plan_id
    assert [j.claimed_by for j in after.jobs if BASIL in j.plants] == ["Odile"]


def test_in_spanish_its_names_are_said_part_by_part(
    make: Factory, reader: Pages, odile: Member
) -> None:
    odile.language = "es"
    make.garden()

    page = reader.get("/tonight")

    assert "Film frame con Loose fleece debajo" in page.text
    assert "llevar a the porch" in page.text
