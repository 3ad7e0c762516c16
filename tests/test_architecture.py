"""Dependencies point one way, and the tree keeps the shape that was agreed on."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "gardenapp"
LAYERS = ("science", "readers", "reference", "models", "services", "web")

# What each layer may import of our own package; a name covers what is beneath it.
OURS_FOR = {
    "science": ("gardenapp.science", "gardenapp.errors", "gardenapp.messages"),
    # Units are conversions between the figures of files and ours; nothing else of science.
    "readers": (
        "gardenapp.readers",
        "gardenapp.errors",
        "gardenapp.messages",
        "gardenapp.science",
    ),
    "reference": ("gardenapp.reference", "gardenapp.errors"),
    "models": ("gardenapp.models", "gardenapp.extensions", "gardenapp.errors"),
    "services": (
        "gardenapp.services",
        "gardenapp.models",
        "gardenapp.science",
        "gardenapp.readers",
        "gardenapp.reference",
        "gardenapp.errors",
        "gardenapp.messages",
        "gardenapp.config",
        "gardenapp.extensions",
        "gardenapp.words",
    ),
    "web": ("gardenapp",),
}
# What each layer may import from elsewhere, beside the standard library. None: no limit.
OTHERS_FOR: dict[str, frozenset[str] | None] = {
    "science": frozenset({"astral", "highspy", "numpy"}),
    # A logger's file has a hundred thousand rows: arrays. Workbooks need a reader of their own, and
    # Babel has the months' names of the languages that files are written in.
    "readers": frozenset({"babel", "numpy", "python_calamine"}),
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
# What the rooms of a layer may look at, beside their own; modules that stand in no room are common
# ground and look at no room. Read down: each room knows only those above it.
ROOMS: dict[str, dict[str, frozenset[str]]] = {
    "services": {
        "garden": frozenset(),
        "store": frozenset({"garden"}),
        "tables": frozenset({"garden", "store"}),
        "trials": frozenset({"garden"}),
        "night": frozenset({"garden", "store", "trials"}),
        "notices": frozenset({"garden", "night"}),
        "builds": frozenset({"garden", "night", "notices", "store", "trials"}),
        "season": frozenset({"builds", "garden", "night", "store"}),
        "upkeep": frozenset({"garden", "night", "notices", "store"}),
    },
    "science": {
        "allocation": frozenset(),
        "covers": frozenset(),
        "night": frozenset(),
        "store": frozenset(),
        "timber": frozenset(),
        "designs": frozenset({"covers", "night", "timber"}),
        "season": frozenset({"allocation", "covers", "night"}),
        "trials": frozenset({"night"}),
    },
    # A page that needs another room's service asks for the service, never for the other page.
    "web": {
        name: frozenset()
        for name in (
            "builds",
            "garden",
            "night",
            "notices",
            "season",
            "store",
            "tables",
            "trials",
            "upkeep",
        )
    },
}
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


def room_of(module: str) -> tuple[str, str]:
    """Layer and room of `gardenapp.layer.room.module`; no room for common ground."""
    parts = module.split(".")
    layer = parts[1] if len(parts) > 1 else ""
    in_a_room = len(parts) > 2 and parts[2] in ROOMS.get(layer, {})
    return layer, parts[2] if in_a_room else ""


def strays(module: str, source: str) -> list[str]:
    """Imports of `source`, the text of `module`, that its room may not have."""
    layer, room = room_of(module)
    if layer not in ROOMS or module == f"gardenapp.{layer}":  # a layer's own front wires its rooms
        return []
    may = ROOMS[layer].get(room, frozenset()) | {room, ""}
    found = []
    for line, name in imports(ast.parse(source)):
        other_layer, other = room_of(name)
        if other_layer == layer and other not in may:
            found.append(f"line {line}: {name}")
    return found


def module_name(path: Path) -> str:
    """`gardenapp.services.night.tonight` for its file."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def circles(graph: Mapping[str, Collection[str]]) -> list[list[str]]:
    """Groups of modules that import each other, by Tarjan's rule of strongly connected parts."""
    found: list[list[str]] = []
    number: dict[str, int] = {}
    low: dict[str, int] = {}
    path: list[str] = []

    def visit(name: str) -> None:
        number[name] = low[name] = len(number)
        path.append(name)
        for other in sorted(graph[name]):
            if other not in number:
                visit(other)
                low[name] = min(low[name], low[other])
            elif other in path:
                low[name] = min(low[name], number[other])
        if low[name] == number[name]:
            group = path[path.index(name) :]
            del path[path.index(name) :]
            if len(group) > 1:
                found.append(sorted(group))

    for name in sorted(graph):
        if name not in number:
            visit(name)
    return found


def import_graph() -> dict[str, set[str]]:
    """Each module of the package with the modules of the package that it imports."""
    sources = {module_name(path): path.read_text("utf-8") for path in PACKAGE.rglob("*.py")}
    graph: dict[str, set[str]] = {name: set() for name in sources}
    for name, source in sources.items():
        for _, full in imports(ast.parse(source)):
            known = full if full in sources else full.rpartition(".")[0]
            if known in sources and known != name:
                graph[name].add(known)
    return graph


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


@pytest.mark.parametrize("layer", sorted(ROOMS))
def test_each_room_looks_only_at_the_rooms_it_may(layer: str) -> None:
    found = {
        module_name(path): lines
        for path in modules(layer)
        if (lines := strays(module_name(path), path.read_text("utf-8")))
    }

    assert found == {}


@pytest.mark.parametrize("layer", sorted(ROOMS))
def test_the_rooms_of_a_layer_are_those_that_were_agreed_on(layer: str) -> None:
    rooms = {path.parent.name for path in (PACKAGE / layer).glob("*/__init__.py")}

    assert rooms == set(ROOMS[layer])


def test_no_rooms_look_at_each_other_in_a_circle() -> None:
    for layer, rooms in ROOMS.items():
        assert circles(rooms) == [], layer


def test_no_modules_import_each_other_in_a_circle() -> None:
    assert circles(import_graph()) == []


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
    ("module", "source"),
    [
        ("gardenapp.services.store.lots", "from gardenapp.services.night import tonight"),
        ("gardenapp.services.night.tonight", "from gardenapp.services.notices.mail import send"),
        ("gardenapp.services.transaction", "import gardenapp.services.store.lots"),
        ("gardenapp.science.night.sun", "from gardenapp.science.covers import wind"),
        ("gardenapp.web.store.lots", "def f():\n    from gardenapp.web.night import board"),
    ],
)
def test_a_look_into_a_room_that_is_closed_is_noticed(module: str, source: str) -> None:
    assert strays(module, source) != []


def test_a_circle_is_noticed() -> None:
    graph = {"a": {"b"}, "b": {"c"}, "c": {"a", "d"}, "d": set(), "e": {"e"}}

    assert circles(graph) == [["a", "b", "c"]]


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

    # The demo stands beside the app and asks its services, as a command does.
    assert parts == {*LAYERS, "cli", "demo"}


def test_each_folder_of_tests_is_a_package() -> None:
    folders = {path.parent for path in (ROOT / "tests").rglob("test_*.py")}

    missing = [str(folder) for folder in folders if not (folder / "__init__.py").exists()]

    assert missing == []
