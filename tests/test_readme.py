"""What README.md tells people to type exists, and the checks type the same."""

from __future__ import annotations

import re
import shlex
import subprocess
import tomllib
from pathlib import Path

import click
import pytest

from gardenapp.cli import main
from gardenapp.config import KNOWN_SETTINGS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
COMMANDS = [line for block in BLOCKS for line in block.splitlines() if line.strip()]


def test_the_demo_is_one_command() -> None:
    assert BLOCKS[0].count("\n") == 1
    assert BLOCKS[0].startswith("python3 -m venv .venv && ")
    assert BLOCKS[0].strip().endswith("seed_demo.py --serve")


def test_the_checks_run_the_readme_s_own_test_command() -> None:
    printed = subprocess.run(
        [str(ROOT / ".ci" / "run"), "--print-test-command"],
        capture_output=True,
        text=True,
        check=True,
    )

    assert printed.stdout == BLOCKS[1]
    assert BLOCKS[1].strip().endswith(".venv/bin/python -m pytest -n auto --dist worksteal")


@pytest.mark.parametrize("command", [c for c in COMMANDS if c.startswith(".venv/bin/gardenapp ")])
def test_each_command_exists(command: str) -> None:
    found: click.Command = main
    words = shlex.split(command)[1:]

    while words and isinstance(found, click.Group):
        inside = found.get_command(click.Context(found), words.pop(0))
        assert inside is not None, command
        found = inside

    assert not isinstance(found, click.Group)
    arguments = [p for p in found.params if isinstance(p, click.Argument)]
    assert len(words) == len(arguments), command


def test_every_setting_is_explained_and_no_other() -> None:
    named = set(re.findall(r"^\| `(GARDEN_\w+)` \|", README, re.MULTILINE))

    assert named == KNOWN_SETTINGS


def test_files_and_extras_that_are_named_exist() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]

    assert set(re.findall(r"'\.\[(\w+)\]'", README)) <= set(project["optional-dependencies"])
    assert (ROOT / "seed_demo.py").exists()
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111
    assert (ROOT / "tests" / "bench" / "bench_board.py").exists()
