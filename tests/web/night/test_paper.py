"""Paper: the gate's sheet and slips as pages, and typing in what was ticked."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import Deployment, Job, JobPart, Plan
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night import paper, tonight
from tests.factories import Factory
from tests.pages import XHTML, Page, Pages
from tests.services.night.planning import enter, plan
from tests.stored_night import AT_RISK, JOBS, NO_COVER, PLACES, StoredNight, stored_night


@pytest.fixture
def night(make: Factory) -> StoredNight:
    return stored_night(make)


@pytest.fixture
def esme(pages: Pages, night: StoredNight) -> Pages:
    return pages.sign_in(night.esme)


def job_of(plan_id: int, number: int) -> Job:
    numbers = paper.numbers_of(plan_id)
    job = db.session.get(Job, next(key for key, found in numbers.items() if found == number))
    assert job is not None
    return job


def numbers_on(page: Page) -> list[int]:
    return [
        int("".join(e.itertext()))
        for e in page.all("th")
        if e.get("class") == "no" and e.get("scope") == "row"
    ]


def row_of(page: Page, number: int) -> tuple[str, dict[str, str]]:
    """A row's words, and what its boxes say."""
    for row in page.all("tr"):
        head = row.find(f"{XHTML}th")
        if head is not None and head.get("class") == "no" and head.text == str(number):
            words = re.sub(r"[\s\u202f\xa0]+", " ", "".join(row.itertext())).strip()
            boxes = [e.get("aria-label", "") for e in row.iter() if e.get("class") == "square"]
            return words, dict(label.split(": ") for label in boxes)
    raise AssertionError(number)


def deployments() -> int:
    db.session.rollback()
    return db.session.scalar(select(func.count()).select_from(Deployment)) or 0


# --- the sheet ----------------------------------------------------------------------------------


def test_the_sheet_holds_every_job_and_leaves_out_nothing(pages: Pages, night: StoredNight) -> None:
    page = pages.get("/tonight/sheet")

    assert sorted(numbers_on(page)) == list(range(1, JOBS + 1))
    for place, note in PLACES.items():
        assert f"{place} {note}".strip() in page.text
    assert "Pots to carry in" in page.text
    assert f"{NO_COVER} with no cover" in page.text
    assert f"{AT_RISK} covered, still at risk" in page.text
    for story in paper.gate_sheet(now=datetime.fromisoformat("2026-11-24T15:00+00:00")).no_cover:
        assert f"{story.lost} {story.name}, {story.plot}" in page.text
    assert " more: see the board" not in page.text
    assert "<svg" in page.html


def test_a_row_says_what_goes_where_over_which_plants_by_when(
    pages: Pages, night: StoredNight
) -> None:
    words, boxes = row_of(pages.get("/tonight/sheet"), 16)

    assert words == "16 bottle 16 → A7 12 pak choi 16:42"
    assert boxes == {"Evening": "to be ticked", "Morning": "to be ticked"}


def test_the_sheet_bears_its_number_and_names_nobody(pages: Pages, night: StoredNight) -> None:
    tonight.claim_job(
        job_id=job_of(night.plan_id, 4).id,
        member_id=night.esme.id,
        now=datetime.fromisoformat("2026-11-24T15:00+00:00"),
    )

    page = pages.get("/tonight/sheet")

    assert f"Sheet {night.plan_id}, plan of 15:00" in page.text
    # At its head, and again over each place.
    assert page.text.count(f"Sheet {night.plan_id}, plan of 15:00") == 1 + len(PLACES) + 1
    assert "Esme" not in page.html
    assert "taken by somebody" in row_of(page, 4)[0]


def test_boxes_are_ticked_where_the_board_says_so(
    make: Factory, pages: Pages, night: StoredNight
) -> None:
    for number in (1, 2):
        job_id = job_of(night.plan_id, number).id
        tonight.mark_on(job_id=job_id, member_id=night.esme.id, now=make.now)
    tonight.mark_off(job_id=job_of(night.plan_id, 2).id, member_id=night.esme.id, now=make.now)

    page = pages.get("/tonight/sheet")

    assert row_of(page, 1)[1] == {"Evening": "ticked", "Morning": "to be ticked"}
    assert row_of(page, 2)[1] == {"Evening": "ticked", "Morning": "ticked"}
    assert row_of(page, 3)[1] == {"Evening": "to be ticked", "Morning": "to be ticked"}


def test_what_can_hurt_stands_beside_its_job(make: Factory, pages: Pages) -> None:
    night = stored_night(make)
    job = job_of(night.plan_id, 3)
    job.is_icy = True
    forecast = db.session.scalars(select(Forecast)).one()
    assert forecast is not None
    plan_row = db.session.get(Plan, night.plan_id)
    assert plan_row is not None
    plan_row.header = {**plan_row.header, "gust_mps": 12.0}
    db.session.commit()

    page = pages.get("/tonight/sheet")

    assert "two people, about 24 kg · glass: gloves on · ice by then" in row_of(page, 3)[0]
    assert "weigh it down" in row_of(page, 1)[0]
    assert "weigh it down" not in row_of(page, 5)[0]


def test_what_must_come_off_says_so_and_is_ticked_off_in_the_evening(
    make: Factory, pages: Pages, night: StoredNight
) -> None:
    job = job_of(night.plan_id, 5)
    tonight.mark_on(job_id=job.id, member_id=night.esme.id, now=make.now)
    job = job_of(night.plan_id, 5)
    job.must_come_off = True
    db.session.commit()

    words, boxes = row_of(pages.get("/tonight/sheet"), 5)

    assert "TAKE OFF" in words
    assert "may blow away" in words
    assert boxes == {"Evening": "to be ticked"}


def test_a_struck_job_says_why_and_has_nothing_to_tick(
    make: Factory, pages: Pages, night: StoredNight
) -> None:
    first, second = job_of(night.plan_id, 1).id, job_of(night.plan_id, 2).id
    parts = {
        part.job_id: part
        for part in db.session.scalars(select(JobPart).where(JobPart.job_id.in_([first, second])))
    }
    parts[second].cover_id = parts[first].cover_id
    db.session.commit()
    tonight.mark_on(job_id=first, member_id=night.esme.id, now=make.now)

    words, boxes = row_of(pages.get("/tonight/sheet"), 2)

    assert "Struck out. fleece 1 stands on plot A1" in words
    assert boxes == {}


def test_an_old_forecast_is_said_on_paper(
    pages: Pages, night: StoredNight, clock: list[datetime]
) -> None:
    assert "Old forecast" not in pages.get("/tonight/sheet").text
    clock[0] += timedelta(hours=14)

    assert "Old forecast, 14 hours ago" in pages.get("/tonight/sheet").text
    assert "Old forecast, 14 hours ago" in pages.get("/tonight/slips").text


def test_large_print_is_a_link_away_and_anything_else_is_the_usual(
    pages: Pages, night: StoredNight
) -> None:
    usual, large = pages.get("/tonight/sheet?size=x"), pages.get("/tonight/sheet?size=large")

    assert usual.all("body")[0].get("class") == "paper normal"
    assert large.all("body")[0].get("class") == "paper large"
    assert "Large print" in usual.text
    assert "Usual print" in large.text


def test_only_members_are_sent_to_where_ticks_are_typed_in(
    pages: Pages, night: StoredNight
) -> None:
    stranger = pages.get("/tonight/sheet")
    member = Pages(pages.app).sign_in(night.esme).get("/tonight/sheet")

    assert "Type in what was ticked" not in stranger.text
    assert "Type in what was ticked" in member.text


def test_without_a_plan_and_without_jobs_the_papers_say_so(make: Factory, pages: Pages) -> None:
    make.garden()
    for path in ("/tonight/sheet", "/tonight/slips"):
        assert "No plan for this night yet" in pages.get(path).text
    make.planting()
    enter(make.now, 9.0)
    plan(make.now)

    assert "Nothing to cover tonight." in pages.get("/tonight/sheet").text
    assert "Nothing is left to do tonight." in pages.get("/tonight/slips").text


def test_spanish_paper_speaks_spanish(make: Factory, pages: Pages, night: StoredNight) -> None:
    garden = get_garden()
    garden.language = "es"
    db.session.commit()

    page = pages.get("/tonight/sheet")

    assert f"Hoja {night.plan_id}, plan de las 15:00" in page.text
    assert "Macetas que hay que" in page.text


# --- slips --------------------------------------------------------------------------------------


def slips_of(page: Page) -> list[str]:
    return [
        re.sub(r"[\s\u202f\xa0]+", " ", "".join(e.itertext())).strip()
        for e in page.all("section")
        if e.get("class") == "slip"
    ]


def test_each_walk_has_a_slip_with_its_load_and_every_open_job_is_on_one(
    make: Factory, pages: Pages, night: StoredNight
) -> None:
    for number in (1, 2):
        job_id = job_of(night.plan_id, number).id
        tonight.mark_on(job_id=job_id, member_id=night.esme.id, now=make.now)

    page = pages.get("/tonight/slips")

    assert sorted(numbers_on(page)) == list(range(3, JOBS + 1))
    found = slips_of(page)
    assert len(found) == len(paper.slips(now=make.now).walks)
    assert page.html.count('class="qr"') == len(found)  # a code to the board on each
    assert "Left out, done or not to be done: 2." in page.text
    for slip, walk in zip(found, paper.slips(now=make.now).walks, strict=True):
        assert f"Sheet {night.plan_id}, plan of 15:00" in slip
        for label in walk.load:
            assert slip.count(label) >= 2, label  # to load, and where it goes
    assert row_of(page, 3)[1] == {"Evening": "to be ticked"}
    assert "two people, about 24 kg · glass: gloves on" in row_of(page, 3)[0]


def test_slips_come_in_large_print_too(pages: Pages, night: StoredNight) -> None:
    page = pages.get("/tonight/slips?size=large")

    assert page.all("body")[0].get("class") == "paper slips large"


# --- typing in what was ticked ------------------------------------------------------------------


def send(phone: Pages, *, status: int = 303, **values: str) -> Page:
    fields = {"sheet": "", "evening": "", "morning": "", "form_key": "k" * 32}
    return phone.post("/tonight/ticked", fields | values, status=status)


def test_thirty_numbers_are_typed_in_with_one_press(esme: Pages, night: StoredNight) -> None:
    form = esme.get("/tonight/ticked")
    assert form.values()["sheet"] == str(night.plan_id)  # there is no other

    done = send(esme, sheet=str(night.plan_id), evening="1-20, 21 22–25; 26 27 28 29 30")

    assert "Now on: 1–30." in esme.follow(done).text
    assert deployments() == 30


def test_all_good_ones_are_marked_and_each_refused_one_stays_with_its_reason(
    make: Factory, esme: Pages, night: StoredNight
) -> None:
    page = send(
        esme,
        status=422,
        sheet=str(night.plan_id),
        evening="1-3 99 98, 4x 2",
        morning="2, 40",
    )

    assert "Now on: 1–3. Now off: 2." in page.text
    assert page.values()["evening"] == "4x, 2, 98, 99"
    assert page.values()["morning"] == "40"
    assert "98, 99: not on this sheet, whose numbers run from 1 to 56." in page.text
    assert "4x: that is not a number on a sheet." in page.text
    assert "2: typed twice and marked once." in page.text
    assert re.search(r"40 \(bottle 40 → C2, \d+ pak choi\): it is not marked as on", page.text)
    assert deployments() == 3
    # The form can be sent again as it stands, with a key of its own.
    assert page.values()["form_key"] != "k" * 32


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"sheet": "", "evening": "1"}, "Enter a whole number"),
        ({"sheet": "x", "evening": "1"}, "Enter a whole number"),
        ({"sheet": "1.5", "evening": "1"}, "Enter a whole number"),
        ({"sheet": "777", "evening": "1-3"}, "There is no sheet 777."),
        ({"sheet": "1", "evening": " ", "morning": ""}, "Type at least one number."),
        ({"sheet": "1", "evening": "1 " * 2000}, "Use at most 2000 characters"),
    ],
)
def test_what_cannot_be_taken_marks_nothing_and_stays_typed(
    esme: Pages, night: StoredNight, values: dict[str, str], words: str
) -> None:
    page = send(esme, status=422, **values)

    assert words in page.text.replace("\u202f", "")
    for name, value in values.items():
        assert page.values()[name].strip() == value.strip()
    assert deployments() == 0


@pytest.mark.parametrize("text", ["\x00", "<script>", "9" * 1900, "1-9999"])
def test_nothing_typed_is_a_server_error(esme: Pages, night: StoredNight, text: str) -> None:
    page = send(esme, status=422, sheet=str(night.plan_id), evening=text)

    assert "There is a problem" in page.text


def test_a_whole_range_past_the_end_is_told_in_one_line(esme: Pages, night: StoredNight) -> None:
    page = send(esme, status=422, sheet=str(night.plan_id), evening="50-9999")

    assert "57–9999: not on this sheet" in page.text
    assert page.values()["evening"] == "57–9999"
    assert "Now on: 50–56." in page.text


def test_a_sheet_of_a_replaced_plan_is_noticed(make: Factory, pages: Pages) -> None:
    member = make.member("Ines")
    make.planting(make.plot("A1"), name="beans")
    make.cover(make.cover_kind(clear_mean_k=4.0), label="T1")
    enter(make.now, -2.0)
    old = plan(make.now)
    make.planting(make.plot("B2"), name="late beans")
    make.cover(make.cover_kind(clear_mean_k=4.0), label="T2")
    new = plan(make.now + timedelta(minutes=5))
    pages.sign_in(member)
    # Of two sheets none is taken for granted.
    assert pages.get("/tonight/ticked").values()["sheet"] == ""

    done = pages.follow(send(pages, sheet=str(old.plan_id), evening="1"))

    assert "Now on: 1." in done.text
    assert f"Sheet {old.plan_id}, plan of 15:00, was replaced by" in done.text
    assert f"Sheet {new.plan_id}, plan of 15:05" in done.text


def test_what_a_replaced_sheet_meant_is_said_where_the_work_is_gone(
    make: Factory, pages: Pages
) -> None:
    member = make.member("Ines")
    planting = make.planting(make.plot("A1"), name="beans")
    kind = make.cover_kind(clear_mean_k=4.0)
    make.cover(kind, label="T1")
    enter(make.now, -2.0)
    old = plan(make.now)
    planting.ended_at = make.now
    db.session.commit()
    plan(make.now + timedelta(minutes=5))

    page = send(pages.sign_in(member), status=422, sheet=str(old.plan_id), evening="1")

    assert (
        "1 (T1 → A1, 4 beans): the plan has changed, and this is not in it any more." in page.text
    )
    assert "was replaced by" in page.text
    assert page.values()["evening"] == "1"
    assert deployments() == 0


def test_the_sheet_after_sunrise_is_the_night_before(
    esme: Pages, night: StoredNight, clock: list[datetime]
) -> None:
    clock[0] += timedelta(hours=17)

    done = send(esme, sheet=str(night.plan_id), evening="1-3", morning="1-3")

    assert "Now on: 1–3. Now off: 1–3." in esme.follow(done).text


def test_no_published_kind_is_needed_for_a_sheet(make: Factory, pages: Pages) -> None:
    """Kinds without a construction that we know have a sign all the same."""
    make.planting()
    make.cover(make.cover_kind(construction="something of ours", clear_mean_k=4.0), label="T1")
    enter(make.now, -2.0)
    plan(make.now)

    page = pages.get("/tonight/sheet")

    assert "T1" in row_of(page, 1)[0]
    assert "#tote" in page.html
    assert db.session.scalar(select(CoverKind.construction)) == "something of ours"
