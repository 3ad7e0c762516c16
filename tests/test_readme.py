"""What README.md and the handbook tell people to type exists, and the checks type the same."""

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
HANDBOOK = ROOT / "gardenapp" / "handbook"
README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
# What operators read, each with its name for the tests' own lists.
MANUALS = {
    path.relative_to(ROOT).as_posix(): path.read_text("utf-8")
    for path in (ROOT / "README.md", *sorted(HANDBOOK.glob("*.md")))
}
FENCE = re.compile(r"^```\w*\n(.*?)^```", re.DOTALL | re.MULTILINE)
SPAN = re.compile(r"`([^`\n]+)`")
COMMAND = re.compile(r"(?:\S*[/\\])?gardenapp(?:\.exe)? (.*)")


def typed(text: str) -> list[str]:
    """Lines of a manual's blocks that run `gardenapp`: the words after it."""
    lines = [line for block in FENCE.findall(text) for line in block.splitlines()]
    return [found[1] for line in lines if (found := COMMAND.fullmatch(line.strip()))]


def told(text: str) -> list[str]:
    """The same of what is told in running text, where arguments may be left out."""
    spans = SPAN.findall(FENCE.sub("", text))
    return [found[1] for span in spans if (found := COMMAND.fullmatch(span))]


TYPED = [(name, words) for name, text in MANUALS.items() for words in typed(text)]
TOLD = [(name, words) for name, text in MANUALS.items() for words in told(text)]


def left_of(command: str) -> tuple[click.Command | None, list[str]]:
    """The command that is meant, or None, and the words after its name."""
    found: click.Command = main
    words = shlex.split(command)
    while words and isinstance(found, click.Group):
        if words[0].startswith("-"):
            break
        inside = found.get_command(click.Context(found), words.pop(0))
        if inside is None:
            return None, words
        found = inside
    return found, words


def refused(command: str, *, is_whole: bool) -> str:
    """What is wrong with a command line; nothing where it can be run, or told, so."""
    found, words = left_of(command)
    if found is None:
        return f"no command: {command}"
    known = {name for each in found.params for name in (*each.opts, *each.secondary_opts)}
    if isinstance(found, click.Group):
        unknown = [word for word in words if word not in known | {"--help"}]
        return f"no command: {command}" if unknown or (is_whole and not words) else ""
    context = click.Context(found)
    try:
        values, more, _ = found.make_parser(context).parse_args(list(words))
    except click.UsageError as error:
        return error.format_message()
    needed = [p.name for p in found.params if isinstance(p, click.Argument) and p.required]
    given = sum(isinstance(values.get(name or ""), str) for name in needed)
    if more:
        return f"too much: {more}"
    return f"wants {needed}" if is_whole and given < len(needed) else ""


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


@pytest.mark.parametrize(("manual", "command"), sorted(set(TYPED)))
def test_each_command_that_is_to_be_typed_can_be_run_so(manual: str, command: str) -> None:
    assert refused(command, is_whole=True) == ""


@pytest.mark.parametrize(("manual", "command"), sorted(set(TOLD)))
def test_each_command_that_is_told_of_exists(manual: str, command: str) -> None:
    assert refused(command, is_whole=False) == ""


def test_the_manuals_are_read_for_commands_in_blocks_and_in_text() -> None:
    assert len(TYPED) >= 40
    assert {"restore FILE", "copy-to URL", "backup --daily"} <= {words for _, words in TYPED}
    assert ("gardenapp/handbook/https.md", "certificate --force") in TOLD


@pytest.mark.parametrize(
    ("command", "is_whole"),
    [
        ("sow FILE", True),
        ("restore", True),
        ("restore FILE MORE", True),
        ("backup --weekly", True),
        ("db", True),
        ("forecast fetch --daily", False),
        ("restore FILE MORE", False),
    ],
)
def test_a_command_that_is_not_there_is_noticed(command: str, is_whole: bool) -> None:
    assert refused(command, is_whole=is_whole)


@pytest.mark.parametrize("manual", MANUALS)
def test_a_setting_that_is_named_is_known(manual: str) -> None:
    assert set(re.findall(r"GARDEN_[A-Z_]+", MANUALS[manual])) <= KNOWN_SETTINGS


@pytest.mark.parametrize("language", ["", ".es"])
def test_every_setting_is_explained_and_no_other(language: str) -> None:
    manual = (HANDBOOK / f"setting_up{language}.md").read_text("utf-8")

    named = set(re.findall(r"^\| `(\w+)` \|", manual, re.MULTILINE))

    assert named == {*KNOWN_SETTINGS, "DATABASE_URL"}


@pytest.mark.parametrize("manual", MANUALS)
def test_files_and_extras_that_are_named_exist(manual: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]

    assert set(re.findall(r"'\.\[(\w+)\]'", MANUALS[manual])) <= set(
        project["optional-dependencies"]
    )
    assert (ROOT / "seed_demo.py").exists()
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111
