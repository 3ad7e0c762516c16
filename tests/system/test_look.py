"""The pages on a phone at dusk: nothing cut off, big enough to press, readable in both themes."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.models.people import Member
from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import DESK, Visitor, link_for
from tests.system.test_boards import enter

pytestmark = pytest.mark.browser

BOARD_TARGET = 44.0
SMALLEST_TARGET = 24.0
# Pages whose address has one number: 1 exists for each in the small garden.
NUMBER = 1
# Every place that can be pressed, with the box it can be pressed in. WCAG 2.5.8 lets a link inside
# a sentence be as high as its line ("inline"), and a small target stand alone: one where a circle
# of 24 px about its middle meets no other target ("spacing").
TARGETS = """() => [...document.querySelectorAll("a[href],button,input,select,textarea,summary")]
  .filter(e => e.type !== "hidden" && !e.closest(".skip") && e.getClientRects().length)
  .map(e => {
    const label = e.type === "checkbox" || e.type === "radio" ? e.closest("label") : null;
    const box = (label || e).getBoundingClientRect();
    const style = getComputedStyle(e);
    const alone = e.parentElement.textContent.trim() === e.textContent.trim();
    return {
      words: (e.textContent.trim() || e.name || e.type).slice(0, 40),
      width: box.width, height: box.height,
      x: box.x + box.width / 2, y: box.y + box.height / 2, box,
      inline: e.tagName === "A" && style.display === "inline" && !alone,
    };
  })
  .map((t, i, all) => ({
    ...t,
    spaced: all.every((o, j) => {
      if (i === j) return true;
      const dx = Math.max(o.box.left - t.x, 0, t.x - o.box.right);
      const dy = Math.max(o.box.top - t.y, 0, t.y - o.box.bottom);
      return Math.hypot(dx, dy) >= 12 && Math.hypot(o.x - t.x, o.y - t.y) >= 24;
    }),
  }))"""


@pytest.fixture
def night(make: Factory, visitor: Callable[..., Visitor]) -> garden.Small:
    """The small garden on a cold night with something to do, something short, something safe."""
    small = garden.small_garden(make)
    enter(visitor(small.coordinator), low="-3")
    return small


def signed_in(open_page: Callable[..., Any], make: Factory, member: Member, **options: Any) -> Any:
    """A page on the phone of `member`."""
    page = open_page(**options)
    page.goto(link_for(member, make))
    page.get_by_role("button", name="Sign in on this phone").click()
    return page


def addresses(app: Flask, levels: set[str]) -> list[str]:
    """Every page that can be opened by address alone, or with a number, at these levels."""
    found = []
    for rule in app.url_map.iter_rules():
        level = getattr(app.view_functions[rule.endpoint], "access_level", "")
        if "GET" not in (rule.methods or set()) or level not in levels:
            continue
        if rule.arguments and not (
            len(rule.arguments) == 1 and next(iter(rule.arguments)).endswith("_id")
        ):
            continue
        values: dict[str, Any] = dict.fromkeys(rule.arguments, NUMBER)
        if "source_id" in rule.arguments:
            values = {"source_id": "S_BRUGGE"}
        with app.test_request_context():
            found.append(app.url_map.bind("localhost").build(rule.endpoint, values))
    return sorted(found)


def pages_of(visitor: Visitor, app: Flask, levels: set[str]) -> list[str]:
    """The addresses that answer this visitor with a page of text."""
    found = []
    for path in addresses(app, levels):
        answer = visitor.get(path)
        assert answer.status_code < 500, path
        is_page = answer.headers.get("Content-Type", "").startswith("text/html")
        if answer.status_code == 200 and is_page:
            found.append(path)
    return found


def test_no_page_scrolls_sideways_on_the_smallest_phone(
    app: Flask,
    make: Factory,
    night: garden.Small,
    open_page: Callable[..., Any],
    visitor: Callable[..., Visitor],
) -> None:
    paths = pages_of(visitor(night.coordinator), app, {"public", "board", "member", "coordinator"})
    page = signed_in(open_page, make, night.coordinator, viewport={"width": 320, "height": 640})
    too_wide = {}

    for path in paths:
        page.goto(path)
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > 320:
            too_wide[path] = width

    assert len(paths) >= 25, paths
    assert too_wide == {}


@pytest.mark.parametrize("who", ["anonymous", "member", "coordinator"])
def test_everything_on_the_board_is_big_enough_for_gloves(
    make: Factory, night: garden.Small, open_page: Callable[..., Any], who: str
) -> None:
    is_in = who != "anonymous"
    page = signed_in(open_page, make, getattr(night, who)) if is_in else open_page()
    page.goto("/tonight?show=all")

    targets = page.evaluate(TARGETS)
    small = [
        t
        for t in targets
        if not t["inline"] and (t["height"] < BOARD_TARGET - 0.5 or t["width"] < SMALLEST_TARGET)
    ]

    assert len(targets) >= 8
    # The two links at the foot are not part of the work on the board.
    assert [t for t in small if t["words"] not in {"Help and cautions", "Sources"}] == []


def test_every_target_on_every_page_is_big_enough_to_hit(
    app: Flask,
    make: Factory,
    night: garden.Small,
    open_page: Callable[..., Any],
    visitor: Callable[..., Visitor],
) -> None:
    paths = pages_of(visitor(night.coordinator), app, {"public", "board", "member", "coordinator"})
    page = signed_in(open_page, make, night.coordinator)
    small: dict[str, list[str]] = {}

    for path in paths:
        page.goto(path)
        for target in page.evaluate(TARGETS):
            least = min(target["height"], target["width"])
            is_excepted = target["inline"] or target["spaced"]
            if not is_excepted and least < SMALLEST_TARGET - 0.5:
                small.setdefault(path, []).append(f"{target['words']}: {least:.0f}")

    assert small == {}


@pytest.mark.parametrize("size", ["phone", "desk"])
@pytest.mark.parametrize("who", ["anonymous", "coordinator"])
def test_no_page_breaks_a_rule_of_the_accessibility_checker(
    app: Flask,
    make: Factory,
    night: garden.Small,
    open_page: Callable[..., Any],
    visitor: Callable[..., Visitor],
    who: str,
    size: str,
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    options: dict[str, Any] = {} if size == "phone" else {**DESK, "is_mobile": False}
    if who == "anonymous":
        paths = pages_of(visitor(), app, {"public", "board"})
        page = open_page(**options)
    else:
        levels = {"board", "member", "coordinator"}
        if size == "desk":
            # The same markup as on the phone: wide, only the pages that are laid out anew.
            levels = {"board"}
        paths = pages_of(visitor(night.coordinator), app, levels)
        page = signed_in(open_page, make, night.coordinator, **options)
    axe, broken = Axe(), {}

    for path in paths:
        page.goto(path)
        for theme in ("light", "dark"):
            page.emulate_media(color_scheme=theme)
            for rule in axe.run(page).response["violations"]:
                where = [node["html"][:120] for node in rule["nodes"][:2]]
                broken[path, theme, rule["id"]] = where

    assert len(paths) >= 5, paths
    assert broken == {}


def test_a_form_shown_again_says_what_is_wrong_and_keeps_what_was_typed(
    make: Factory, night: garden.Small, open_page: Callable[..., Any]
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = signed_in(open_page, make, night.coordinator)
    page.goto("/forecast/by-hand")
    page.get_by_label("Forecast low").fill("minus lots")
    page.locator("summary").click()
    page.get_by_label("Cloud").fill("40")
    page.locator("main form button").last.click()

    alert = page.get_by_role("alert")
    assert page.title().startswith("Error: ")
    assert "Forecast low" in alert.inner_text()
    alert.get_by_role("link").first.click()
    assert page.evaluate("document.activeElement.name") == "low"
    assert page.get_by_label("Forecast low").input_value() == "minus lots"
    assert page.get_by_label("Cloud").input_value() == "40"
    assert Axe().run(page).response["violations"] == []


def test_nothing_is_lost_with_text_twice_as_big(
    make: Factory, night: garden.Small, open_page: Callable[..., Any]
) -> None:
    page = signed_in(open_page, make, night.member)
    page.goto("/tonight")
    buttons = page.locator("main button").count()

    # A style sheet of the reader's own; the page's policy does not apply to it.
    page.evaluate("document.documentElement.style.fontSize = '200%'")

    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("main button:visible").count() == buttons
    cut = page.evaluate(
        """() => [...document.querySelectorAll("main button")]
          .filter(b => b.scrollWidth > b.clientWidth + 1).map(b => b.textContent)"""
    )
    assert cut == []


def test_the_first_view_is_light(night: garden.Small, visitor: Callable[..., Visitor]) -> None:
    answer = visitor().get("/tonight", headers={"Accept-Encoding": "identity"})

    weight = len(gzip.compress(answer.content, 5))
    style = visitor().get("/static/garden.css")

    assert weight <= 14_000
    assert len(style.content) <= 12_000
    assert "Content-Encoding" not in answer.headers


@pytest.fixture(autouse=True)
def _close(make: Factory) -> Any:
    yield
    db.session.remove()
