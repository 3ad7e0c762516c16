"""A plot's page, home to whoever holds it."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest

from gardenapp.models.people import Member
from gardenapp.services.garden import people
from gardenapp.services.night import forecasts, learning, plan_night
from gardenapp.services.night.plot_nights import plot_nights
from tests.factories import Factory
from tests.pages import Pages
from tests.services.night.planning import EVENING


@pytest.fixture
def ines(make: Factory) -> Member:
    member = make.member("Ines")
    plot = make.plot("North 3", holders=(member,))
    make.planting(plot, name="runner beans")
    make.plot("North 4", holders=(member,))
    kind = make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0)
    make.cover(kind, label="tote 7", place_id=make.place("brick shed").id)
    forecasts.enter_by_hand(night_of=EVENING, low_c=-1.0, member_id=None, now=make.now)
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)
    return member


def test_it_says_whose_it_is_and_what_tonight_asks(pages: Pages, ines: Member) -> None:
    page = pages.sign_in(ines).get("/plots/1")

    assert "You hold North 3. Also: North 4" in page.text
    assert "1 job of yours on North 3, on by" in page.text
    assert "tote 7 → North 3" in page.text
    assert re.search(r"Runner beans (. needs a cover|. at risk)", page.text)
    assert any("/claim" in b.get("formaction", "") for b in page.all("button"))
    assert 'class="night"' in page.html


def test_a_stranger_reads_it_without_names_and_buttons(pages: Pages, ines: Member) -> None:
    page = pages.get("/plots/1")

    assert "You hold" not in page.text
    assert "Ines" not in page.html
    assert "tote 7 → North 3" in page.text
    assert page.all("button") == []


def test_whoever_joins_comes_in_at_the_plot_that_asks_for_something(
    pages: Pages, make: Factory, ines: Member
) -> None:
    token = people.make_invite(member_id=ines.id, by_id=None, now=make.now)

    answer = pages.post(f"/join/{token}")

    assert answer.response.headers["Location"].endswith("/plots/1")


def test_who_holds_nothing_comes_in_at_the_board(pages: Pages, make: Factory, ines: Member) -> None:
    wes = make.member("Wes")
    token = people.make_invite(member_id=wes.id, by_id=None, now=make.now)

    assert pages.post(f"/join/{token}").response.headers["Location"].endswith("/tonight")


def test_its_past_nights_say_what_was_expected_and_what_was_read(
    pages: Pages, make: Factory, ines: Member, clock: list[datetime]
) -> None:
    assert plot_nights(plot_id=1, now=make.now) == ()
    clock[0] = make.now + timedelta(hours=20)
    before = pages.sign_in(ines).get("/plots/1").text
    learning.record_low(
        night_of=EVENING, plot_id=1, low_c=-1.4, member=ines, now=clock[0], place="plant_bare"
    )

    after = pages.get("/plots/1").text

    assert "nobody read it" in before
    assert "−1.4 °C read" in after
    (night,) = plot_nights(plot_id=1, now=clock[0])
    assert (night.night_of, night.read_c, night.place) == (EVENING, -1.4, "plant_bare")
