"""A crate’s life on a phone: added, found by label, lent, put on, broken, mended, taken apart."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.store import LedgerEntry
from gardenapp.services.store import ledger, lots
from gardenapp.services.store.lots import LotEntry
from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import Visitor, link_for, press

pytestmark = pytest.mark.browser


def code_of(label: str) -> str:
    """The code on a thing's label."""
    db.session.rollback()
    db.session.expire_all()
    return db.session.scalars(select(Cover.code).where(Cover.label == label)).one()


def open_small(page: Any, summary: str) -> Any:
    """Unfold one of the small forms."""
    box = page.locator("details", has=page.locator("summary", has_text=summary)).first
    box.locator("summary").first.click()
    return box


@pytest.mark.parametrize("with_script", [True, False], ids=["script on", "script off"])
def test_a_things_life_on_a_phone(
    make: Factory,
    open_page: Callable[..., Any],
    visitor: Callable[..., Visitor],
    with_script: bool,
) -> None:
    small = garden.small_garden(make)
    kind = db.session.scalars(select(CoverKind)).one()
    # The crates there are away for the night: the board takes the new one.
    for cover in db.session.scalars(select(Cover)):
        cover.is_usable = False
    db.session.commit()
    timber = lots.add_lot(
        entry=LotEntry("Timber 38 × 38", "timber", length_mm=1_200.0),
        quantity_milli=8_000,
        place_id=None,
        member=small.coordinator,
        now=make.now,
    )
    page = open_page(java_script_enabled=with_script)
    page.goto(link_for(small.coordinator, make))
    press(page.get_by_role("button", name="That’s me"))

    # Add five: one by the form, four by pressing.
    page.goto("/store/add")
    press(page.get_by_role("link", name="Sturdy crate"))
    press(page.get_by_role("button", name="Add", exact=True).first)
    assert page.locator("h1").inner_text() == "crate 4"
    for number in (5, 6, 7, 8):
        press(page.get_by_role("button", name="Like this one, again"))
        assert page.locator("h1").inner_text() == f"crate {number}"

    # The label that was printed opens it.
    page.goto(f"/store/labels?code={code_of('crate 5')}")
    assert page.locator(".labels svg").count() == 1
    page.goto(f"/s/{code_of('crate 5')}")
    assert page.locator("h1").inner_text() == "crate 5"

    # Lent, and back.
    box = open_small(page, "Lend it")
    box.get_by_label("To whom").select_option(label="Bertil")
    press(box.get_by_role("button", name="Lend it"))
    assert "Bertil has it until" in page.inner_text("main")
    page.goto("/store/out")
    press(page.get_by_role("link", name="crate 5"))
    press(page.get_by_role("button", name="It is back"))
    assert "in the shed" in page.inner_text("main")

    # It is made of timber from the store.
    box = open_small(page, "It is made of")
    box.get_by_label("Material").select_option(value=str(timber))
    box.get_by_label("How much").fill("4")
    press(box.get_by_role("button", name="Take it from the shed"))
    for label in ("crate 4", "crate 6", "crate 7", "crate 8"):
        page.goto(f"/s/{code_of(label)}")
        box = open_small(page, "It leaves the garden")
        press(box.get_by_role("button", name="It leaves"))

    # On a bed by the board, and off again.
    boss = visitor(small.coordinator)
    answer = boss.post(
        "/forecast/by-hand",
        {"low": "-1", "unit": "C", "night_of": "2026-11-24", "cloud": "0", "wind": "1"},
        token=boss.token("/forecast/by-hand"),
    )
    assert answer.status_code == 303
    page.goto("/tonight")
    job = page.locator("article.job").first
    assert "crate 5" in job.inner_text()
    press(job.get_by_role("button", name="I’ll do it"))
    press(job.get_by_role("button", name="It is on"))
    page.goto(f"/s/{code_of('crate 5')}")
    assert "on a bed" in page.inner_text("main")
    box = open_small(page, "It is damaged")
    box.get_by_label("What is wrong").fill("a foot went through it")
    press(box.get_by_role("button", name="Add it"))
    page.goto("/tonight")
    page.locator("article.job").first.get_by_role("link", name="Why").click()
    press(page.get_by_role("button", name="Taken off").first)

    # Mended, then taken apart; the timber is there again.
    page.goto(f"/s/{code_of('crate 5')}")
    assert "broken" in page.inner_text("main")
    box = open_small(page, "It is mended")
    press(box.get_by_role("button", name="It is sound again"))
    box = open_small(page, "It leaves the garden")
    assert box.get_by_label("Where it went").input_value() == "parts"
    press(box.get_by_role("button", name="It leaves"))
    assert "taken apart for its parts" in page.inner_text("main")
    page.goto(f"/store/materials/{timber}")
    assert page.locator(".lead b").inner_text() == "8"

    page.goto("/store/reuse")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    db.session.rollback()
    db.session.expire_all()
    crate = db.session.scalars(select(Cover).where(Cover.label == "crate 5")).one()
    actions = list(
        db.session.scalars(
            select(LedgerEntry.action)
            .where(LedgerEntry.cover_id == crate.id)
            .order_by(LedgerEntry.number)
        )
    )
    assert actions == [
        "acquired",
        "lent",
        "returned",
        "deployed",
        "damaged",
        "brought back",
        "mended",
        "retired",
    ]
    assert ledger.differences() == []
    assert kind.id == crate.class_id


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_the_stores_pages_fit_and_are_in_order(
    make: Factory, open_page: Callable[..., Any], width: int
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    small = garden.small_garden(make)
    lot_id = lots.add_lot(
        entry=LotEntry("Pallets", "pallet", mark="HT", section="1200 × 800 mm"),
        quantity_milli=6_000,
        place_id=None,
        member=small.coordinator,
        now=make.now,
    )
    crate = db.session.scalars(select(Cover)).first()
    assert crate is not None
    page = open_page(viewport={"width": width, "height": 844})
    page.goto(link_for(small.coordinator, make))
    press(page.get_by_role("button", name="That’s me"))

    for path in (
        "/store",
        f"/store/things/{crate.id}",
        f"/store/things/{crate.id}/edit",
        f"/store/materials/{lot_id}",
        "/store/materials/new?like=pallet-1200x800",
        "/store/things/new",
        "/store/add",
        "/store/needs",
        "/store/out",
        "/store/labels",
        f"/store/stocktake?place={crate.place_id}",
        "/store/reuse",
        "/store/tables/things",
    ):
        page.goto(path)
        page.evaluate("document.querySelectorAll('main details').forEach(d => d.open = true)")
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        if width == 390:
            violations = Axe().run(page).response["violations"]
            assert violations == [], (path, [v["id"] for v in violations])
            low = page.evaluate(
                """() => [...document.querySelectorAll("main button, main summary")]
                  .filter(b => b.offsetParent && b.getBoundingClientRect().height < 44)
                  .map(b => b.textContent)"""
            )
            assert low == [], path
