"""The pages on a phone at dusk: nothing cut off, big enough to press, readable in both themes."""

from __future__ import annotations

import gzip
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from flask import Flask

from gardenapp.extensions import db
from gardenapp.models.people import Member
from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import DESK, Server, Visitor, link_for, press
from tests.system.test_boards import enter
from tests.web.test_access_matrix import World, world  # noqa: F401  (a fixture)

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
    press(page.get_by_role("button", name="That’s me"))
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
    assert small == []


def test_every_target_can_be_hit_and_no_page_scrolls_sideways_on_the_smallest_phone(
    app: Flask,
    make: Factory,
    night: garden.Small,
    open_page: Callable[..., Any],
    visitor: Callable[..., Visitor],
) -> None:
    paths = pages_of(visitor(night.coordinator), app, {"public", "board", "member", "coordinator"})
    page = signed_in(open_page, make, night.coordinator)
    small: dict[str, list[str]] = {}
    too_wide = {}

    for path in paths:
        page.set_viewport_size({"width": 390, "height": 844})
        page.goto(path)
        for target in page.evaluate(TARGETS):
            least = min(target["height"], target["width"])
            is_excepted = target["inline"] or target["spaced"]
            if not is_excepted and least < SMALLEST_TARGET - 0.5:
                small.setdefault(path, []).append(f"{target['words']}: {least:.0f}")
        page.set_viewport_size({"width": 320, "height": 640})
        width = page.evaluate("document.documentElement.scrollWidth")
        if width > 320:
            too_wide[path] = width

    assert len(paths) >= 25, paths
    assert small == {}
    assert too_wide == {}


@dataclass(frozen=True)
class Reader:
    """Somebody with a page open, and every address that answers them with a page of text."""

    page: Any
    paths: list[str]


@pytest.fixture
def reader(
    world: World,  # noqa: F811  (the fixture imported above)
    open_page: Callable[..., Any],
    server: Server,
) -> Callable[..., Reader]:
    """`reader("member")`: a page of theirs, in a garden where every rule has something to show."""

    def read(who: str, **options: Any) -> Reader:
        world.open_board(True)
        visitor = "anonymous, open board" if who == "anonymous" else who
        client = world.client(visitor)
        paths = []
        for rule in world.app.url_map.iter_rules():
            if "GET" not in (rule.methods or set()) or rule.endpoint == "static":
                continue
            path = world.path(rule)
            answer = client.get(path)
            assert answer.status_code < 500, path
            if answer.status_code == 200 and answer.mimetype == "text/html":
                paths.append(path)
        page = open_page(**options)
        cookie = client.get_cookie("garden")
        if who != "anonymous":
            assert cookie is not None
            value = {"name": "garden", "value": cookie.value, "url": server.url}
            page.context.add_cookies([value])
        return Reader(page, sorted(set(paths)))

    return read


LEAST_PAGES = {"anonymous": 15, "member": 45, "coordinator": 65}
# What has to be right in the order of a page that axe does not count as a fault by itself.
ORDER = """() => {
  const levels = [...document.querySelectorAll("h1,h2,h3,h4,h5,h6")].map(h => +h.tagName[1]);
  const faults = [];
  if (levels.filter(l => l === 1).length !== 1) faults.push("not one h1");
  levels.forEach((l, i) => {
    if (i && l > levels[i - 1] + 1) faults.push(`h${l} after h${levels[i - 1]}`);
  });
  if (document.querySelectorAll("main").length !== 1) faults.push("not one main");
  if (!document.documentElement.lang) faults.push("no lang");
  return faults;
}"""


BROKEN_ONLY = {"resultTypes": ["violations"]}
# A theme changes colours and nothing else: the other rules are asked once.
OF_COLOUR = {"runOnly": {"type": "tag", "values": ["cat.color"]}}


@pytest.mark.parametrize("who", ["anonymous", "member", "coordinator"])
def test_no_page_breaks_a_rule_of_the_accessibility_checker(
    reader: Callable[..., Reader], who: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    one = reader(who)
    axe, broken = Axe(), {}

    for path in one.paths:
        one.page.goto(path)
        one.page.emulate_media(color_scheme="light")
        found = {"light": axe.run(one.page, options=BROKEN_ONLY).response["violations"]}
        if who != "member":  # a member's pages are drawn in the colours of a coordinator's
            one.page.emulate_media(color_scheme="dark")
            found["dark"] = one.page.evaluate(
                "async rules => (await axe.run(document, rules)).violations",
                {**BROKEN_ONLY, **OF_COLOUR},
            )
        for theme, rules in found.items():
            for rule in rules:
                where = [node["html"][:120] for node in rule["nodes"][:2]]
                broken[path, theme, rule["id"]] = where
        if faults := one.page.evaluate(ORDER):
            broken[path, "", "order"] = faults

    assert len(one.paths) >= LEAST_PAGES[who], one.paths
    assert broken == {}


def test_the_pages_laid_out_anew_on_a_desk_break_no_rule_either(
    reader: Callable[..., Reader],
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    one = reader("coordinator", **DESK, is_mobile=False)
    axe, broken = Axe(), {}

    for path in [path for path in one.paths if path.startswith(("/tonight", "/plots", "/ahead"))]:
        one.page.goto(path)
        for rule in axe.run(one.page).response["violations"]:
            broken[path, rule["id"]] = [node["html"][:120] for node in rule["nodes"][:2]]

    assert broken == {}


def test_a_form_shown_again_says_what_is_wrong_and_keeps_what_was_typed(
    make: Factory, night: garden.Small, open_page: Callable[..., Any]
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = signed_in(open_page, make, night.coordinator)
    page.goto("/forecast/by-hand")
    page.get_by_label("Forecast low").fill("minus lots")
    page.locator("main summary").click()
    page.get_by_label("Cloud").fill("40")
    press(page.locator("main form button").last)

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


def test_nothing_on_the_board_is_asked_of_another_server(
    night: garden.Small, server: Server, open_page: Callable[..., Any]
) -> None:
    page = open_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))

    page.goto("/tonight")
    page.wait_for_load_state("networkidle")

    assert len(asked) >= 3
    assert [url for url in asked if not url.startswith(server.url + "/")] == []


@pytest.mark.parametrize("system", ["light", "dark"])
@pytest.mark.parametrize("chosen", ["light", "dark"])
def test_the_chosen_theme_wins_over_the_phones(
    night: garden.Small, open_page: Callable[..., Any], system: str, chosen: str
) -> None:
    page = open_page(color_scheme=system)
    page.goto("/theme?next=/tonight")

    press(page.get_by_role("button", name=f"Always {chosen}"))

    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    is_dark = sum(int(n) for n in ground.removeprefix("rgb(").rstrip(")").split(",")) < 300
    assert page.url.endswith("/tonight")
    assert is_dark == (chosen == "dark")
    scheme = page.evaluate("getComputedStyle(document.documentElement).colorScheme")
    assert scheme == chosen


def test_the_focus_can_be_seen_wherever_the_keyboard_goes_on_the_board(
    make: Factory, night: garden.Small, open_page: Callable[..., Any]
) -> None:
    page = signed_in(open_page, make, night.member)
    page.goto("/tonight")
    unseen, visited = [], 0

    for _ in range(60):
        page.keyboard.press("Tab")
        at = page.evaluate(
            """() => {
              const e = document.activeElement, box = e.getBoundingClientRect();
              const style = getComputedStyle(e);
              const x = box.x + box.width / 2, y = box.y + box.height / 2;
              const top = document.elementFromPoint(x, y);
              return {
                end: e === document.body, words: e.textContent.trim().slice(0, 30),
                ring: parseFloat(style.outlineWidth) >= 2 && style.outlineStyle !== "none",
                inView: y >= 0 && y <= innerHeight && x >= 0 && x <= innerWidth,
                free: !!top && (e.contains(top) || top.contains(e)),
              };
            }"""
        )
        if at["end"]:
            break
        visited += 1
        if not (at["ring"] and at["inView"] and at["free"]):
            unseen.append(at)

    assert visited >= 12
    assert unseen == []


def test_from_the_board_to_done_takes_two_presses(
    make: Factory, night: garden.Small, open_page: Callable[..., Any]
) -> None:
    page = signed_in(open_page, make, night.member)
    page.goto("/tonight")
    job = page.locator("article.job").first

    press(job.get_by_role("button", name="I’ll do it"))
    press(page.locator("article.mine").first.get_by_role("button", name="It is on"))

    assert "On since" in page.locator("article.on").first.inner_text()


def test_from_the_forecast_to_the_board_takes_five_fields_at_most_and_seconds(
    make: Factory, open_page: Callable[..., Any]
) -> None:
    small = garden.small_garden(make)
    page = signed_in(open_page, make, small.coordinator)
    page.goto("/forecast/by-hand")
    fields = page.locator("main input:visible, main select:visible").count()
    started = time.monotonic()

    page.get_by_label("Forecast low").fill("-3")
    press(page.get_by_role("button", name="Save and plan"))
    page.wait_for_url("**/tonight*")

    assert fields <= 5
    assert page.locator("article.job").count() >= 1
    assert time.monotonic() - started <= 15.0


@pytest.fixture(autouse=True)
def _close(make: Factory) -> Any:
    yield
    db.session.remove()
