"""The feeds' addresses: who gets what, and asking again for nothing new."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta

import feedparser
import icalendar
import pytest
from flask import Flask

from gardenapp.models.people import Member
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.notices import feeds
from tests.factories import Factory
from tests.pages import Pages

EVENING = date(2026, 11, 24)
VIEWS = ("tonight.ics", "board.atom", "board.json")


@pytest.fixture
def tamsin(make: Factory) -> Member:
    member = make.member("Tamsin <Quill>")
    make.planting(make.plot("A1", holders=(member,)), name="beans & <peas>")
    make.planting(make.plot("B2"), name="squash")
    make.cover(label="T1")
    make.cover(label="T2")
    return member


def plan(now: datetime, low_c: float = -1.0) -> None:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=now)


def own(member: Member, now: datetime, *, all_plots: bool = False) -> str:
    return f"/feed/{feeds.make_link(member_id=member.id, all_plots=all_plots, now=now)}"


@pytest.mark.outside("RFC 4287, read by the feedparser library")
def test_the_atom_feed_is_well_formed_whatever_the_names(
    make: Factory, tamsin: Member, pages: Pages
) -> None:
    make.garden(name='Lantern & <Lane> "Plots"')
    plan(make.now)

    answer = pages.get(own(tamsin, make.now) + "/board.atom").response

    found = feedparser.parse(answer.get_data())
    assert not found.bozo, found.get("bozo_exception")
    assert found.version == "atom10"
    assert found.feed.title == 'Lantern & <Lane> "Plots": cold nights'
    (entry,) = found.entries
    assert entry.updated_parsed[:5] == (2026, 11, 24, 15, 0)
    assert entry.id.startswith("urn:uuid:")
    assert {link.rel for link in found.feed.links} == {"self", "alternate"}
    assert "Plot A1" in entry.content[0].value


@pytest.mark.outside("RFC 5545, read by the icalendar library")
def test_the_public_calendar_of_an_open_board_names_nobody(
    make: Factory, tamsin: Member, pages: Pages
) -> None:
    plan(make.now)
    for job in tonight.tonight_page(now=make.now).jobs:
        tonight.claim_job(job_id=job.id, member_id=tamsin.id, now=make.now)

    calendar = pages.get("/tonight.ics").response
    atom = pages.get("/tonight.atom").response

    assert calendar.mimetype == "text/calendar"
    assert len(icalendar.Calendar.from_ical(calendar.get_data()).walk("VEVENT")) >= 2
    for answer in (calendar, atom):
        assert b"Tamsin" not in answer.get_data()
        assert b"Quill" not in answer.get_data()


def test_a_closed_board_has_no_public_feeds_and_private_ones_still_work(
    make: Factory, tamsin: Member, pages: Pages
) -> None:
    make.garden(board_is_open=False)
    plan(make.now)
    link = own(tamsin, make.now)

    for path in ("/tonight.ics", "/tonight.atom"):
        assert "/sign-in" in pages.get(path, status=303).response.headers["Location"]
    for view in VIEWS:
        assert pages.get(f"{link}/{view}").response.get_data()


@pytest.mark.parametrize("view", VIEWS)
def test_asking_again_for_nothing_new_costs_nothing(
    make: Factory, tamsin: Member, pages: Pages, view: str
) -> None:
    plan(make.now)
    path = f"{own(tamsin, make.now)}/{view}"
    tag = pages.get(path).response.headers["ETag"]

    same = pages.client.get(path, headers={"If-None-Match": tag})
    plan(make.now + timedelta(minutes=1), -4.0)
    other = pages.client.get(path, headers={"If-None-Match": tag})

    assert (same.status_code, same.get_data()) == (304, b"")
    assert other.status_code == 200
    assert other.headers["ETag"] != tag


@pytest.mark.parametrize("view", VIEWS)
def test_a_secret_address_does_not_travel_on_and_is_kept_by_no_shared_cache(
    make: Factory, tamsin: Member, pages: Pages, view: str
) -> None:
    headers = pages.get(f"{own(tamsin, make.now)}/{view}").response.headers

    assert headers["Referrer-Policy"] == "no-referrer"
    assert "private" in headers["Cache-Control"]
    assert headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("token", ["x", "a" * 64, "%00", "%F0%9F%A5%B6", "..", "'--"])
def test_a_wrong_secret_is_not_found(
    make: Factory, tamsin: Member, pages: Pages, view: str, token: str
) -> None:
    assert pages.client.get(f"/feed/{token}/{view}").status_code == 404


def test_the_addresses_are_shown_once(make: Factory, tamsin: Member, pages: Pages) -> None:
    pages.sign_in(tamsin)
    page = pages.follow(pages.post("/me/feed", {"all_plots": "y"}))
    address = re.search(r"http://localhost(/feed/\S+/tonight\.ics)", page.html)
    assert address

    again = pages.get("/me/feed", status=303)

    assert page.response.headers["Cache-Control"] == "no-store"
    assert "webcal://localhost/feed/" in page.html
    assert again.response.headers["Location"] == "/me/notices"
    assert pages.get(address[1]).response.mimetype == "text/calendar"


def test_ending_the_link_ends_it_everywhere(
    app: Flask, make: Factory, tamsin: Member, pages: Pages
) -> None:
    link = own(tamsin, make.now)
    pages.sign_in(tamsin)

    pages.post("/me/feed/end")

    assert Pages(app).client.get(f"{link}/tonight.ics").status_code == 404


def test_before_there_is_a_garden_a_feed_is_not_found(pages: Pages) -> None:
    assert pages.client.get("/feed/abc/tonight.ics").status_code == 404
