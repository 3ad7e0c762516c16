"""How long the board takes against a route that does nothing. A measurement, not a test.

    python -m tests.bench.bench_board [--requests N] [--clients N] [--folder F] [--profile]

60 plots, 420 plantings and 300 covers, planned; the server in a process of its own, as the
command starts it. The routes take turns in the same run, so that whatever else the computer
does meets them alike; the server's own processor time beside them is what a busy computer
changes least. The bare route is added here only and goes through the same server,
sign-in check and headers.
"""

from __future__ import annotations

import argparse
import cProfile
import http.client
import logging
import os
import pstats
import random
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask
from sqlalchemy import select

from gardenapp import create_app
from gardenapp.cli.base import upgrade_if_needed
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.nights import Plan
from gardenapp.models.plants import CropStage
from gardenapp.services.garden import people
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.kept_plans import header_of
from gardenapp.services.night.forecasts import enter_by_hand
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.transaction import write_transaction
from gardenapp.web.access import public
from tests.conftest import make_settings
from tests.factories import Factory

NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
PLOTS, PLANTINGS, COVERS, MEMBERS = 60, 420, 300, 40
CLIENTS, REQUESTS, ROUNDS, WARM_UP = 8, 600, 3, 50
AIM = 3.0
THREADS = 8
COUNTED_AS_GARDEN = (
    "lettuce", "spinach", "kale", "broad bean", "leek", "chard", "parsley", "garlic", "lemon",
    "strawberry", "rosemary", "savoy cabbage", "beetroot", "pea",
)  # fmt: skip


@dataclass(frozen=True)
class Route:
    """One thing to ask for."""

    name: str
    path: str
    headers: dict[str, str]
    status: int = 200


def build(folder: Path) -> Flask:
    """The app on a file in `folder`, with the bare route."""
    app = create_app(make_settings(folder), overrides={"CLOCK": lambda: NOW})

    @app.get("/bare")
    @public
    def bare() -> str:
        return "ok"

    return app


def fill(folder: Path) -> str:
    """Make and plan the garden; gives the path of a member's link."""
    rng = random.Random(7)
    app = build(folder)
    with app.app_context():
        upgrade_if_needed()
        make = Factory(NOW)
        make.garden(minutes_budget=600.0, shelter_spaces=12)
        with write_transaction() as session:
            seed_catalogue(session)
        members = [make.member(f"Holder {number}") for number in range(MEMBERS)]
        plots = [
            make.plot(
                f"{'ABCDEF'[number // 10]}{number % 10}",
                holders=(members[number % MEMBERS],),
                distance_m=10.0 + 3.0 * number,
            )
            for number in range(PLOTS)
        ]
        stages = [s for s in db.session.scalars(select(CropStage)) if s.crop.name in
                  COUNTED_AS_GARDEN]  # fmt: skip
        for number in range(PLANTINGS):
            stage = rng.choice(stages)
            make.planting(
                plots[number % PLOTS],
                stage,
                count=rng.randint(2, 16),
                height_cm=stage.usual_height_cm,
                spread_cm=stage.usual_spread_cm,
                is_hardened=rng.random() < 0.6,
                mind=rng.choice(["little", "much", "dearly"]),
            )
        places = [make.place(f"Store {number}") for number in range(6)]
        kinds = [
            kind
            for kind in db.session.scalars(select(CoverKind))
            if kind.construction not in {"shelter", "mulch"}
        ]
        for number in range(COVERS):
            kind = kinds[number % len(kinds)]
            make.cover(kind, label=f"cover {number}", place_id=rng.choice(places).id)
        enter_by_hand(
            night_of=NOW.date(), low_c=-2.0, cloud_fraction=0.1, wind_mps=1.5, gust_mps=4.0,
            member_id=None, now=NOW,
        )  # fmt: skip
        started = time.perf_counter()
        plan_night(night_of=NOW.date(), member_id=None, now=NOW)
        plan = db.session.scalars(select(Plan).where(Plan.is_current)).one()
        print(
            f"planned in {time.perf_counter() - started:.1f} s: {plan.method}, gap {plan.gap:.2%}, "
            f"{dict(header_of(plan).counts)}, {len(plan.jobs)} jobs"
        )
        token = people.make_invite(member_id=members[0].id, by_id=None, now=NOW)
        db.session.remove()
        db.engine.dispose()
    return f"/join/{token}"


def serve(folder: Path) -> None:
    """Serve until standard input ends; the first line printed is the port."""
    import waitress

    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    server = waitress.create_server(
        build(folder), host="127.0.0.1", port=0, threads=THREADS, ident=None
    )
    print(server.effective_port, flush=True)
    threading.Thread(target=server.run, daemon=True).start()
    sys.stdin.read()


def sign_in(port: int, link: str) -> str:
    """Come in by the link; gives the cookie."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", link)
    answer = connection.getresponse()
    token = re.search(r'csrf_token" value="([^"]+)"', answer.read().decode())
    cookie = (answer.getheader("Set-Cookie") or "").partition(";")[0]
    assert token
    connection.request(
        "POST",
        link,
        f"csrf_token={token[1]}",
        {"Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded"},
    )
    answer = connection.getresponse()
    answer.read()
    assert answer.status == 303, answer.status
    cookie = (answer.getheader("Set-Cookie") or "").partition(";")[0]
    # The form's token enters the session with the first page that carries one.
    connection.request("GET", "/tonight", headers={"Cookie": cookie})
    answer = connection.getresponse()
    answer.read()
    cookie = (answer.getheader("Set-Cookie") or cookie).partition(";")[0]
    connection.close()
    return cookie


def ask(port: int, route: Route, count: int, into: list[float]) -> None:
    """`count` requests one after another on one connection, each one's milliseconds."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    headers = {"Accept-Encoding": "gzip", **route.headers}
    for _ in range(count):
        started = time.perf_counter()
        connection.request("GET", route.path, headers=headers)
        answer = connection.getresponse()
        answer.read()
        into.append((time.perf_counter() - started) * 1000.0)
        assert answer.status == route.status, (route.name, answer.status)
    connection.close()


def load(port: int, route: Route, clients: int, requests: int) -> tuple[list[float], float]:
    """Milliseconds of each request with `clients` at once, and requests a second."""
    found: list[list[float]] = [[] for _ in range(clients)]
    threads = [
        threading.Thread(target=ask, args=(port, route, requests // clients, into))
        for into in found
    ]
    started = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    seconds = time.perf_counter() - started
    times = [ms for part in found for ms in part]
    return times, len(times) / seconds


def cpu_ms(pid: int) -> float:
    """Processor time a process has used so far, as Linux counts it. [ms]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    # Fields 14 and 15 of proc(5): user and system time; the name before holds two.
    return (int(fields[11]) + int(fields[12])) * 1000.0 / os.sysconf("SC_CLK_TCK")


def etag(port: int, headers: dict[str, str]) -> str:
    """The board's present tag for these headers."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    connection.request("GET", "/tonight", headers={"Accept-Encoding": "gzip", **headers})
    answer = connection.getresponse()
    size = len(answer.read())
    tag = answer.getheader("ETag") or ""
    print(f"board {'signed in' if headers else 'anonymous'}: {size} bytes sent")
    connection.close()
    return tag


def profile(folder: Path, link: str) -> None:
    """Where the time of the board goes, in process."""
    app = build(folder)
    for name, joins in (("anonymous", False), ("signed in", True)):
        client = app.test_client()
        if joins:
            page = client.get(link).text
            token = re.search(r'csrf_token" value="([^"]+)"', page)
            assert token
            client.post(link, data={"csrf_token": token[1]})
        headers = {"Accept-Encoding": "gzip"}
        client.get("/tonight", headers=headers)
        found = cProfile.Profile()
        found.enable()
        for _ in range(200):
            client.get("/tonight", headers=headers)
        found.disable()
        print(f"--- {name}, 200 requests")
        pstats.Stats(found).sort_stats("cumulative").print_stats(28)
    with app.app_context():
        db.engine.dispose()


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="The board against a bare route.")
    parser.add_argument("--requests", type=int, default=REQUESTS)
    parser.add_argument("--clients", type=int, default=CLIENTS)
    parser.add_argument("--folder", type=Path, help="keep the garden here and use it again")
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.serve:
        serve(options.serve)
        return 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.folder or Path(temporary)
        kept = folder / "link"
        if not kept.exists():
            folder.mkdir(exist_ok=True, parents=True)
            kept.write_text(fill(folder))
        link = kept.read_text()
        if options.profile:
            profile(folder, link)
            kept.write_text("used")
            return 0
        measure(folder, _fresh_link(folder), options.clients, options.requests)
    return 0


def _fresh_link(folder: Path) -> str:
    app = build(folder)
    with app.app_context():
        token = people.make_invite(member_id=1, by_id=1, now=NOW)
        db.session.remove()
        db.engine.dispose()
    return f"/join/{token}"


def measure(folder: Path, link: str, clients: int, requests: int) -> None:
    """Start the server, ask in turns, print the table."""
    command = [sys.executable, "-m", "tests.bench.bench_board", "--serve", str(folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as server:
        assert server.stdout and server.stdin
        port = int(server.stdout.readline())
        cookie = {"Cookie": sign_in(port, link)}
        tag, own_tag = etag(port, {}), etag(port, cookie)
        routes = (
            Route("bare", "/bare", {}),
            Route("board, anonymous", "/tonight", {}),
            Route("board, anonymous, unchanged", "/tonight", {"If-None-Match": tag}, 304),
            Route("board, signed in", "/tonight", cookie),
            Route(
                "board, signed in, unchanged", "/tonight", {**cookie, "If-None-Match": own_tag}, 304
            ),
        )
        for count in (1, clients):
            times: dict[str, list[float]] = {route.name: [] for route in routes}
            rates: dict[str, list[float]] = {route.name: [] for route in routes}
            used: dict[str, float] = dict.fromkeys(times, 0.0)
            for route in routes:
                load(port, route, count, WARM_UP)
            for _ in range(ROUNDS):
                for route in routes:
                    before_ms = cpu_ms(server.pid)
                    found, rate = load(port, route, count, requests // ROUNDS)
                    used[route.name] += cpu_ms(server.pid) - before_ms
                    times[route.name] += found
                    rates[route.name].append(rate)
            table(count, times, rates, used)
        server.stdin.close()
        server.wait(20)


def table(
    clients: int,
    times: dict[str, list[float]],
    rates: dict[str, list[float]],
    used: dict[str, float],
) -> None:
    """One line a route, with its ratio to the bare one."""
    print(f"\n{clients} at once; milliseconds; ratio to the bare route (aim ≤ {AIM:g})")
    print(
        f"{'route':30} {'p50':>8} {'p95':>8} {'a second':>9} {'p50 ×':>7} {'p95 ×':>7} "
        f"{'processor':>9} {'×':>6}"
    )
    base: tuple[float, float, float] | None = None
    for name, found in times.items():
        cuts = statistics.quantiles(found, n=100)
        p50, p95 = cuts[49], cuts[94]
        each_ms = used[name] / len(found)
        base = base or (p50, p95, each_ms)
        print(
            f"{name:30} {p50:8.2f} {p95:8.2f} {statistics.mean(rates[name]):9.0f} "
            f"{p50 / base[0]:7.2f} {p95 / base[1]:7.2f} {each_ms:9.2f} {each_ms / base[2]:6.2f}"
        )


if __name__ == "__main__":
    sys.exit(main())
