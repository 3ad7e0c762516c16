"""Use the app as somebody who installed it: from an empty folder, by its command alone.

    PYTHON installed.py wheel|editable

with the Python of the environment it is installed in. Sets a garden up, serves it, opens the
board and everything the board names, reads a page of the handbook and has the installation
checked. Leaves with 1 and one sentence where something is not as it should be.
"""

from __future__ import annotations

import contextlib
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path

BIN = Path(sys.executable).parent
PASSWORD = "wheel barrow under the medlar"
INIT = [
    "init", "--name", "Lantern Lane", "--latitude", "52.2", "--longitude=-0.9", "--zone",
    "Europe/London", "--elevation", "90", "--coordinator", "Odile", "--password-stdin",
    "--sample-plots",
]  # fmt: skip
WHERE = (
    "import gardenapp.folders as f;"
    "print(f.PACKAGE, *(f.shipped(n) for n in ('templates', 'static', 'migrations')), sep='\\n')"
)
WAIT_S = 60


def must(is_so: bool, otherwise: str) -> None:
    if not is_so:
        raise SystemExit(otherwise)


def run(*words: str, typed: str = "") -> str:
    """What `gardenapp` says to `words`, which it must take."""
    done = subprocess.run(
        [str(BIN / "gardenapp"), *words], input=typed, capture_output=True, text=True, check=False
    )
    must(done.returncode == 0, f"{words[0]} left with {done.returncode}: {done.stderr}")
    return done.stdout


def look_where(kind: str) -> None:
    """The code and its three folders are those of this install."""
    told = subprocess.run(
        [sys.executable, "-c", WHERE], capture_output=True, text=True, check=True
    ).stdout.split("\n")
    package, *folders = (Path(line) for line in told if line)
    is_inside = "site-packages" in package.parts
    must(is_inside == (kind == "wheel"), f"{kind}, but the package is {package}")
    around = package if kind == "wheel" else package.parent
    must(all(f.parent == around and f.is_dir() for f in folders), f"folders are {folders}")
    if kind == "wheel":
        kept = [
            str(path)
            for path in (package / "instance", package.parent / "instance")
            if path.exists()
        ]
        must(not kept, f"a garden's data lies beside the code: {kept}")


@contextlib.contextmanager
def served() -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with Path("server.txt").open("w") as log:
        server = subprocess.Popen(
            [str(BIN / "gardenapp"), "serve", "--host", "127.0.0.1", "--port", str(port)],
            stdout=log, stderr=log,
        )  # fmt: skip
    try:
        until = time.monotonic() + WAIT_S
        while True:
            with contextlib.suppress(OSError):
                get(f"http://127.0.0.1:{port}/healthz")
                break
            must(server.poll() is None and time.monotonic() < until, Path("server.txt").read_text())
            time.sleep(0.1)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(30)


def get(address: str) -> tuple[str, str]:
    """(kind, text) of what is there."""
    try:
        with urllib.request.urlopen(address, timeout=30) as answer:  # noqa: S310  (our own server)
            return answer.headers.get_content_type(), answer.read().decode()
    except urllib.error.HTTPError as error:
        raise SystemExit(f"{address} answers {error.code}") from error


def main() -> None:
    (kind,) = sys.argv[1:]
    for name in [n for n in os.environ if n.startswith("GARDEN_") or n == "DATABASE_URL"]:
        del os.environ[name]
    os.environ.pop("PYTHONPATH", None)
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        look_where(kind)
        print(run("--version").strip())
        run(*INIT, typed=PASSWORD + "\n")
        must((Path(folder) / "instance" / "garden.sqlite").exists(), "no garden in ./instance")
        with served() as site:
            what, board = get(f"{site}/tonight")
            must(what == "text/html" and "Lantern Lane" in board, "that is not the board")
            named = re.findall(r'<(?:link|script)[^>]*(?:href|src)="(/static/[^"]+)"', board)
            must(any(".css" in path for path in named), "the board names no style sheet")
            kinds = {get(f"{site}{path}")[0] for path in named}
            must("text/css" in kinds, f"the style sheet is not one: {kinds}")
            must("<h2" in get(f"{site}/help/handbook/changelog")[1], "the handbook is empty")
            print(run("doctor").strip())
        look_where(kind)
        os.chdir("/")
    print(f"{kind}: set up, served, board opened, well.")


if __name__ == "__main__":
    main()
