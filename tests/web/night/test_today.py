"""Today as a reader gets it: what is whose, in which order, and how much of it at once."""

from __future__ import annotations

import re
from datetime import datetime

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.nights import Job
from gardenapp.services.night import tonight
from gardenapp.web.night.today import joined_labels
from tests.factories import Factory
from tests.pages import Page, Pages
from tests.stored_night import JOBS, StoredNight, stored_night

MOST_OF_600_PLOTS = 120_000


@pytest.fixture
def night(make: Factory) -> StoredNight:
    return stored_night(make)


def cards(page: Page) -> list[str]:
    return re.findall(r'<article class="job[^>]*id="job-(\d+)"', page.html)


@pytest.mark.parametrize(
    ("labels", "said"),
    [
        (["fleece 4"], "fleece 4"),
        (["fleece 4", "fleece 7", "tote 1"], "fleece 4, 7, tote 1"),
        (["tote A", "tote B"], "tote A, tote B"),
        (["glass frame 2", "thick fleece 2"], "glass frame 2, thick fleece 2"),
        (["T7", "T8"], "T7, T8"),
    ],
)
def test_labels_say_what_they_share_once(labels: list[str], said: str) -> None:
    assert joined_labels(labels) == said


def test_mine_come_first_then_free_by_the_way_round_and_every_job_is_there_once(
    pages: Pages, night: StoredNight
) -> None:
    page = pages.sign_in(night.esme).get("/tonight?view=all")

    found = cards(page)
    jobs = {str(job.id): job for job in tonight.tonight_page(now=pages_now(pages)).jobs}
    assert len(found) == JOBS
    assert len(set(found)) == JOBS
    assert {jobs[key].plot for key in found[:8]} == {"A5", "B4", "C2"}
    assert {jobs[key].plot for key in found[8:]}.isdisjoint({"A5", "B4", "C2"})
    # One's own by time.
    times = [by_at for key in found[:8] if (by_at := jobs[key].by_at)]
    assert times == sorted(times)


def pages_now(pages: Pages) -> datetime:
    found: datetime = pages.app.config["CLOCK"]()
    return found


def test_the_view_one_chose_is_remembered_by_the_phone(pages: Pages, night: StoredNight) -> None:
    pages.sign_in(night.esme)
    first = cards(pages.get("/tonight"))

    pages.get("/tonight?view=free")
    later = cards(pages.get("/tonight"))
    pages.get("/tonight?view=mine")

    assert len(first) == 8
    assert len(later) == JOBS - 8
    assert cards(pages.get("/tonight")) == first


def test_a_member_with_nothing_to_do_sees_at_once_what_is_free(
    make: Factory, pages: Pages, night: StoredNight
) -> None:
    idle = make.member("Wes Hollow")

    assert len(cards(pages.sign_in(idle).get("/tonight"))) == JOBS


def test_a_card_says_what_from_where_to_where_by_when_and_the_one_caution(
    pages: Pages, night: StoredNight
) -> None:
    page = pages.sign_in(night.esme).get("/tonight?view=all")

    assert re.search(r"→ A5 ?\d+ \w+", page.text)
    assert "two people" in page.text
    assert "low beam" in page.text
    # A button says which job it is for.
    labels = [
        b.get("aria-label", "") for b in page.all("button") if "/claim" in b.get("formaction", "")
    ]
    assert len(labels) == JOBS
    assert len(set(labels)) == JOBS


def test_taking_a_walk_takes_what_is_still_free_and_says_what_is_not(
    pages: Pages, night: StoredNight, make: Factory
) -> None:
    walks = Pages(pages.app).sign_in(night.other).get("/tonight/walks")
    ids = next(b.get("value", "") for b in walks.all("button") if b.get("name") == "jobs").split()
    heavy = set(db.session.scalars(select(Job.id).where(Job.mass_kg > 18)))
    light = next(key for key in ids if int(key) not in heavy)
    tonight.claim_job(job_id=int(light), member_id=night.esme.id, now=make.now)

    answer = pages.sign_in(night.other).post("/tonight/walks", {"jobs": " ".join(ids)})
    page = pages.follow(answer)

    assert (
        f"{len(ids) - 1} jobs are yours now. Left: Esme Orchard has already claimed that."
        in page.text
    )
    mine = [j for j in tonight.tonight_page(now=make.now).jobs if j.belongs_to(night.other.id)]
    assert {str(job.id) for job in mine} == set(ids) - {light}


def test_a_coordinator_puts_a_walk_down_for_somebody_by_name(
    pages: Pages, night: StoredNight, make: Factory
) -> None:
    pages.sign_in(night.coordinator)
    page = pages.get("/tonight/walks")
    ask = next(b.get("value", "") for b in page.all("button") if b.get("name") == "ask")
    first = ask.split()[0]

    nobody = pages.follow(pages.post("/tonight/walks/ask", {"ask": ask, f"who-{first}": ""}))
    asked = pages.follow(
        pages.post("/tonight/walks/ask", {"ask": ask, f"who-{first}": str(night.other.id)})
    )

    assert "Choose who was asked" in nobody.text
    assert f"{len(ask.split())} jobs stand under their name now." in asked.text
    assert "Tom Fielding: " in asked.text
    pages.sign_in(night.other).post("/tonight/walks/ask", {"ask": ask}, status=403)


def test_a_board_of_600_plots_is_light_and_leads_to_every_job(make: Factory, pages: Pages) -> None:
    big = stored_night(make, times=20)
    pages.sign_in(big.esme)

    page = pages.get("/tonight?view=all")
    print("600 plots:", len(page.html.encode()), "bytes")
    ways = sorted({a.get("href", "") for a in page.all("a") if "walk=" in a.get("href", "")})
    lines = re.findall(r"<span>(\d+) jobs?,", page.html)
    seen = set(cards(page))
    one = cards(pages.get(ways[0].partition("#")[0]))

    assert len(ways) == len(lines)
    assert sum(map(int, lines)) + len(seen) == JOBS * 20
    assert len(one) == int(lines[0])
    assert len(page.html.encode()) <= MOST_OF_600_PLOTS
