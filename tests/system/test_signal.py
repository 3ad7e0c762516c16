"""The board on a phone whose signal comes and goes."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.nights import Claim, Deployment
from gardenapp.services.night import forecasts, plan_night
from tests.factories import Factory
from tests.system.conftest import link_for, press
from tests.system.garden import Small, small_garden

pytestmark = pytest.mark.browser
EVENING = date(2026, 11, 24)


def planned(make: Factory) -> Small:
    small = small_garden(make)
    forecasts.enter_by_hand(
        night_of=EVENING, low_c=1.0, cloud_fraction=0.2, member_id=None, now=make.now
    )
    plan_night.plan_night(night_of=EVENING, member_id=None, now=make.now)
    return small


def at_the_board(open_page: Callable[..., Any], link: str) -> Any:
    phone = open_page()
    phone.goto(link)
    press(phone.get_by_role("button", name=re.compile("That.s me")))
    phone.goto("/tonight")
    phone.wait_for_load_state("networkidle")
    return phone


def count(of: Any) -> int:
    db.session.rollback()
    return db.session.scalar(select(func.count()).select_from(of)) or 0


def test_a_mark_pressed_without_signal_is_kept_and_sent_once(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    phone = at_the_board(open_page, link_for(small.member, make))
    phone.context.set_offline(True)

    phone.get_by_role("button", name="I’ll do it").first.click()
    phone.get_by_text("not taken: no signal").wait_for()
    phone.get_by_role("button", name="It is on").first.click()
    kept = phone.locator("#sending")
    kept.get_by_text("not sent yet: 1").wait_for()
    assert count(Deployment) == 0
    phone.context.set_offline(False)

    phone.get_by_text("On since").first.wait_for(state="attached")
    kept.wait_for(state="hidden")
    assert count(Deployment) > 0
    once = count(Deployment)
    phone.reload()
    phone.wait_for_load_state("networkidle")
    assert count(Deployment) == once


def test_a_kept_mark_outlives_the_page_and_goes_when_it_is_opened_again(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    phone = at_the_board(open_page, link_for(small.member, make))
    press(phone.get_by_role("button", name="I’ll do it").first)
    phone.route("**/jobs/**", lambda route: route.abort())
    phone.get_by_role("button", name="It is on").first.click()
    phone.locator("#sending").get_by_text("not sent yet: 1").wait_for()

    phone.goto("/help")
    phone.unroute("**/jobs/**")
    phone.goto("/tonight")

    phone.get_by_text("On since").first.wait_for(state="attached")
    assert count(Deployment) > 0


def test_a_claim_without_signal_is_refused_in_words(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    phone = at_the_board(open_page, link_for(small.member, make))
    phone.context.set_offline(True)

    phone.get_by_role("button", name="I’ll do it").first.click()

    phone.get_by_text("nobody else could see it").wait_for()
    phone.context.set_offline(False)
    phone.reload()
    phone.wait_for_load_state("networkidle")
    assert count(Claim) == 0


def test_a_board_without_signal_says_how_old_it_is(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    phone = at_the_board(open_page, link_for(small.member, make))
    phone.context.set_offline(True)

    phone.evaluate("window.dispatchEvent(new Event('online'))")

    phone.get_by_text("No signal. What you see was read at").wait_for()
    assert phone.locator(".say").is_visible()


def test_two_phones_that_marked_the_same_cover_are_told_plainly(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    other = make.member("Cosima")
    first = at_the_board(open_page, link_for(small.member, make))
    second = at_the_board(open_page, link_for(other, make))
    first.get_by_role("button", name="I’ll do it").first.click()
    first.locator("article.job.mine").first.wait_for()

    second.get_by_role("button", name="I’ll do it").first.click()

    second.locator("article.job").get_by_text("Bertil has already claimed that").wait_for()


def test_the_board_shows_what_another_phone_did_without_being_reloaded(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    first = at_the_board(open_page, link_for(small.member, make))
    watching = open_page()
    watching.goto("/tonight")
    press(first.get_by_role("button", name="I’ll do it").first)
    press(first.get_by_role("button", name="It is on").first)

    watching.evaluate("window.dispatchEvent(new Event('online'))")

    watching.get_by_text("On since").first.wait_for(state="attached")


def test_the_whole_flow_works_by_keyboard_alone(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = planned(make)
    phone = at_the_board(open_page, link_for(small.member, make))
    for _ in range(60):
        phone.keyboard.press("Tab")
        if phone.evaluate("document.activeElement.textContent.trim()") == "I’ll do it":
            break
    assert phone.evaluate("document.activeElement.matches(':focus-visible')")

    phone.keyboard.press("Enter")

    phone.locator("article.job.mine").first.wait_for()
    assert count(Claim) == 1


def test_the_sheet_for_the_gate_is_one_page_of_paper(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    planned(make)
    phone = open_page()
    phone.goto("/tonight/sheet")

    paper = phone.pdf(format="A4", prefer_css_page_size=True)

    assert len(re.findall(rb"/Type\s*/Page\b", paper)) == 1
