"""How long Today is on a phone, how soon there is something to press, and that nothing moves.

Each figure is printed (`pytest -s`). The night of 56 jobs is a stored one: what later versions
plan does not shorten it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import func, select

import seed_demo
from gardenapp.extensions import db
from gardenapp.models.nights import Claim, Job, Plan
from gardenapp.models.people import Member
from gardenapp.services.garden import people
from tests.factories import Factory
from tests.stored_night import JOBS, StoredNight, stored_night
from tests.system.conftest import link_for, press

pytestmark = pytest.mark.browser

SCREEN = 844
MOST_MOVED_PX = 4.0
OPEN_ALL = "document.querySelectorAll('details').forEach(d => { d.open = true; })"
HEIGHT = "document.documentElement.scrollHeight"
WHERE = """() => Object.fromEntries([...document.querySelectorAll('article.job')]
  .map(e => [e.id, e.getBoundingClientRect().top]))"""
# Words that are seen before and in one's own jobs.
WORDS = """() => {
  const end = document.querySelector('#mine'), all = document.createRange();
  all.setStart(document.body, 0);
  all.setEndAfter(end);
  const box = document.createElement('div');
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let words = 0, node;
  while ((node = walk.nextNode())) {
    const e = node.parentElement;
    if (!all.intersectsNode(node) || e.closest('.skip,script,[hidden],.bar')) continue;
    if (e.closest('details:not([open])') && !e.closest('summary')) continue;
    words += node.textContent.trim().split(/\\s+/).filter(w => /[\\p{L}\\p{N}]/u.test(w)).length;
  }
  return words;
}"""


@pytest.fixture
def night(make: Factory) -> StoredNight:
    return stored_night(make)


def phone_of(open_page: Callable[..., Any], make: Factory, member: Member, **options: Any) -> Any:
    page = open_page(**options)
    page.goto(link_for(member, make))
    press(page.get_by_role("button").first)
    page.goto("/tonight")
    page.wait_for_load_state("networkidle")
    return page


def screens(page: Any) -> float:
    return float(page.evaluate(HEIGHT)) / SCREEN


def jobs_in(page: Any) -> int:
    ids = page.evaluate("[...document.querySelectorAll('article.job')].map(e => e.id)")
    return len(set(ids))


def planned_jobs() -> int:
    db.session.rollback()
    return (
        db.session.scalar(
            select(func.count()).select_from(Job).join(Plan).where(Plan.is_current.is_(True))
        )
        or 0
    )


def measured(page: Any, where: str) -> dict[str, float]:
    found: dict[str, float] = {"mine": screens(page)}
    found["words"] = float(page.evaluate(WORDS)) if page.locator("#mine").count() else 0.0
    first = page.locator("article.job button, .walks button").first.bounding_box()
    found["first action ends at"] = first["y"] + first["height"]
    page.goto("/tonight?view=all")
    found["all"] = screens(page)
    found["jobs"] = jobs_in(page)
    page.evaluate(OPEN_ALL)
    found["open"] = screens(page)
    print(where, {name: round(value, 2) for name, value in found.items()})
    return found


def check(found: dict[str, float], jobs: int) -> None:
    assert found["mine"] <= 1.5
    assert found["all"] <= 7.0
    assert found["open"] <= 12.0
    assert found["jobs"] == jobs
    assert 0 < found["words"] <= 140
    assert found["first action ends at"] <= SCREEN


def test_a_night_of_56_jobs_is_short_on_a_phone(
    make: Factory, night: StoredNight, open_page: Callable[..., Any]
) -> None:
    page = phone_of(open_page, make, night.esme)

    found = measured(page, "stored night")

    assert page.locator("article.job").count() == JOBS
    check(found, JOBS)


@pytest.fixture
def demo(app: Flask, make: Factory, request: pytest.FixtureRequest) -> Iterator[int]:
    """The demo garden at the low of the test."""
    seed_demo.seed(low_c=request.param, now=make.now, with_past=False)
    db.session.commit()
    yield request.param
    db.session.remove()


@pytest.mark.parametrize("demo", [-2.0, -6.0], indirect=True)
def test_the_demo_is_short_on_a_phone(
    make: Factory, demo: float, open_page: Callable[..., Any]
) -> None:
    three = db.session.scalars(select(Member).where(Member.name == "Benedikt Oyelaran")).one()
    page = phone_of(open_page, make, three)

    found = measured(page, f"demo at {demo}")

    check(found, planned_jobs())


def test_from_the_link_to_a_claim_takes_two_taps(
    make: Factory, night: StoredNight, open_page: Callable[..., Any]
) -> None:
    page = open_page()
    page.goto(f"/join/{people.make_invite(member_id=night.esme.id, by_id=None, now=make.now)}")

    press(page.get_by_role("button").first)
    assert page.locator("article.job").count() > 0
    press(page.get_by_role("button", name="I’ll do it").first)

    db.session.rollback()
    assert db.session.scalar(select(func.count()).select_from(Claim)) == 1


SIZES: dict[str, dict[str, Any]] = {
    "390": {},
    "320": {"viewport": {"width": 320, "height": 640}},
    "landscape": {"viewport": {"width": 844, "height": 390}},
    "dark": {"color_scheme": "dark"},
    "text 200": {},
}


def tap(page: Any, card: str, name: str, wanted: str) -> float:
    """Tap a button of a card; gives how far any card moved, and checks that the answer is seen."""
    page.evaluate(f"document.getElementById('{card}').scrollIntoView({{block: 'center'}})")
    page.wait_for_timeout(600)  # a card rests for a moment after each tap
    before = page.evaluate(WHERE)
    page.locator(f"#{card}").get_by_role("button", name=name).first.click()
    page.locator(f"#{card}", has_text=wanted).wait_for()
    page.wait_for_timeout(100)
    after = page.evaluate(WHERE)
    seen = page.evaluate(
        """([id, words]) => {
          const card = document.getElementById(id);
          const walk = document.createTreeWalker(card, NodeFilter.SHOW_TEXT);
          let node;
          while ((node = walk.nextNode())) {
            if (!node.textContent.includes(words)) continue;
            const range = document.createRange();
            range.selectNodeContents(node);
            const box = range.getBoundingClientRect();
            const bar = document.querySelector('.bar').getBoundingClientRect();
            const end = getComputedStyle(document.querySelector('.bar')).position === 'fixed'
              ? bar.top : innerHeight;
            return box.top >= 0 && box.bottom <= end + 1;
          }
          return false;
        }""",
        [card, wanted],
    )
    assert seen, (card, wanted)
    assert page.evaluate(f"document.getElementById('{card}').contains(document.activeElement)")
    return float(max(abs(after[key] - before[key]) for key in before if key in after))


@pytest.mark.parametrize("size", list(SIZES))
def test_the_answer_is_where_the_thumb_is_and_nothing_moves(
    make: Factory, night: StoredNight, open_page: Callable[..., Any], size: str
) -> None:
    page = phone_of(open_page, make, night.esme, **SIZES[size])
    page.goto("/tonight?view=all")
    page.wait_for_load_state("networkidle")
    if size == "text 200":
        page.evaluate("document.documentElement.style.fontSize = '200%'")
    # What takes two can be joined; here a second is told that it is gone.
    cards = page.evaluate(
        "[...document.querySelectorAll('article.free')]"
        ".filter(e => !e.textContent.includes('two people')).map(e => e.id)"
    )
    mine, free, lost, dark = cards[1], cards[20], cards[30], cards[35]
    moved: dict[object, float] = {}

    for name, card in (("mine", mine), ("free", free)):
        moved[name, "claim"] = tap(page, card, "I’ll do it", "Yours")
        moved[name, "on"] = tap(page, card, "It is on", "On since")
        moved[name, "undo"] = tap(page, card, "Undo", "Yours")
        moved[name, "give back"] = tap(page, card, "Give back", "by ")
    db.session.rollback()
    from gardenapp.services.night.tonight import claim_job

    claim_job(job_id=int(lost.removeprefix("job-")), member_id=night.other.id, now=make.now)
    moved["conflict"] = tap(page, lost, "I’ll do it", "Tom Fielding has already")
    page.context.set_offline(True)
    moved["no signal"] = tap(page, dark, "I’ll do it", "no signal")
    moved["kept"] = tap(page, dark, "It is on", "not sent yet")
    page.context.set_offline(False)
    print(size, {key: round(value, 1) for key, value in moved.items()})

    assert {key: value for key, value in moved.items() if value > MOST_MOVED_PX} == {}
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("innerWidth")


def test_without_script_one_comes_back_to_the_same_card(
    make: Factory, night: StoredNight, open_page: Callable[..., Any]
) -> None:
    page = phone_of(open_page, make, night.esme, java_script_enabled=False)
    page.goto("/tonight?view=all")
    cards = page.locator("article.free").filter(has_not_text="two people")
    mine = cards.nth(1).get_attribute("id")
    lost = cards.nth(30).get_attribute("id")
    db.session.rollback()
    from gardenapp.services.night.tonight import claim_job

    claim_job(job_id=int(str(lost).removeprefix("job-")), member_id=night.other.id, now=make.now)

    press_plain(page, f"#{mine} button")
    assert page.url.endswith(f"#{mine}")
    assert "Yours" in page.locator(f"#{mine}").inner_text()
    in_view(page, f"#{mine}")
    page.goto("/tonight?view=all")
    db.session.rollback()
    taken = page.locator(f"#{lost}")
    assert taken.count() == 1

    other = cards.nth(20).get_attribute("id")
    claim_job(job_id=int(str(other).removeprefix("job-")), member_id=night.other.id, now=make.now)
    press_plain(page, f"#{other} button")
    assert "Tom Fielding has already claimed that" in page.locator(f"#{other}").inner_text()
    in_view(page, f"#{other}")


def press_plain(page: Any, selector: str) -> None:
    page.locator(selector).first.click()
    page.wait_for_load_state()


def in_view(page: Any, selector: str) -> None:
    box = page.locator(selector).bounding_box()
    assert box is not None
    assert -1 <= box["y"] <= SCREEN - 100


def test_a_double_tap_does_not_mark_it_as_on(
    make: Factory, night: StoredNight, open_page: Callable[..., Any]
) -> None:
    page = phone_of(open_page, make, night.esme)
    card = page.locator("article.free").first
    name = card.get_attribute("id")

    box = card.get_by_role("button", name="I’ll do it").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.touchscreen.tap(x, y)
    page.locator(f"#{name}.mine").wait_for()
    page.touchscreen.tap(x, y)
    page.wait_for_timeout(300)

    assert "Yours" in page.locator(f"#{name}").inner_text()
