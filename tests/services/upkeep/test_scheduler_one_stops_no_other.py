"""One thing that hangs, or one clock gone wrong, keeps nothing else from its turn."""

from __future__ import annotations

import threading
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.notices import Heartbeat, Lease
from gardenapp.models.people import SignInTry
from gardenapp.services.garden import throttle
from gardenapp.services.notices import telling
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.upkeep import doctor, scheduler
from tests.factories import Factory

YEAR = timedelta(days=365)


def beats() -> dict[str, Heartbeat]:
    db.session.rollback()
    return {row.job: row for row in db.session.scalars(select(Heartbeat))}


def test_a_hook_that_never_ends_keeps_no_forecast_and_no_copy_from_its_turn(
    app: Flask, make: Factory, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    make.garden()
    db.session.remove()
    hanging, stop, out = threading.Event(), threading.Event(), Outlet(instance=tmp_path)

    def hang(**_: Any) -> Any:
        hanging.set()
        stop.wait(30)
        raise RuntimeError("let go")

    monkeypatch.setattr(telling, "send_due", hang)
    threads = [
        threading.Thread(
            target=scheduler.run,
            kwargs={
                "context": app.app_context,
                "clock": lambda: make.now,
                "outlet": out,
                "stop": stop,
                "groups": (group,),
                "first_wait_s": 0.01,
                "every_s": 0.05,
            },
            daemon=True,
        )
        for group in scheduler.GROUPS
    ]
    for thread in threads:
        thread.start()
    try:
        assert hanging.wait(10)
        for _ in range(200):
            done = {doctor.tick_of(g) for g in (scheduler.FETCHING, scheduler.KEEPING)}
            if done <= set(beats()):
                break
            stop.wait(0.05)
        assert done <= set(beats())
        assert doctor.tick_of(scheduler.SENDING) not in beats()
    finally:
        stop.set()
        for thread in threads:
            thread.join(10)


def test_a_lease_and_a_last_run_from_the_future_are_not_believed(
    make: Factory, tmp_path: Path
) -> None:
    make.garden()
    out = Outlet(instance=tmp_path)
    assert scheduler.tick(holder="one", now=make.now + YEAR, outlet=out)

    assert scheduler.tick(holder="two", now=make.now, outlet=out)

    assert {row.holder for row in db.session.scalars(select(Lease))} == {"two"}
    ran = {job: row.last_run_at for job, row in beats().items()}
    assert ran[doctor.tick_of(scheduler.KEEPING)] == make.now
    assert ran[scheduler.TIDY] == make.now


def test_tries_of_a_clock_that_was_ahead_keep_nobody_out(make: Factory) -> None:
    make.garden()
    limit = throttle.for_address("192.0.2.1", free=2)
    for _ in range(2):
        throttle.begin_try(limit, now=make.now + YEAR)

    throttle.begin_try(limit, now=make.now)

    assert db.session.scalars(select(SignInTry.tried_at)).all() == [make.now]


def test_the_check_up_says_that_the_clock_is_wrong(app: Flask, make: Factory) -> None:
    make.garden()
    scheduler.beat(job="notices", result="", was_good=True, now=make.now + YEAR)

    assert doctor._clock(make.now).state == doctor.BAD
