"""The night on paper, printed by a browser and read back off the paper itself."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from gardenapp.models.people import Member
from gardenapp.services.night import paper, tonight
from tests.factories import Factory
from tests.pdf_text import Run, pages_of, text_of
from tests.services.night.planning import enter, plan
from tests.stored_night import JOBS, StoredNight, stored_night
from tests.system.conftest import DESK, link_for, press

pytestmark = pytest.mark.browser

A4, LETTER = "A4", "Letter"
# Printed figures are rounded in the file. [pt]
ROUNDING_PT = 0.05
PLOTS = 60
COLUMNS = ("No.", "By", "Evening", "Morning")


@pytest.fixture
def sixty_plots(make: Factory) -> tonight.TonightPage:
    """A garden of sixty plots with two tender plantings each, and covers for most of them."""
    make.garden(shelter_label="the porch", shelter_spaces=12)
    stage = make.stage("winter green", threshold_c=0.0, kind="kill")
    places = [make.place(name) for name in ("Long shed", "Tea hut", "North stack")]
    kinds = [
        make.cover_kind(name, clear_mean_k=4.0, cloudy_mean_k=4.0, **values)
        for name, values in (
            ("Loose fleece", {"construction": "laid sheet", "film": "fleece", "is_rigid": False}),
            ("Glass frame", {"construction": "frame", "film": "glass", "mass_kg": 24.0}),
            ("Crate", {}),
        )
    ]
    for number in range(PLOTS):
        plot = make.plot(f"Plot {number + 1}", distance_m=12.0 * number)
        make.planting(plot, stage, name="lettuce", count=6, spread_cm=15.0, mind="dearly")
        make.planting(plot, stage, name="chard", count=2, spread_cm=20.0, mind="dearly")
    for number in range(110):
        make.cover(
            kinds[number % 3], label=f"{'FGC'[number % 3]}{number}", place_id=places[number % 3].id
        )
    enter(make.now, -2.0)
    return plan(make.now)


def printed(
    open_page: Callable[..., Any], path: str, size: str = A4, **options: Any
) -> list[list[Run]]:
    page = open_page(**DESK, **options)
    page.goto(path)
    return pages_of(page.pdf(format=size, prefer_css_page_size=True))


def numbers_on(pages: list[list[Run]], *, of_pt: float) -> list[int]:
    """The numbers of jobs, which stand larger than all other figures."""
    return [
        int(run.text)
        for page in pages
        for run in page
        if run.text.strip().isdigit() and run.size_pt > of_pt + 1
    ]


def test_every_job_of_sixty_plots_is_printed_with_its_number(
    make: Factory, open_page: Callable[..., Any], sixty_plots: tonight.TonightPage
) -> None:
    jobs = len(sixty_plots.jobs)
    assert jobs > 80  # more than a page and a half of the sheet of before

    pages = printed(open_page, "/tonight/sheet")

    found = numbers_on(pages, of_pt=12)
    print(f"{jobs} jobs on {len(pages)} pages of A4")
    assert sorted(found) == list(range(1, jobs + 1))
    whole = " ".join(map(text_of, pages))
    sheet = paper.gate_sheet(now=make.now)
    for story in (*sheet.no_cover, *sheet.at_risk):
        assert f"{story.lost} {story.name} , {story.plot}" in whole or (
            f"{story.lost} {story.name}, {story.plot}" in whole
        )
    for job in sixty_plots.jobs:
        for cover in job.covers:
            assert re.search(rf"\b{cover.label}\b", whole), cover.label
    assert whole.count("two people, about 24 kg · glass: gloves on") == sum(
        job.is_glass for job in sixty_plots.jobs
    )


@pytest.mark.parametrize("size", [A4, LETTER])
def test_each_page_says_which_of_how_many_and_of_which_sheet(
    make: Factory, open_page: Callable[..., Any], size: str
) -> None:
    night = stored_night(make)

    pages = printed(open_page, "/tonight/sheet", size)

    assert len(pages) > 2
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in text_of(page)
        if numbers_on([page], of_pt=12):
            assert f"Sheet {night.plan_id}, plan of 15:00" in text_of(page)
            for column in COLUMNS:
                assert any(run.text.strip() == column for run in page), (number, column)


def test_pages_are_numbered_in_the_readers_language(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    stored_night(make)

    pages = printed(open_page, "/tonight/sheet", locale="es-ES")

    for number, page in enumerate(pages, 1):
        assert f"Página {number} de {len(pages)}" in text_of(page)


def test_large_print_is_eighteen_points_and_more_on_the_paper(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    stored_night(make)

    usual = printed(open_page, "/tonight/sheet")
    large = printed(open_page, "/tonight/sheet?size=large")

    smallest = min(run.size_pt for page in large for run in page)
    print(f"smallest {smallest:.2f} pt, {len(usual)} pages usual, {len(large)} large")
    assert smallest >= 18 - ROUNDING_PT
    assert min(run.size_pt for page in usual for run in page) >= 11 - ROUNDING_PT
    assert sorted(numbers_on(large, of_pt=18)) == list(range(1, JOBS + 1))


def test_no_row_is_split_between_two_pages(
    make: Factory, open_page: Callable[..., Any], sixty_plots: tonight.TonightPage
) -> None:
    """Whatever stands in a row stands on the page of its number."""
    pages = printed(open_page, "/tonight/sheet?size=large")

    plots = {job.id: job.plot for job in sixty_plots.jobs}
    page_of = {}
    for at, page in enumerate(pages):
        for number in numbers_on([page], of_pt=18):
            page_of[number] = at
    for job_id, number in paper.numbers_of(sixty_plots.plan_id or 0).items():
        assert plots[job_id] in text_of(pages[page_of[number]])
        labels = next(job for job in sixty_plots.jobs if job.id == job_id).covers
        for cover in labels:
            assert re.search(rf"\b{cover.label}\b", text_of(pages[page_of[number]])), number


def test_slips_hold_every_open_job_and_none_is_torn_by_the_page(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    stored_night(make)
    walks = paper.slips(now=make.now).walks

    pages = printed(open_page, "/tonight/slips")

    assert sorted(numbers_on(pages, of_pt=12)) == list(range(1, JOBS + 1))
    numbers = paper.numbers_of(paper.slips(now=make.now).page.plan_id or 0)
    for walk in walks:
        wanted = {numbers[job.id] for job in walk.jobs}
        holding = [page for page in pages if wanted & set(numbers_on([page], of_pt=12))]
        assert len(holding) == 1, (walk.place, walk.number)
    assert sum(text_of(page).count("Load:") for page in pages) == sum(
        bool(walk.load) for walk in walks
    )


@pytest.fixture
def member_at(
    make: Factory, open_page: Callable[..., Any]
) -> Iterator[Callable[[Member, str], Any]]:
    def arrive(member: Member, path: str) -> Any:
        page = open_page()
        page.goto(link_for(member, make))
        press(page.get_by_role("button").first)
        page.goto(path)
        return page

    yield arrive


def test_thirty_ticks_are_typed_in_with_one_field_and_one_press(
    make: Factory, member_at: Callable[[Member, str], Any]
) -> None:
    night: StoredNight = stored_night(make)
    phone = member_at(night.esme, "/tonight/ticked")

    phone.get_by_label("Evening: numbers that are on").fill("1-5, 8 12 14–36")
    press(phone.get_by_role("button", name="Mark all of them"))

    phone.get_by_text("Now on: 1–5, 8, 12, 14–36.").wait_for()
    page = tonight.tonight_page(now=make.now)
    assert sum(job.state == "on" for job in page.jobs) == 30


@pytest.mark.parametrize("width", [320, 390])
def test_paper_on_a_phone_needs_no_sideways_scrolling(
    make: Factory, member_at: Callable[[Member, str], Any], width: int
) -> None:
    night = stored_night(make)
    phone = member_at(night.esme, "/tonight/ticked")
    phone.set_viewport_size({"width": width, "height": 844})
    for path in (
        "/tonight/ticked",
        "/tonight/sheet",
        "/tonight/sheet?size=large",
        "/tonight/slips",
        "/tonight/slips?size=large",
    ):
        phone.goto(path)
        assert phone.evaluate("document.documentElement.scrollWidth") <= width, path
        low = phone.evaluate(
            "[...document.querySelectorAll('nav.back a, main button, main .go a')]"
            ".filter(e => e.getBoundingClientRect().height < 44).map(e => e.textContent)"
        )
        assert low == [], path


def test_the_old_address_of_the_sheet_is_where_the_board_leads(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    stored_night(make)
    phone = open_page()
    phone.goto("/tonight?view=all")

    phone.get_by_role("link", name="Print").click()

    phone.wait_for_url("**/tonight/sheet")
