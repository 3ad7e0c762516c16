"""How long a start takes: the list of commands, and the first board. A measurement, not a test.

    python -m tests.bench.bench_start [--rounds N]

Processor time, which whatever else the computer does changes least. The list of commands stands
against importing Flask; the first board of a fresh process against the same process rendering it
again with nothing of it kept, both of the demo garden. A first round, not counted, compiles the
templates, as the first start of a version does.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

HELP_AIM, BOARD_AIM = 2.0, 3.0
NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
AGAIN = 9
COMMAND = "from gardenapp.cli import main; main(['--help'])"
HERE = "tests.bench.bench_start"


def main() -> int:
    parser = argparse.ArgumentParser(description="How long a start takes.")
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--seed", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--board", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.seed:
        seed(options.seed)
    elif options.board:
        board(options.board)
    else:
        commands(options.rounds)
        boards(options.rounds)
    return 0


def child_ms(*words: str) -> float:
    """Processor time of a Python told `words`, in milliseconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return 1000 * (after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)


def commands(rounds: int) -> None:
    """The list of commands against `import flask`, in turns."""
    flask, listed = [], []
    for _ in range(rounds + 1):
        flask.append(child_ms("-c", "import flask"))
        listed.append(child_ms("-c", COMMAND))
    base, ours = statistics.median(flask[1:]), statistics.median(listed[1:])
    print(
        f"gardenapp --help: {ours:.0f} ms, import flask: {base:.0f} ms, "
        f"{ours / base:.2f} × (aim ≤ {HELP_AIM:g})"
    )


def boards(rounds: int) -> None:
    """The first board of a process against a later one, over `rounds` processes."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [sys.executable, "-m", HERE, "--seed", folder], stdout=subprocess.DEVNULL, check=True
        )
        found = []
        for _ in range(rounds + 1):
            done = subprocess.run(
                [sys.executable, "-m", HERE, "--board", folder],
                capture_output=True, text=True, check=True,
            )  # fmt: skip
            found.append([float(number) for number in done.stdout.split()])
        columns = list(zip(*found[1:], strict=True))
        first, later, modules, kept, ahead, ahead_kept = (statistics.median(c) for c in columns)
        print(f"first board of a version, nothing compiled yet: {found[0][0]:.0f} ms")
        print(
            f"first board after a start: {first:.0f} ms, rendered again: {later:.0f} ms, "
            f"{first / later:.2f} × (aim ≤ {BOARD_AIM:g}); {modules:.0f} modules loaded for it"
        )
        print(f"a kept board: {kept:.1f} ms")
        print(f"the nights ahead, worked out: {ahead:.0f} ms; kept: {ahead_kept:.1f} ms")


def seed(folder: Path) -> None:
    """Make the demo garden, planned, in `folder`."""
    import seed_demo
    from gardenapp import create_app
    from gardenapp.cli.base import upgrade_if_needed
    from tests.conftest import make_settings

    with create_app(make_settings(folder)).app_context():
        upgrade_if_needed()
        seed_demo.seed(low_c=seed_demo.USUAL_LOW_C, now=NOW, with_past=False)


def board(folder: Path) -> None:
    """Print the figures of this process: milliseconds, and a count of modules."""
    from gardenapp import create_app
    from gardenapp.web import shelf
    from gardenapp.web.night import ahead
    from tests.conftest import make_settings

    app = create_app(make_settings(folder), overrides={"CLOCK": lambda: NOW})

    def get(path: str) -> float:
        began = time.process_time()
        answer = app.test_client().get(path, headers={"Accept-Encoding": "gzip"})
        assert answer.status_code == 200
        return 1000 * (time.process_time() - began)

    def forgotten(path: str) -> float:
        shelf.pages.clear()
        ahead.worked_out.clear()
        app.extensions.pop("board_parts", None)
        return get(path)

    before = set(sys.modules)
    first = get("/tonight")
    modules = len(set(sys.modules) - before)
    later = statistics.median(forgotten("/tonight") for _ in range(AGAIN))
    kept = statistics.median(get("/tonight") for _ in range(AGAIN))
    looked = statistics.median(forgotten("/ahead") for _ in range(AGAIN))
    looked_kept = statistics.median(get("/ahead") for _ in range(AGAIN))
    print(first, later, modules, kept, looked, looked_kept)


if __name__ == "__main__":
    sys.exit(main())
