"""Dependencies point one way, and the tree keeps the shape that was agreed on."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "gardenapp"
LAYERS = ("science", "readers", "reference", "models", "services", "web")

# What each layer may import of our own package; a name covers what is beneath it.
OURS_FOR = {
    "science": ("gardenapp.science", "gardenapp.errors"),
    # Units are conversions between the figures of files and ours; nothing else of science.
    "readers": ("gardenapp.readers", "gardenapp.errors", "gardenapp.science"),
    "reference": ("gardenapp.reference", "gardenapp.errors"),
    "models": ("gardenapp.models", "gardenapp.extensions", "gardenapp.errors"),
    "services": (
        "gardenapp.services",
        "gardenapp.models",
        "gardenapp.science",
        "gardenapp.readers",
        "gardenapp.reference",
        "gardenapp.errors",
        "gardenapp.config",
        "gardenapp.extensions",
        "gardenapp.words",
    ),
    "web": ("gardenapp",),
}
# What each layer may import from elsewhere, beside the standard library. None: no limit.
OTHERS_FOR: dict[str, frozenset[str] | None] = {
    "science": frozenset({"astral", "highspy", "numpy"}),
    # A logger's file has a hundred thousand rows: arrays, and no other outside library.
    "readers": frozenset({"numpy"}),
    "reference": frozenset(),
    "models": frozenset({"sqlalchemy"}),
    "services": None,
    "web": None,
}
# Services know neither the request nor the pages.
NOT_FOR_SERVICES = frozenset({"flask", "flask_login", "flask_wtf", "wtforms", "jinja2"})
# Standard modules that reach files, the environment or the network.
OUTSIDE_WORLD = frozenset({"os", "pathlib", "shutil", "socket", "sqlite3", "subprocess", "urllib"})
# Pages may look rows up by id; what changes rows, or asks for many, belongs to services.
SESSION_CHANGES = frozenset(
    {"add", "add_all", "commit", "delete", "flush", "merge", "bulk_save_objects", "begin"}
)
TOP_LEVEL = {
    "folders": {".ci", "gardenapp", "migrations", "static", "templates", "tests"},
    "files": {
        ".gitattributes",
        ".gitignore",
        "DEVELOPERS.md",
        "LICENSE",
        "README.md",
        "pyproject.toml",
        "seed_demo.py",
    },
}


def modules(layer: str) -> list[Path]:
    """The source files of a layer."""
    return sorted((PACKAGE / layer).rglob("*.py"))


def imports(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Line and full name of all that is imported, inside functions too."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: write the whole name, not a relative one"
            for alias in node.names:
                yield node.lineno, f"{node.module}.{alias.name}"


def dotted(node: ast.AST) -> str:
    """`a.b.c` for a chain of attributes, empty for anything else."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        before = dotted(node.value)
        return f"{before}.{node.attr}" if before else ""
    return ""


def _covers(name: str, allowed: tuple[str, ...]) -> bool:
    return any(name == one or name.startswith(one + ".") for one in allowed)


def broken_imports(layer: str, source: str) -> list[str]:
    """Imports of `source` that a module of `layer` may not have."""
    found = []
    others = OTHERS_FOR[layer]
    for line, name in imports(ast.parse(source)):
        top = name.partition(".")[0]
        if top == "gardenapp":
            bad = not _covers(name, OURS_FOR[layer])
        elif top in sys.stdlib_module_names:
            bad = layer in {"science", "readers"} and top in OUTSIDE_WORLD
        else:
            bad = others is not None and top not in others
            bad = bad or (layer == "services" and top in NOT_FOR_SERVICES)
        if bad:
            found.append(f"line {line}: {name}")
    return found


def clock_calls(source: str) -> list[str]:
    """Calls that ask what time it is. A stopwatch (monotonic, perf_counter) does not."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = dotted(node.func)
        last = name.rpartition(".")[2]
        is_clock = last in {"now", "utcnow", "today"} and name.partition(".")[0] in {
            "datetime",
            "date",
        }
        if is_clock or name in {"time.time", "time.localtime", "time.gmtime"}:
            found.append(f"line {node.lineno}: {name}()")
    return found


def session_changes(source: str) -> list[str]:
    """Places that change rows, or open a transaction to."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr in SESSION_CHANGES:
            if dotted(node.value).endswith("db.session"):
                found.append(f"line {node.lineno}: {dotted(node)}")
        elif isinstance(node, ast.ImportFrom) and node.module == "gardenapp.services.transaction":
            found.append(f"line {node.lineno}: write_transaction")
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sqlalchemy"):
            names = {alias.name for alias in node.names} & {"insert", "update", "delete"}
            found += [f"line {node.lineno}: sqlalchemy.{name}" for name in sorted(names)]
    return found


def _all_modules() -> list[tuple[str, Path]]:
    return [(layer, path) for layer in LAYERS for path in modules(layer)]


def _ids(cases: list[tuple[str, Path]]) -> list[str]:
    return [str(path.relative_to(PACKAGE)) for _, path in cases]


@pytest.mark.parametrize(("layer", "path"), _all_modules(), ids=_ids(_all_modules()))
def test_a_module_imports_only_what_its_layer_may(layer: str, path: Path) -> None:
    assert broken_imports(layer, path.read_text("utf-8")) == []


@pytest.mark.parametrize("layer", ["science", "readers", "reference", "models", "services"])
def test_no_layer_below_the_pages_asks_what_time_it_is(layer: str) -> None:
    found = {
        str(path.relative_to(PACKAGE)): calls
        for path in modules(layer)
        if (calls := clock_calls(path.read_text("utf-8")))
    }

    assert found == {}


def test_only_one_module_of_the_pages_asks_what_time_it_is() -> None:
    found = [path.name for path in modules("web") if clock_calls(path.read_text("utf-8"))]

    assert found == ["clock.py"]


@pytest.mark.parametrize("path", modules("web"), ids=lambda path: path.name)
def test_pages_change_no_rows_themselves(path: Path) -> None:
    assert session_changes(path.read_text("utf-8")) == []


def test_science_and_readers_open_no_files() -> None:
    found = [
        f"{path.name}, line {node.lineno}"
        for layer in ("science", "readers")
        for path in modules(layer)
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and dotted(node.func) in {"open", "io.open", "input", "print"}
    ]

    assert found == []


@pytest.mark.parametrize(
    ("layer", "source"),
    [
        ("science", "from gardenapp.models.plots import Plot"),
        ("science", "from flask import request"),
        ("science", "import os"),
        ("science", "def f():\n    import requests"),
        ("science", "from gardenapp import extensions"),
        ("readers", "from gardenapp.services import log"),
        ("readers", "import pandas"),
        ("models", "from gardenapp.services import log"),
        ("models", "from flask import g"),
        ("services", "from gardenapp.web import clock"),
        ("services", "from flask import current_app"),
        ("services", "from flask_login import current_user"),
    ],
)
def test_a_forbidden_import_is_noticed(layer: str, source: str) -> None:
    assert broken_imports(layer, source) != []


@pytest.mark.parametrize(
    "source",
    [
        "datetime.now(UTC)",
        "datetime.datetime.utcnow()",
        "date.today()",
        "time.time()",
    ],
)
def test_a_look_at_the_clock_is_noticed(source: str) -> None:
    assert clock_calls(source) != []


@pytest.mark.parametrize(
    "source",
    [
        "db.session.commit()",
        "extensions.db.session.add(row)",
        "from sqlalchemy import update",
        "from gardenapp.services.transaction import write_transaction",
    ],
)
def test_a_change_of_rows_is_noticed(source: str) -> None:
    assert session_changes(source) != []


def test_the_top_of_the_tree_holds_what_was_agreed_and_nothing_else() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False, text=True
    )
    if listed.returncode:
        pytest.skip("not a git checkout, so nothing says which files belong to the project")
    names = [name for name in listed.stdout.split("\0") if name]

    folders = {name.partition("/")[0] for name in names if "/" in name}
    files = {name for name in names if "/" not in name}

    assert folders <= TOP_LEVEL["folders"]
    assert files <= TOP_LEVEL["files"]
    assert {"gardenapp", "migrations", "static", "templates", "tests"} <= folders
    assert {"DEVELOPERS.md", "LICENSE", "README.md", "pyproject.toml", "seed_demo.py"} <= files


def test_the_package_has_the_agreed_parts() -> None:
    parts = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}

    assert parts == set(LAYERS)


def test_each_folder_of_tests_is_a_package() -> None:
    folders = {path.parent for path in (ROOT / "tests").rglob("test_*.py")}

    missing = [str(folder) for folder in folders if not (folder / "__init__.py").exists()]

    assert missing == []
