"""How soon a plan stands after a low is entered on the demo garden, and what it costs others.

Run by hand:  python -m tests.bench.bench_first_plan

Printed: the POST that enters a low and keeps a first plan, beside a bare POST; a fresh good plan,
a first one and one put right for a claim, in CPU seconds; the board's 95th percentile while nothing
else runs and while another process improves the plan.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime

from flask import Flask
from flask_migrate import upgrade
from sqlalchemy import select

import seed_demo
from gardenapp import create_app, improver
from gardenapp.config import read_settings
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.people import Member
from gardenapp.science.allocation.solve import first_answer, solve
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night import improving
from gardenapp.services.night.forecasts import enter_by_hand, find_forecast
from gardenapp.services.night.learning import site_belief
from gardenapp.services.night.plan_night import basis_of
from gardenapp.services.notices.planned import plan_and_tell
from tests.pages import Pages

NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
LOOKS = 120


def wall(what: Callable[[], None]) -> float:
    """Seconds of wall time."""
    begun = time.perf_counter()
    what()
    return time.perf_counter() - begun


def cpu(what: Callable[[], object]) -> float:
    """Seconds of this process."""
    begun = time.process_time()
    what()
    return time.process_time() - begun


def p95(seconds: list[float]) -> float:
    """The 95th percentile."""
    return statistics.quantiles(seconds, n=20)[-1]


def demo() -> Flask:
    """The demo garden in a folder of its own, its evening planned."""
    folder = tempfile.mkdtemp()
    settings = read_settings({"GARDEN_INSTANCE": folder, "GARDEN_SCHEDULER": "no"})
    app = create_app(settings, overrides={"CLOCK": lambda: NOW})
    improver.improve_here(app)
    with app.app_context():
        upgrade()
        seed_demo.seed(low_c=-2.0, now=NOW, with_past=False)
        db.session.remove()
    return app


def posts(app: Flask) -> None:
    """A low entered, beside a bare POST."""
    pages = Pages(app)
    with app.app_context():
        member = db.session.scalars(select(Member).where(Member.role == "coordinator")).first()
        assert member is not None
        pages.sign_in(member)
        key = str(db.engine.url)
    improving.begin_with(key, lambda _plan_id: None)  # nobody improves: the first plan alone
    low = iter(range(30, 60))
    token = pages._token()

    def enter() -> None:
        pages.post(
            "/forecast/by-hand",
            {"low": f"-{next(low) / 10}", "unit": "C", "night_of": "2026-11-24"},
            status=303,
        )

    def bare() -> None:
        pages.client.post("/tonight/seen", data={"csrf_token": token})

    enter()  # what is loaded at the first is loaded
    bare()
    entered = [wall(enter) for _ in range(5)]
    plain = [wall(bare) for _ in range(20)]
    print(
        f"a low entered: {max(entered):.2f} s at most of 5, a bare POST {p95(plain):.4f} s;"
        f" {statistics.median(entered) / statistics.median(plain):.0f} times"
    )
    improver.improve_here(app)


def plans(app: Flask) -> None:
    """Fresh, first and repaired, for one question."""
    with app.app_context():
        night = NOW.date()
        enter_by_hand(night_of=night, low_c=-2.0, member_id=None, now=NOW)
        forecast = find_forecast(night)
        assert forecast is not None
        basis = basis_of(get_garden(), forecast, site_belief(before=night), NOW)
        good = solve(basis.problem)
        fresh = min(cpu(lambda: solve(basis.problem)) for _ in range(3))
        first = min(cpu(lambda: first_answer(basis.problem)) for _ in range(3))
        repaired = min(cpu(lambda: first_answer(basis.problem, start=good.uses)) for _ in range(3))
        print(
            f"demo: fresh {fresh:.3f} s (gap {good.gap:.2%}), first {first:.3f} s,"
            f" repaired {repaired:.4f} s: {repaired / fresh:.1%} of fresh"
        )
        db.session.remove()


def boards(app: Flask) -> None:
    """The board while nothing else runs, and while another process improves a plan."""
    pages = Pages(app)

    def look() -> None:
        from gardenapp.web import shelf

        shelf.pages.clear()  # as after a claim: made anew
        pages.client.get("/tonight")

    look()
    idle = [wall(look) for _ in range(LOOKS)]
    improver.improve_apart(app)
    busy: list[float] = []
    with app.app_context():
        while len(busy) < LOOKS:
            plan_id = plan_and_tell(night_of=NOW.date(), member_id=None, now=NOW)
            while _is_improving() and len(busy) < LOOKS:
                busy.append(wall(look))
            db.session.rollback()
            assert plan_id
        db.session.remove()
    improver.improve_here(app)
    print(
        f"board: p95 {p95(idle) * 1000:.1f} ms alone, {p95(busy) * 1000:.1f} ms meanwhile:"
        f" {p95(busy) / p95(idle):.2f} times"
    )


def _is_improving() -> bool:
    db.session.rollback()
    found = db.session.scalar(select(Plan.improving).where(Plan.is_current.is_(True)).limit(1))
    return bool(found)


def main() -> None:
    """Print the three."""
    os.environ.setdefault("PYTHONHASHSEED", "0")
    app = demo()
    posts(app)
    plans(app)
    boards(app)


if __name__ == "__main__":
    main()
