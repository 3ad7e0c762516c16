"""How much longer readers take while eight writers write. A measurement, not a test.

    python -m tests.bench.bench_readers [--seconds S]

Claim 4 as it is written: eight readers ask the board's first questions of the database, without
and with eight writers, who are a process of their own so that the database is measured and not
who gets the interpreter. The aim is a p95 with writers within twice that without.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from flask import Flask
from sqlalchemy import select

from gardenapp import create_app
from gardenapp.cli.base import upgrade_if_needed
from gardenapp.extensions import db
from gardenapp.models.people import Garden
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW, make_settings
from tests.factories import Factory

THREADS, AIM = 8, 2.0


def in_threads(app: Flask, seconds: float, work: str) -> list[float]:
    """Do `work` in eight threads for so long; gives how long each turn took. [ms]"""
    until, took = time.monotonic() + seconds, []

    def turn(number: int, at: int) -> None:
        if work == "write":
            with write_transaction() as session:
                session.add(StorePlace(label=f"{number} {at}"))
        else:
            db.session.execute(select(Garden)).all()
            db.session.execute(select(Plot)).all()
            db.session.remove()

    def run(number: int) -> None:
        with app.app_context():
            at = 0
            while time.monotonic() < until:
                began = time.perf_counter()
                turn(number, at)
                took.append(1000.0 * (time.perf_counter() - began))
                at += 1
                time.sleep(0.005)

    threads = [threading.Thread(target=run, args=(n,)) for n in range(THREADS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sorted(took)


def p95(took: list[float]) -> float:
    """What nineteen of twenty were faster than. [ms]"""
    return took[int(0.95 * len(took))]


def main() -> None:
    """Print both, and the ratio."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--write", type=Path, help="be the writers, on the garden in this folder")
    asked = parser.parse_args()
    if asked.write:
        print(len(in_threads(create_app(make_settings(asked.write)), asked.seconds, "write")))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        app = create_app(make_settings(folder))
        with app.app_context():
            upgrade_if_needed()
            make = Factory(NOW)
            make.garden()
            for number in range(60):
                make.plot(f"P{number}")
            db.session.remove()
        in_threads(app, 2.0, "read")
        alone = in_threads(app, asked.seconds, "read")
        writers = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.bench_readers", "--write", name,
             "--seconds", str(asked.seconds + 2.0)],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        time.sleep(2.0)
        beside = in_threads(app, asked.seconds, "read")
        written = writers.communicate()[0].split()[-1]
    print(f"readers alone: {len(alone)} reads, p95 {p95(alone):.1f} ms")
    print(f"beside {written} writes: {len(beside)} reads, p95 {p95(beside):.1f} ms")
    print(f"ratio {p95(beside) / p95(alone):.2f} (aim {AIM:g})")


if __name__ == "__main__":
    main()
