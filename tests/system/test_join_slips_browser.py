"""Join slips printed by a browser and read back off the paper, and joining on a second phone."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from gardenapp.models.people import Member
from tests.factories import Factory
from tests.pdf_text import Run, pages_of, text_of
from tests.system.conftest import DESK, link_for, press

pytestmark = pytest.mark.browser

MEMBERS = 21
LONG = "María del Carmen Fernández-Villaverde y Ortiz de la Encina"
CODE = re.compile(r"\b[2-9A-HJKMNP-TV-Z]{4}-[2-9A-HJKMNP-TV-Z]{4}\b")
# The smallest letters on the garden's other paper, as `test_paper` holds it; files round. [pt]
SMALLEST_PT, ROUNDING_PT = 11, 0.05
PER_PAGE = 8


@pytest.fixture
def members(make: Factory) -> list[Member]:
    """Members with plots: one with a long name and many plots, every fifth reads Spanish."""
    make.coordinator()
    found = []
    for number in range(MEMBERS):
        member = make.member(
            LONG if number == 4 else f"Nomen {number:02}",
            language="es" if number % 5 == 4 else "en",
        )
        for plot in range(9 if number == 4 else 1):
            make.plot(f"Q{number:02}x{plot}", holders=(member,))
        found.append(member)
    return found


@pytest.fixture
def desk(make: Factory, members: list[Member], open_page: Callable[..., Any]) -> Callable[..., Any]:
    """A coordinator's computer at the page of slips, printed."""

    def arrive(**options: Any) -> Any:
        page = open_page(**DESK, **options)
        odile = make.coordinator(f"Odile {options.get('locale', 'en')}")
        page.goto(link_for(odile, make))
        press(page.get_by_role("button").first)
        page.goto("/members")
        page.locator("a[href='/members/slips']").click()
        page.locator("main form button").click()
        page.wait_for_url("**/members/slips/print")
        return page

    return arrive


def on_paper(page: Any, size: str) -> list[list[Run]]:
    return pages_of(page.pdf(format=size, prefer_css_page_size=True))


def slips_in(pages: list[list[Run]]) -> list[tuple[int, str]]:
    """(page, text) of each slip: a slip begins with the largest letters but the code's."""
    found: list[tuple[int, list[str]]] = []
    for at, page in enumerate(pages):
        is_name = False
        for run in page:
            starts = 14 < run.size_pt < 16
            if starts and not is_name:
                found.append((at, []))
            is_name = starts
            found[-1][1].append(run.text)
    return [(at, re.sub(r"\s+", " ", " ".join(parts))) for at, parts in found]


@pytest.mark.parametrize("size", ["A4", "Letter"])
@pytest.mark.parametrize("locale", ["en-GB", "es-ES"])
def test_each_members_name_code_and_plots_are_on_one_slip_and_none_is_cut(
    members: list[Member], desk: Callable[..., Any], size: str, locale: str
) -> None:
    page = desk(locale=locale)
    on_screen = page.evaluate(
        """[...document.querySelectorAll('.slip')].map(s =>
          [s.querySelector('h2').textContent, s.querySelector('.code').textContent])"""
    )

    pages = on_paper(page, size)

    slips = slips_in(pages)
    waiting = {name for name, _ in on_screen}
    assert {m.name for m in members} <= waiting
    assert len(slips) == len(on_screen) == len(waiting)
    print(f"{len(slips)} slips on {len(pages)} pages of {size}")
    for name, code in on_screen:
        (mine,) = [text for _, text in slips if code in text]
        assert CODE.findall(mine) == [code]
        assert mine.replace("- ", "-").startswith(name)
        member = next((m for m in members if m.name == name), None)
        number = members.index(member) if member is not None else None
        wanted = (
            []
            if number is None
            else [f"Q{number:02}x{plot}" for plot in range(9 if number == 4 else 1)]
        )
        assert re.findall(r"Q\d\dx\d", mine) == wanted
        in_spanish = member is not None and member.language == "es"
        if member is not None:
            assert ("Escanea el dibujo" in mine) == in_spanish
            assert ("Scan the picture" in mine) != in_spanish
            last = "Guárdalo para ti." if in_spanish else "Keep it to yourself."
            assert mine.rstrip().endswith(last)  # the end of each stands on its beginning's page
    fullest = max(sum(at == number for at, _ in slips) for number in range(len(pages)))
    assert fullest == PER_PAGE
    smallest = min(run.size_pt for each in pages for run in each)
    assert smallest >= SMALLEST_PT - ROUNDING_PT
    assert not any("Join slips" in text_of(each) for each in pages)


def test_slips_are_black_on_white_in_the_dark_too(desk: Callable[..., Any]) -> None:
    page = desk(color_scheme="dark")

    page.emulate_media(media="print", color_scheme="dark")

    colours = page.evaluate(
        """[...document.querySelectorAll('body,.slip,.slip *')].map(e =>
          getComputedStyle(e)).map(s => [s.color, s.backgroundColor]).map(String)"""
    )
    assert set(colours) <= {
        "rgb(0, 0, 0),rgba(0, 0, 0, 0)",
        "rgb(0, 0, 0),rgb(255, 255, 255)",
    }


@pytest.mark.parametrize("width", [320, 390])
def test_pages_of_slips_and_codes_fit_a_phone(
    desk: Callable[..., Any], open_page: Callable[..., Any], width: int
) -> None:
    page = desk()
    page.set_viewport_size({"width": width, "height": 844})
    phone = open_page(viewport={"width": width, "height": 844})
    phone.goto("/join")
    low = (
        "[...document.querySelectorAll('main button, main input:not([type=hidden]), main select,"
        " header.screen a')].filter(e => e.getBoundingClientRect().height < 44)"
        ".map(e => e.outerHTML)"
    )
    for each in (page, phone):
        assert each.evaluate("document.documentElement.scrollWidth") <= width
        assert each.evaluate(low) == []


def test_scanning_takes_two_taps_and_typing_joins_without_script(
    members: list[Member], desk: Callable[..., Any], open_page: Callable[..., Any], make: Factory
) -> None:
    """The picture's link opens with the first tap; the second is "That's me"."""
    page = desk()
    code = page.evaluate(
        """[...document.querySelectorAll('.slip')].find(s =>
          s.querySelector('h2').textContent === 'Nomen 03').querySelector('.code').textContent"""
    )
    phone = open_page(java_script_enabled=False, locale="en-GB")
    phone.goto("/join")

    phone.get_by_label("Code on your slip").fill(code.lower())
    phone.get_by_role("button", name="Join").click()
    phone.get_by_role("heading", name="Hello Nomen 03").wait_for()
    phone.get_by_role("button", name="That’s me").click()

    phone.get_by_text("You are signed in.").wait_for()
    assert "/plots/" in phone.url
    assert "Q03x0" in phone.get_by_role("heading", level=1).text_content()
    other = open_page()
    other.goto(link_for(members[2], make))
    press(other.get_by_role("button", name="That’s me"))
    assert "Q02x0" in other.get_by_role("heading", level=1).text_content()
