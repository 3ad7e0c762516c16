"""Light or dark as the reader chose, kept on the phone, and winning over what the phone says."""

from __future__ import annotations

import pytest

from tests.factories import Factory
from tests.pages import Page, Pages


def choose(pages: Pages, value: str, path: str = "/theme") -> Page:
    """Press one of the three buttons."""
    return pages.post(path, {"theme": value}, status=303)


def root_theme(page: Page) -> str | None:
    return page.root.get("data-theme")


@pytest.mark.parametrize("who", ["visitor", "member"])
@pytest.mark.parametrize("value", ["light", "dark"])
def test_a_choice_is_on_every_page_of_that_phone(
    pages: Pages, make: Factory, who: str, value: str
) -> None:
    make.garden()
    if who == "member":
        pages.sign_in(make.member())
    before = root_theme(pages.get("/tonight"))

    choose(pages, value)

    assert before is None
    assert root_theme(pages.get("/tonight")) == value
    assert root_theme(pages.get("/help")) == value


def test_the_phones_own_setting_can_be_had_back(pages: Pages, make: Factory) -> None:
    make.garden()
    choose(pages, "dark")
    assert root_theme(pages.get("/tonight")) == "dark"

    choose(pages, "system")

    assert root_theme(pages.get("/tonight")) is None


def test_another_phone_keeps_its_own_look(app: object, pages: Pages, make: Factory) -> None:
    make.garden()
    other = Pages(pages.app)
    other.get("/tonight")

    choose(pages, "dark")

    assert root_theme(other.get("/tonight")) is None


def test_it_goes_back_to_the_page_one_came_from(pages: Pages, make: Factory) -> None:
    make.garden()
    foot = [a.get("href") for a in pages.get("/plots").all("a")]

    answer = choose(pages, "dark", "/theme?next=/plots")

    assert "/theme?next=/plots" in foot
    assert answer.response.headers["Location"] == "/plots"


@pytest.mark.parametrize("target", ["//elsewhere.example", "https://elsewhere.example/", "/\\x"])
def test_it_never_leads_to_another_site(pages: Pages, make: Factory, target: str) -> None:
    make.garden()

    answer = choose(pages, "dark", f"/theme?next={target}")

    assert answer.response.headers["Location"] == "/tonight"


def test_the_way_to_the_choice_never_repeats_a_personal_link(pages: Pages, make: Factory) -> None:
    make.garden()

    page = pages.get("/join/nobody-has-this-key", status=404)

    assert "nobody-has-this-key" not in "".join(
        a.get("href", "") for a in page.all("a") if "/theme" in a.get("href", "")
    )


@pytest.mark.parametrize("value", ["", "purple", "dark ", "\x00", "😀", "d" * 5_000])
def test_anything_else_is_refused_and_nothing_is_kept(
    pages: Pages, make: Factory, value: str
) -> None:
    make.garden()

    page = pages.post("/theme", {"theme": value}, status=422)

    assert "Choose" in page.text
    assert root_theme(pages.get("/tonight")) is None


@pytest.mark.parametrize("value", ["purple", '"><script>', "Dark"])
def test_a_cookie_that_was_tampered_with_says_nothing(
    pages: Pages, make: Factory, value: str
) -> None:
    make.garden()
    pages.client.set_cookie("theme", value)

    assert root_theme(pages.get("/tonight")) is None
