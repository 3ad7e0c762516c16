"""Two hundred phones at dusk: boards, claims, marks. A measurement, with promises that are checked.

    python -m tests.bench.bench_load [--phones N] [--seconds S] [--threads T] [--postgres ADMIN_URL]

A garden of 60 plots and 420 plantings, planned; the server in a process of its own, as the
command starts it (waitress, eight threads), or with `--postgres` gunicorn with two workers on a
new database there. Each phone looks at the board, claims a free job, puts it on, takes it back;
a bare route takes its turn in the same run, so that whatever else the computer does meets both.

Checked at the end: no answer above 499, each acknowledged claim there once, no job claimed twice.
Reported: answers, the 95th percentile of each kind, and its ratio to the bare route.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from flask import Flask, g, session
from flask.sessions import SecureCookieSessionInterface
from flask_wtf.csrf import generate_csrf
from sqlalchemy import func, select

from gardenapp import create_app
from gardenapp.extensions import db
from gardenapp.models.nights import Claim, CoverUse, Job, Plan
from gardenapp.models.people import Member
from gardenapp.services.upkeep import transfer
from gardenapp.web.access import public
from tests.bench.bench_board import NOW, fill
from tests.conftest import make_settings

BARE, BOARD, CLAIM, MARK = "bare", "board", "claim", "mark"


def app_on(folder: Path, database_url: str = "") -> Flask:
    """The app on the bench's database, with the bare route."""
    changes = {"database_url": database_url} if database_url else {}
    app = create_app(make_settings(folder, **changes), overrides={"CLOCK": lambda: NOW})

    @app.get("/bare")
    @public
    def bare() -> str:
        return "ok"

    return app


def served() -> Flask:
    """What gunicorn loads."""
    return app_on(Path(os.environ["BENCH_FOLDER"]), os.environ["BENCH_URL"])


@dataclass
class Tally:
    """What came back."""

    took_s: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    statuses: dict[str, Counter[int]] = field(default_factory=lambda: defaultdict(Counter))
    claimed: list[tuple[int, int]] = field(default_factory=list)
    broken: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)


class Phone:
    """One phone, signed in already, with a connection it opens anew for each press."""

    def __init__(self, port: int, member: Member, app: Flask) -> None:
        self.port, self.member_id = port, member.id
        # The session as signing in leaves it; two hundred sign-ins are another measurement.
        with app.test_request_context():
            g.pop("csrf_token", None)  # kept for the app context, which all phones share here
            session["_user_id"] = f"{member.id}:{member.session_epoch}"
            session["_fresh"] = True
            session.permanent = True
            self.token = generate_csrf()
            signer = SecureCookieSessionInterface().get_signing_serializer(app)
            assert signer is not None
            self.cookie = f"garden={signer.dumps(dict(session))}"

    def ask(self, method: str, path: str) -> tuple[int, str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        try:
            headers = {"Cookie": self.cookie} if self.cookie else {}
            body = None
            if method == "POST":
                headers["Content-Type"] = "application/x-www-form-urlencoded"
                body = f"csrf_token={self.token}"
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            text = answer.read().decode("utf-8", "replace")
            return answer.status, text
        finally:
            connection.close()


def press(phone: Phone, jobs: Sequence[int], chance: random.Random, tally: Tally) -> None:
    """One phone's one thing, timed."""
    draw = chance.random()
    job = chance.choice(jobs)
    if draw < 0.2:
        kind, method, path = BARE, "GET", "/bare"
    elif draw < 0.75:
        kind, method, path = BOARD, "GET", "/tonight"
    elif draw < 0.9:
        kind, method, path = CLAIM, "POST", f"/tonight/jobs/{job}/claim"
    else:
        action = chance.choice(["on", "undo", "release"])
        kind, method, path = MARK, "POST", f"/tonight/jobs/{job}/{action}"
    began = time.perf_counter()
    try:
        status, _ = phone.ask(method, path)
    except OSError:
        with tally.lock:
            tally.broken += 1
        return
    with tally.lock:
        tally.took_s[kind].append(time.perf_counter() - began)
        tally.statuses[kind][status] += 1
        if kind == CLAIM and status == 303:
            tally.claimed.append((job, phone.member_id))


def check(tally: Tally) -> list[str]:
    """What was promised and not kept."""
    wrong = [f"{kind}: {n} × {status}" for kind, found in tally.statuses.items()
             for status, n in found.items() if status >= 500]  # fmt: skip
    wrong += [f"{kind}: {found[400]} × 400" for kind, found in tally.statuses.items() if found[400]]
    if tally.broken:
        wrong.append(f"{tally.broken} connections broke")
    kept = Counter((j, m) for j, m in db.session.execute(select(Claim.job_id, Claim.member_id)))
    # Pressing again on one's own open claim is acknowledged and adds nothing.
    wrong += [f"claim of job {j} by {m} is lost" for j, m in set(tally.claimed) - set(kept)]
    doubled = select(Claim.job_id).where(Claim.released_at.is_(None)).group_by(Claim.job_id)
    wrong += [f"job {j} is claimed twice" for j in
              db.session.scalars(doubled.having(func.count() > 1))]  # fmt: skip
    twice = select(CoverUse.cover_id).where(CoverUse.is_open).group_by(CoverUse.cover_id)
    wrong += [f"cover {c} stands twice" for c in
              db.session.scalars(twice.having(func.count() > 1))]  # fmt: skip
    return wrong


def p95_ms(values: Sequence[float]) -> float:
    return 1000 * statistics.quantiles(values, n=20)[-1] if len(values) > 1 else float("nan")


def run(app: Flask, port: int, phones: int, seconds: float, threads: int) -> list[str]:
    """Press for `seconds`, print the figures, give what went wrong."""
    with app.app_context():
        members = list(db.session.scalars(select(Member).where(Member.is_active)))[:phones]
        everybody = [Phone(port, member, app) for member in members]
        plan = db.session.scalars(select(Plan).where(Plan.is_current)).one()
        jobs = list(db.session.scalars(select(Job.id).where(Job.plan_id == plan.id)))
        db.session.remove()
    tally, until = Tally(), time.monotonic() + seconds

    def work(at: int) -> None:
        chance, mine = random.Random(at), everybody[at::threads]
        while time.monotonic() < until:
            press(chance.choice(mine), jobs, chance, tally)

    crew = [threading.Thread(target=work, args=(n,)) for n in range(min(threads, len(everybody)))]
    for each in crew:
        each.start()
    for each in crew:
        each.join()
    total = sum(len(v) for v in tally.took_s.values())
    print(
        f"{len(everybody)} phones, {seconds:.0f} s, {total} answers, {total / seconds:.0f} a second"
    )
    bare = p95_ms(tally.took_s[BARE])
    for kind in (BARE, BOARD, CLAIM, MARK):
        took = tally.took_s[kind]
        print(
            f"  {kind:6} {len(took):6} answers, median "
            f"{1000 * statistics.median(took):6.0f} ms, p95 {p95_ms(took):6.0f} ms, "
            f"{p95_ms(took) / bare:4.2f} × bare, {dict(tally.statuses[kind])}"
        )
    with app.app_context():
        wrong = check(tally)
        db.session.remove()
    print(f"  acknowledged claims: {len(tally.claimed)}; wrong: {wrong or 'nothing'}")
    return wrong


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--phones", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--threads", type=int, default=16, help="how many press at the same moment")
    parser.add_argument("--postgres", default="", help="an administrator's address of a server")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder)
        app = app_on(folder)
        with app.app_context():
            for number in range(asked.phones):
                db.session.add(Member(name=f"Phone {number}", created_at=NOW - timedelta(days=1)))
            db.session.commit()
            db.session.remove()
        url = ""
        if asked.postgres:
            app, url = _moved(app, folder, asked.postgres)
        process, port = _start(folder, url, asked.workers)
        try:
            print("PostgreSQL, gunicorn" if url else "SQLite, waitress")
            return 1 if run(app, port, asked.phones, asked.seconds, asked.threads) else 0
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(20)


def _moved(app: Flask, folder: Path, admin: str) -> tuple[Flask, str]:
    """The same garden on a PostgreSQL server, by the very way that a garden would be moved."""
    os.environ["TEST_DATABASE_URL"] = admin
    from flask_migrate import upgrade

    from tests import postgres_pool

    postgres_pool.ADMIN_URL = admin.replace("+psycopg", "")
    url = postgres_pool.url_of(postgres_pool.new_database())
    moved = app_on(folder, url)
    with moved.app_context():
        upgrade()
        target = db.engine
        with app.app_context():
            transfer.copy_to(target, source=db.engine)
            db.engine.dispose()
    return moved, url


def _start(folder: Path, url: str, workers: int) -> tuple[subprocess.Popen[Any], int]:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("GARDEN_", "TEST_"))}
    environment |= {"BENCH_FOLDER": str(folder), "BENCH_URL": url}
    if url:
        command = ["gunicorn", "--workers", str(workers), "--threads", "4", "--log-level", "error",
                   "--bind", f"127.0.0.1:{port}", "tests.bench.bench_load:served()"]  # fmt: skip
    else:
        command = ["waitress", "--host=127.0.0.1", f"--port={port}", "--threads=8", "--call",
                   "tests.bench.bench_load:served"]  # fmt: skip
    log = (folder / "server.log").open("wb")
    process = subprocess.Popen([sys.executable, "-m", *command], env=environment, stderr=log)
    for _ in range(600):
        with contextlib.suppress(OSError):
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
            connection.request("GET", "/bare")
            if connection.getresponse().status == 200:
                connection.close()
                return process, port
        time.sleep(0.1)
    raise RuntimeError((folder / "server.log").read_text()[-2000:])


if __name__ == "__main__":
    sys.exit(main())
