"""Whoever changes a module of science finds its tests under the same name."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
SCIENCE = HERE.parent.parent / "gardenapp" / "science"
MODULES = sorted(path for path in SCIENCE.rglob("*.py") if path.name != "__init__.py")


def file_of(module: Path) -> Path:
    """`night/test_sun.py` for `night/sun.py`."""
    place = module.relative_to(SCIENCE)
    return HERE / place.with_name(f"test_{place.name}")


def name_of(module: Path) -> str:
    return module.relative_to(SCIENCE).as_posix()


@pytest.mark.parametrize("module", MODULES, ids=name_of)
def test_each_module_has_tests_of_its_name(module: Path) -> None:
    text = file_of(module).read_text("utf-8")
    names = [node.name for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)]
    assert any(name.startswith("test_") for name in names)
    full = ".".join(module.relative_to(SCIENCE.parent.parent).with_suffix("").parts)
    room, _, name = full.rpartition(".")
    assert full in text or re.search(rf"from {re.escape(room)}[.\w]* import", text), name


def test_no_test_file_is_left_without_its_module() -> None:
    """A second file of a module begins with its name: `test_fit_at_its_edges.py` is of `fit`."""
    of_science_itself = {"test_every_formula_is_used.py", "test_the_tests_mirror_science.py"}
    expected = {file_of(module) for module in MODULES}

    left = {
        path.name
        for path in HERE.rglob("test_*.py")
        if not any(
            path == file or (path.parent == file.parent and path.stem.startswith(f"{file.stem}_"))
            for file in expected
        )
    }

    assert left == of_science_itself
