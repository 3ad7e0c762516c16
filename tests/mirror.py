"""Tests mirror the package: whoever changes a module finds its tests under the same name."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

TESTS = Path(__file__).resolve().parent
PACKAGE = TESTS.parent / "gardenapp"


@dataclass(frozen=True)
class Mirror:
    """A layer of the package and the folder of tests that has its rooms.

    Where `by_room`, a module's tests may ask for it through others of its room: rooms of formulas
    are often asked through one front.
    """

    layer: str
    by_room: bool = False

    @property
    def tests(self) -> Path:
        return TESTS / self.layer

    def modules(self) -> list[str]:
        """The layer's modules, as `night/sun.py`."""
        folder = PACKAGE / self.layer
        return sorted(
            path.relative_to(folder).as_posix()
            for path in folder.rglob("*.py")
            if path.name != "__init__.py"
        )

    def file_of(self, module: str) -> Path:
        """`night/test_sun.py` for `night/sun.py`."""
        place = Path(module)
        return self.tests / place.with_name(f"test_{place.name}")

    def check(self, module: str) -> None:
        """The module has a file with tests in it, and they ask for the module."""
        tree = ast.parse(self.file_of(module).read_text("utf-8"))
        names = [node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
        assert any(name.startswith("test_") for name in names), f"no test of {module}"
        full = ".".join(("gardenapp", self.layer, *Path(module).with_suffix("").parts))
        wanted = full.rpartition(".")[0] if self.by_room else full
        asks = any(f"{name}.".startswith(f"{wanted}.") for name in _imported(tree))
        assert asks or _runs(tree, full), f"nothing of {module} is asked for in its tests"

    def without_module(self) -> set[str]:
        """Files of tests that no module answers to, as `store/test_at_once.py`.

        A second file of a module begins with its name: `test_fit_at_its_edges.py` is of `fit`.
        """
        expected = {self.file_of(module) for module in self.modules()}
        found = {
            path
            for path in self.tests.rglob("test_*.py")
            if not any(
                path == file
                or (path.parent == file.parent and path.stem.startswith(f"{file.stem}_"))
                for file in expected
            )
        }
        return {path.relative_to(self.tests).as_posix() for path in found}


def _imported(tree: ast.Module) -> set[str]:
    """Modules named in imports, and whatever is taken out of them, by their full names."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def _runs(tree: ast.Module, module: str) -> bool:
    """Whether the module is named in code that a test hands to a process of its own."""
    texts = (n.value for n in ast.walk(tree) if isinstance(n, ast.Constant))
    return any(isinstance(text, str) and module in text for text in texts)
