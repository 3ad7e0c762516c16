"""Claim 1: what was answered with "done" is there after `kill -9`, and no plan is half there.

The real server, as people start it, on either database. Ten rounds in a usual run; the fifty that
the claim asks for with `CLAIM_KILLS=50`. Power loss cannot be tried this way; for that the app
rests on full syncing and on the disk.
"""

from __future__ import annotations

import contextlib
import os
import random
import socket
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import requests
from flask import Flask
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import Job, JobPart, Plan
from gardenapp.models.plants import Planting
from gardenapp.models.plots import StorePlace
from gardenapp.services.garden import people
from gardenapp.services.kept_plans import stories_of
from tests import postgres_pool
from tests.factories import Factory
from tests.servers import Serve
from tests.system import garden
from tests.system.conftest import Visitor

KILLS = int(os.environ.get("CLAIM_KILLS", "6" if postgres_pool.is_asked_for() else "10"))
WRITERS = 4
GAVE_UP = (requests.RequestException, OSError, AssertionError)


class Serving:
    """`gardenapp serve` in a process of its own, started again after each kill."""

    def __init__(self, app: Flask, serve: Serve) -> None:
        self.serve = serve
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.environment = {
            k: v for k, v in os.environ.items() if not k.startswith(("GARDEN_", "TEST_"))
        } | {
            "GARDEN_INSTANCE": app.instance_path,
            "GARDEN_SECRET_KEY": app.config["SECRET_KEY"],
            "GARDEN_SCHEDULER": "no",
            "DATABASE_URL": app.config["SQLALCHEMY_DATABASE_URI"],
        }
        self.log = (Path(app.instance_path) / "log").open("ab")

    def start(self) -> None:
        words = ("--host", "127.0.0.1", "--port", str(self.port))
        self.served = self.serve(
            *words, environment=self.environment, stdout=self.log, stderr=self.log
        )
        until = time.monotonic() + 60
        while time.monotonic() < until:
            with contextlib.suppress(requests.RequestException):
                if requests.get(f"{self.url}/healthz", timeout=5).status_code == 200:
                    return
            assert self.served.process.poll() is None, "the server did not start again by itself"
            time.sleep(0.05)
        raise AssertionError("the server did not answer")

    def kill(self) -> None:
        self.served.kill()


def write_places(visitor: Visitor, token: str, name: str, stop: threading.Event) -> list[str]:
    """Add places until the server is gone; gives the labels that were acknowledged."""
    done: list[str] = []
    while not stop.is_set() and len(done) < 1_000:
        label = f"{name} {len(done)}"
        try:
            answer = visitor.post("/covers/places/new", {"label": label, "note": ""}, token=token)
        except GAVE_UP:
            return done
        assert answer.status_code == 303, answer.status_code
        done.append(label)
    return done


def write_forecasts(visitor: Visitor, token: str, night: date, stop: threading.Event) -> int:
    """Enter forecasts, each of which makes a plan; gives how many were acknowledged."""
    done = 0
    while not stop.is_set():
        data = {"low": f"-{1 + done % 3}", "unit": "C", "night_of": night.isoformat()}
        try:
            answer = visitor.post("/forecast/by-hand", data, token=token)
        except GAVE_UP:
            return done
        assert answer.status_code == 303, answer.text[:300]
        done += 1
    return done


def check_whole(expected: set[str], forecasts: int) -> None:
    """Nothing acknowledged is missing, and every plan there is, is whole."""
    with db.engine.connect() as connection:
        if connection.dialect.name == "sqlite":
            assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
            assert connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall() == []
    labels = set(db.session.scalars(select(StorePlace.label)))
    assert expected - labels == set()
    assert (db.session.scalar(select(func.count()).select_from(Forecast)) or 0) >= forecasts
    plantings = db.session.scalar(select(func.count()).select_from(Planting))
    nights = set()
    for plan in db.session.scalars(select(Plan)):
        stories = stories_of(plan)
        jobs = set(db.session.scalars(select(Job.id).where(Job.plan_id == plan.id)))
        assert len(stories) == plantings, "half a plan"
        for story in stories:
            assert {gift.job_id for gift in story.given} <= jobs
        filled = set(db.session.scalars(select(JobPart.job_id).where(JobPart.job_id.in_(jobs))))
        assert filled == jobs, "a job without parts"
        if plan.is_current:
            assert plan.night_of not in nights
            nights.add(plan.night_of)
    db.session.remove()


def test_no_acknowledged_write_is_lost_and_no_plan_is_half_there(
    app: Flask, make: Factory, serve: Serve
) -> None:
    small = garden.small_garden(make)
    invite: Callable[[], str] = lambda: people.make_invite(  # noqa: E731
        member_id=small.coordinator.id, by_id=None, now=datetime.now(UTC)
    )
    serving = Serving(app, serve)
    serving.start()
    visitors = []
    for _ in range(WRITERS):
        visitor = Visitor(serving.url)
        visitor.join(f"/join/{invite()}")
        visitors.append(visitor)
    token = [visitor.token("/covers/places/new") for visitor in visitors]
    tonight = (datetime.now(UTC) - timedelta(hours=12)).date() + timedelta(days=1)
    chance = random.Random(20261124)
    acknowledged: set[str] = set()
    forecasts = 0
    db.session.remove()
    try:
        for number in range(KILLS):
            stop = threading.Event()
            found: list[list[str]] = []
            planned: list[int] = []

            def run(
                at: int, n: int = number, f: list[list[str]] = found, s: threading.Event = stop
            ) -> None:
                f.append(write_places(visitors[at], token[at], f"round {n} writer {at}", s))

            def plan(p: list[int] = planned, s: threading.Event = stop) -> None:
                p.append(write_forecasts(visitors[0], token[0], tonight, s))

            threads = [threading.Thread(target=run, args=(at,)) for at in range(1, WRITERS)]
            threads.append(threading.Thread(target=plan))
            for thread in threads:
                thread.start()
            time.sleep(chance.uniform(0.2, 1.6))
            serving.kill()
            stop.set()
            for thread in threads:
                thread.join(60)
            assert len(found) == WRITERS - 1
            assert len(planned) == 1
            acknowledged |= {label for each in found for label in each}
            forecasts += sum(planned)
            check_whole(acknowledged, forecasts)
            serving.start()
        check_whole(acknowledged, forecasts)
    finally:
        serving.kill()
        serving.log.close()
        for visitor in visitors:
            visitor.http.close()
    print(f"{KILLS} kills, {len(acknowledged)} writes and {forecasts} forecasts acknowledged")
    assert len(acknowledged) >= 3 * KILLS
    assert forecasts >= 1


if __name__ == "__main__":
    sys.exit(pytest.main([__file__, "-s"]))
