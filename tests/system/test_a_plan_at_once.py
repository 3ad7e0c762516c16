"""A low is entered: a usable board stands at once, and what people take meanwhile stays."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import select

from gardenapp import improver
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.services.night import improving, tonight
from gardenapp.services.notices.planned import improve_and_tell, plan_and_tell
from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import DESK, link_for, press


class Gate:
    """Improves plans when it is opened, as another process would when it gets its turn."""

    def __init__(self, app: Flask, make: Factory) -> None:
        self.plans: list[int] = []
        self._app, self._now = app, make.now
        self._open = threading.Event()
        self._threads: list[threading.Thread] = []

    def begin(self, plan_id: int) -> None:
        self.plans.append(plan_id)
        self._threads.append(threading.Thread(target=self._work, args=(plan_id,), daemon=True))
        self._threads[-1].start()

    def _work(self, plan_id: int) -> None:
        self._open.wait(60)
        with self._app.app_context():
            improve_and_tell(plan_id, clock=lambda: self._now)
            db.session.remove()

    def open(self) -> None:
        self._open.set()
        for thread in self._threads:
            thread.join(60)
            assert not thread.is_alive()


@pytest.fixture
def gate(app: Flask, make: Factory, monkeypatch: pytest.MonkeyPatch) -> Gate:
    made = Gate(app, make)
    monkeypatch.setitem(improving._beginners, str(db.engine.url), made.begin)
    return made


def allotment(make: Factory) -> None:
    """Twelve plots of different plants, and covers for half of them, of three kinds."""
    make.garden(minutes_budget=90.0)
    make.coordinator(garden.COORDINATOR, password=garden.PASSWORD)
    herbs = [make.stage(f"herb {number}", threshold_c=number / 2.0) for number in range(6)]
    place = make.place("Back shed")
    for number in range(12):
        plot = make.plot(f"Q{number + 1}", distance_m=10.0 + 5.0 * number)
        make.planting(plot, herbs[number % 6], count=3 + number, spread_cm=15.0 + 5 * (number % 3))
        make.planting(plot, herbs[(number + 3) % 6], count=4, mind="dearly")
    for size, lift_k in ((60.0, 2.0), (100.0, 3.0), (40.0, 4.0)):
        kind = make.cover_kind(
            inner_length_cm=size, outer_length_cm=size + 4.0, clear_mean_k=lift_k
        )
        for _number in range(4):
            make.cover(kind, place_id=place.id)


@pytest.mark.browser
def test_what_two_members_claim_while_the_plan_is_improved_does_not_move(
    make: Factory, gate: Gate, open_page: Callable[..., Any]
) -> None:
    allotment(make)
    members = [make.member("Ines"), make.member("Tom")]
    desk = open_page(**DESK)
    desk.goto("/sign-in")
    desk.get_by_label("Name").fill(garden.COORDINATOR)
    desk.get_by_label("Password").fill(garden.PASSWORD)
    press(desk.get_by_role("button", name="Sign in"))
    desk.goto("/forecast/by-hand")
    desk.get_by_label("Forecast low").fill("-2")
    press(desk.get_by_role("button", name=re.compile("Plan|Keep|Save", re.I)).first)

    # A usable board stands, though nothing has been improved yet.
    desk.goto("/tonight")
    assert len(gate.plans) == 1
    desk.get_by_text("a better one is being looked for").wait_for()
    assert desk.locator("article.job").count() >= 4

    for number, member in enumerate(members):
        phone = open_page()
        phone.goto(link_for(member, make))
        press(phone.get_by_role("button", name=re.compile("That.s me")))
        phone.goto("/tonight")
        press(phone.get_by_role("button", name="I’ll do it").nth(number))
        phone.locator("article.job.mine").first.wait_for()
    taken = claimed_by_name(make)
    assert set(taken) == {"Ines", "Tom"}

    gate.open()

    assert claimed_by_name(make) == taken
    db.session.expire_all()
    plan = db.session.scalars(select(Plan).where(Plan.is_current.is_(True))).one()
    assert plan.improving == ""
    assert plan.gap <= improving.GAP
    # The page that waited says so by itself.
    desk.locator("#improving").wait_for(state="detached")


def claimed_by_name(make: Factory) -> dict[str, tuple[Any, ...]]:
    """Who has claimed which covers for which plants, whatever the job's number."""
    db.session.rollback()
    return {
        job.claimed_by: (job.plot_id, job.treatment, sorted(job.plants.items()), job.covers)
        for job in tonight.tonight_page(now=make.now).jobs
        if job.claimed_by
    }


def test_a_process_of_its_own_improves_a_plan_and_ends(app: Flask, make: Factory) -> None:
    """The real command with this app's own settings; no scheduler, no server."""
    allotment(make)
    from gardenapp.services.night.forecasts import enter_by_hand

    enter_by_hand(night_of=make.now.date(), low_c=-2.0, member_id=None, now=make.now)
    improver.improve_apart(app)
    try:
        plan_id = plan_and_tell(night_of=make.now.date(), member_id=None, now=make.now)
        assert in_force().id == plan_id

        deadline = time.monotonic() + 90
        while in_force().improving and time.monotonic() < deadline:
            time.sleep(0.2)
    finally:
        improver.improve_here(app)
        for process in improver._running:
            assert process.wait(30) == 0

    plan = in_force()
    assert plan.improving == ""
    # Proved; what is left between is worth less than sending somebody elsewhere.
    assert plan.method == "optimal"
    assert plan.gap < 0.05
    assert plan.heard_at is not None or plan.id != plan_id


def in_force() -> Plan:
    db.session.rollback()
    db.session.expire_all()
    return db.session.scalars(select(Plan).where(Plan.is_current.is_(True))).one()
