"""Put small defects into a module, one at a time, and see whether the tests around it notice.

`python -m tests.mutants gardenapp.science.covers.lift` (or `science`, or a file's path) works in
copies of the checkout in a temporary folder; the checkout itself is never touched. For each defect
it runs the tests that mirror the module: those of its layer that bear its name or import it, or
those named with `--tests`. What nobody notices is printed and makes the exit status 1, unless it
stands in `mutants_equivalent.toml` beside this file with the reason why it makes no difference.

Which defects are tried hangs only on `--seed`, `--most` and the module's own text.
"""

from __future__ import annotations

import argparse
import ast
import copy
import functools
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from queue import SimpleQueue
from typing import Any

ROOT = Path(__file__).parents[1]
EQUIVALENT = Path(__file__).with_name("mutants_equivalent.toml")
COPIED = (
    "gardenapp", "tests", "templates", "static", "migrations",
    "pyproject.toml", "seed_demo.py", "README.md", "DEVELOPERS.md",
)  # fmt: skip
LEAST_CAUGHT = 0.9
# A mutant may run for ever; this many times the clean run, and some seconds for starting.
PATIENCE, PATIENCE_S = 4.0, 15.0

_COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv, ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr,
}  # fmt: skip
_NAMES = {"min": "max", "max": "min", "any": "all", "all": "any", "floor": "ceil", "ceil": "floor"}

# What these give does not hang on the order of what they are given.
_EITHER_WAY = frozenset({"min", "max", "minimum", "maximum", "gcd", "hypot", "isclose", "plus"})


# --- defects ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Defect:
    """One change of a module: what stands in a field of a node is replaced.

    `words` name it without a line number: the function, what was there and what is there now.
    """

    holder: ast.AST
    field: str
    index: int | None
    new: Any
    line: int
    words: str

    def swap(self, new: Any) -> Any:
        """Put something into the place and give what stood there."""
        if self.index is None:
            old = getattr(self.holder, self.field)
            setattr(self.holder, self.field, new)
        else:
            old = getattr(self.holder, self.field)[self.index]
            getattr(self.holder, self.field)[self.index] = new
        return old


def defects_of(tree: ast.Module) -> list[Defect]:
    """All defects that could be put into a module, in the order of its text."""
    seen: Counter[str] = Counter()
    found = []
    for holder, name, index, new, statement, where in _places(tree, (), tree):
        defect = Defect(holder, name, index, new, getattr(statement, "lineno", 0), "")
        before = _line(statement)
        old = defect.swap(new)
        after = _line(_dropped(statement, holder, name, index, new))
        defect.swap(old)
        words = f"{'.'.join(where) or 'module'}: {_difference(before, after)}"
        seen[words] += 1
        if seen[words] > 1:
            words += f" ({seen[words]})"
        found.append(Defect(holder, name, index, new, defect.line, words))
    return found


def _dropped(
    statement: ast.AST, holder: ast.AST, name: str, index: int | None, new: Any
) -> ast.AST:
    """The statement after a change: another one where the statement itself was replaced."""
    inside = any(child is holder for child in ast.walk(statement))
    return statement if inside or not isinstance(new, ast.stmt) else new


def _line(statement: ast.AST) -> str:
    """A statement in one line; of a compound one only its head."""
    shown = copy.copy(statement)
    for part in ("body", "orelse", "finalbody", "handlers"):
        if isinstance(getattr(shown, part, None), list):
            setattr(shown, part, [])
    return " ".join(ast.unparse(ast.fix_missing_locations(shown)).split())


def _difference(before: str, after: str, around: int = 24) -> str:
    start = 0
    while start < min(len(before), len(after)) and before[start] == after[start]:
        start += 1
    end = 0
    while end < min(len(before), len(after)) - start and before[-1 - end] == after[-1 - end]:
        end += 1
    low = max(0, start - around)
    texts = [text[low : len(text) - max(0, end - around)] for text in (before, after)]
    return " -> ".join(texts)


_Place = tuple[ast.AST, str, "int | None", Any, ast.AST, tuple[str, ...]]


def _places(node: ast.AST, where: tuple[str, ...], statement: ast.AST) -> Iterator[_Place]:
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list", "type_params"}:
            continue
        children = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
        for index, child in children:
            if not isinstance(child, ast.AST) or _is_left_alone(child):
                continue
            inner = child if isinstance(child, ast.stmt) else statement
            for holder, field_name, at, new in _replacements(node, name, index, child):
                yield holder, field_name, at, new, inner, where
            deeper = where
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                deeper = (*where, child.name)
            yield from _places(child, deeper, inner)


def _is_left_alone(node: ast.AST) -> bool:
    """Words for people, checks for the type checker, and what is no code that runs."""
    if isinstance(node, ast.JoinedStr | ast.Assert | ast.Import | ast.ImportFrom):
        return True
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    if isinstance(node, ast.keyword) and node.arg == "strict":  # zip's own assertion
        return True
    if isinstance(node, ast.Raise) and node.exc is not None:
        return ast.unparse(node.exc).startswith("AssertionError")
    if isinstance(node, ast.Assign):
        return any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets)
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


def _replacements(
    holder: ast.AST, name: str, index: int | None, node: ast.AST
) -> Iterator[tuple[ast.AST, str, int | None, Any]]:
    """What may stand in a node's place, or inside it."""
    if isinstance(node, ast.Compare):
        for at, operator in enumerate(node.ops):
            yield node, "ops", at, _COMPARISONS[type(operator)]()
    elif isinstance(node, ast.BoolOp):
        yield node, "op", None, ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.BinOp) and not (_is_text(node.left) or _is_text(node.right)):
        if type(node.op) in _ARITHMETIC:
            yield node, "op", None, _ARITHMETIC[type(node.op)]()
    elif isinstance(node, ast.AugAssign) and type(node.op) in _ARITHMETIC:
        yield node, "op", None, _ARITHMETIC[type(node.op)]()
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        yield holder, name, index, node.operand
    elif isinstance(node, ast.Constant):
        changed = _other(node.value)
        if changed is not None:
            yield node, "value", None, changed
    elif isinstance(node, ast.Call):
        called = node.func
        if isinstance(called, ast.Name) and called.id in _NAMES:
            yield called, "id", None, _NAMES[called.id]
        elif isinstance(called, ast.Attribute) and called.attr in _NAMES:
            yield called, "attr", None, _NAMES[called.attr]
        name_called = getattr(called, "attr", getattr(called, "id", ""))
        may_swap = len(node.args) > 1 and name_called not in _EITHER_WAY
        if may_swap and ast.dump(node.args[0]) != ast.dump(node.args[1]):
            yield node, "args", None, [node.args[1], node.args[0], *node.args[2:]]
    elif isinstance(node, ast.Return) and not (
        node.value is None or (isinstance(node.value, ast.Constant) and node.value.value is None)
    ):
        yield node, "value", None, ast.Constant(None)
    elif isinstance(node, ast.Raise | ast.Continue | ast.Break) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
    ):
        yield holder, name, index, ast.Pass()
    if isinstance(node, ast.If | ast.IfExp | ast.While) and _is_plain(node.test):
        yield node, "test", None, ast.UnaryOp(ast.Not(), node.test)
    if isinstance(node, ast.comprehension):
        for at, test in enumerate(node.ifs):
            if _is_plain(test):
                yield node, "ifs", at, ast.UnaryOp(ast.Not(), test)


def _is_plain(test: ast.expr) -> bool:
    """Whether no other defect turns this condition round."""
    return not isinstance(test, ast.Compare) and not (
        isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not)
    )


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _other(value: object) -> object:
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return value * 1.25 if value else 1.0
    return None


# --- which tests ------------------------------------------------------------------------------


def module_paths(asked: Sequence[str]) -> list[Path]:
    """The modules of a dotted name, a layer or a path, relative to the checkout."""
    found: list[Path] = []
    for text in asked or ("science", "readers"):
        name = text.removesuffix(".py").replace("/", ".").removeprefix("gardenapp.")
        path = ROOT / "gardenapp" / name.replace(".", "/")
        if path.is_dir():
            found += sorted(path.rglob("*.py"))
        elif path.with_suffix(".py").is_file():
            found.append(path.with_suffix(".py"))
        else:
            raise SystemExit(f"There is no module {text}.")
    return [path.relative_to(ROOT) for path in found]


def name_of(path: Path) -> str:
    """`gardenapp.science.covers.lift` of its path."""
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@functools.cache
def imports_of(path: Path) -> frozenset[str]:
    """The names of our own modules that a file imports; a test's also by way of its helpers."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    for name in [name for name in found if name.startswith("tests.")]:
        helper = ROOT / f"{name.replace('.', '/')}.py"
        if helper.is_file() and not helper.stem.startswith("test_") and helper != path:
            found |= imports_of(helper)
    return frozenset(name for name in found if name.startswith("gardenapp"))


def mirrors_of(path: Path) -> list[Path]:
    """The tests that mirror a module, of its layer: the ones with its name, then the ones that
    import it, then the ones that import what uses it.

    `science/trials/flags.py` and `science/trials_flags.py` are both mirrored by `test_trials.py`,
    `test_trials_flags.py` and `trials/test_flags.py`.
    """
    layer, *rest = path.with_suffix("").parts[1:]
    folder = ROOT / "tests" / layer
    own = "_".join(part for part in rest if part != "__init__")
    wanted = name_of(path)
    named: list[Path] = []
    others: list[Path] = []
    for file in sorted(folder.rglob("test_*.py")):
        inner = file.relative_to(folder).with_suffix("").parts
        name = "_".join((*inner[:-1], inner[-1].removeprefix("test_")))
        is_named = f"{own}_".startswith(f"{name}_") or f"{name}_".startswith(f"{own}_")
        (named if is_named else others).append(file)
    found = named + [file for file in others if wanted in imports_of(file)]
    # One step away, or as many as it takes where nothing nearer is known.
    users = {wanted}
    while True:
        more = _users_of(users, ROOT / "gardenapp" / layer) - users
        users |= more
        found += [file for file in others if file not in found and users & imports_of(file)]
        if found or not more:
            return [file.relative_to(ROOT) for file in found]


def _users_of(modules: set[str], folder: Path) -> set[str]:
    """The modules in a folder that import one of `modules`."""
    return {
        name_of(path.relative_to(ROOT))
        for path in folder.rglob("*.py")
        if imports_of(path) & modules
    }


# --- trying -----------------------------------------------------------------------------------


@dataclass
class Tally:
    """What became of a module's defects."""

    module: str
    tried: int = 0
    caught: int = 0
    too_slow: int = 0
    equivalent: int = 0
    survived: list[Defect] = field(default_factory=list)

    @property
    def share(self) -> float:
        counted = self.tried - self.equivalent
        return self.caught / counted if counted else 1.0


class Copies:
    """Copies of the checkout, one for each job, of which none is used twice at once."""

    def __init__(self, folder: Path, jobs: int) -> None:
        self.free: SimpleQueue[Path] = SimpleQueue()
        self.clean: dict[tuple[str, ...], Clean] = {}
        for number in range(jobs):
            to = folder / f"copy{number}"
            to.mkdir()
            for name in COPIED:
                source = ROOT / name
                if source.is_dir():
                    ignored = shutil.ignore_patterns("__pycache__", ".hypothesis")
                    shutil.copytree(source, to / name, ignore=ignored)
                elif source.exists():
                    shutil.copy2(source, to / name)
            self.free.put(to)

    def run(self, path: Path, text: str, tests: Clean, limit_s: float) -> str:
        """Run tests with a module's text replaced: "passed", "failed" or "too slow"."""
        copy_of = self.free.get()
        module = copy_of / path
        original = module.read_text(encoding="utf-8")
        try:
            module.write_text(text, encoding="utf-8")
            # Python goes by the second and the size: an old one could pass for this text's.
            for compiled in (module.parent / "__pycache__").glob(f"{module.stem}.*.pyc"):
                compiled.unlink()
            return _pytest(copy_of, tests.files, limit_s, is_light=tests.is_light)[0]
        finally:
            module.write_text(original, encoding="utf-8")
            self.free.put(copy_of)

    def run_clean(self, files: tuple[str, ...]) -> Clean:
        """Run tests without any defect, once however many modules they mirror."""
        if files not in self.clean:
            copy_of = self.free.get()
            try:
                for is_light in (True, False):
                    began = time.monotonic()
                    outcome, said = _pytest(copy_of, files, None, is_light=is_light, compiles=True)
                    took_s = time.monotonic() - began
                    self.clean[files] = Clean(files, is_light, outcome == "passed", took_s, said)
                    if outcome == "passed":
                        break
            finally:
                self.free.put(copy_of)
        return self.clean[files]


@dataclass(frozen=True)
class Clean:
    """Tests, and how they went without any defect.

    `is_light`: without the app's fixtures and without plugins, which most tests of formulas do
    not need; each run then takes half the time.
    """

    files: tuple[str, ...]
    is_light: bool
    is_passed: bool
    took_s: float
    said: str


def _pytest(
    folder: Path,
    files: Sequence[str],
    limit_s: float | None,
    *,
    is_light: bool,
    compiles: bool = False,
) -> tuple[str, str]:
    """Run tests in a copy: what became of them, and what was said."""
    # CI makes hypothesis try the same examples each time, so that a seed means the same twice.
    environment = {**os.environ, "CI": "1", "PYTHONDONTWRITEBYTECODE": "" if compiles else "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "--tb=line",
               "-p", "no:cacheprovider", *files]  # fmt: skip
    if is_light:
        environment["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
        command.append("--noconftest")
    process = subprocess.Popen(
        command, cwd=folder, env=environment, text=True, start_new_session=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    try:
        said, _ = process.communicate(timeout=limit_s)
    except BaseException as error:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        if isinstance(error, subprocess.TimeoutExpired):
            return "too slow", ""
        raise
    # 1: a test failed. 2 to 4: not even collected, because the module cannot be imported.
    return ("passed" if process.returncode == 0 else "failed"), said


@dataclass(frozen=True)
class Module:
    """A module as it was when the checkout was copied, and the tests that mirror it."""

    path: Path
    text: str
    tests: list[Path]


def equivalents() -> dict[tuple[str, str], str]:
    """Known defects that make no difference: (module, words) to the reason."""
    with EQUIVALENT.open("rb") as file:
        rows = tomllib.load(file).get("equivalent", [])
    return {(_flat(row["module"]), row["change"]): row["reason"] for row in rows}


def _flat(module: str) -> str:
    """A module's name that stays when `trials_flags` becomes `trials.flags`."""
    return module.removeprefix("gardenapp.").replace(".", "_")


def try_module(
    module: Module, copies: Copies, pool: ThreadPoolExecutor, asked: argparse.Namespace
) -> Tally | None:
    """Try a sample of a module's defects; None where its tests fail without any."""
    path, tests = module.path, module.tests
    tally = Tally(name_of(path))
    tree = ast.parse(module.text)
    found = defects_of(tree)
    chosen = sorted(
        random.Random(f"{asked.seed} {_flat(tally.module)}").sample(
            range(len(found)), min(asked.most, len(found))
        )
    )
    if not chosen:
        return tally
    if not tests:
        print(f"{tally.module}: no test bears its name, imports it or what uses it", flush=True)
        tally.tried, tally.survived = len(chosen), [found[at] for at in chosen]
        return tally
    clean = copies.run_clean(tuple(map(str, tests)))
    if not clean.is_passed:
        print(
            f"{tally.module}: its tests fail without any defect\n{clean.said[-3000:]}", flush=True
        )
        return None
    limit_s = asked.limit or PATIENCE_S + PATIENCE * clean.took_s
    known = equivalents()
    # A tree is changed and changed back, so texts are made one after another.
    jobs = []
    for at in chosen:
        defect = found[at]
        if (_flat(tally.module), defect.words) in known:
            tally.tried += 1
            tally.equivalent += 1
            continue
        old = defect.swap(defect.new)
        text = ast.unparse(ast.fix_missing_locations(tree))
        defect.swap(old)
        jobs.append((defect, pool.submit(copies.run, path, text, clean, limit_s)))
    for defect, job in jobs:
        outcome = job.result()
        tally.tried += 1
        if outcome == "passed":
            tally.survived.append(defect)
            print(f"  survived  {tally.module}:{defect.line}  {defect.words}", flush=True)
        else:
            tally.caught += 1
            tally.too_slow += outcome == "too slow"
            if asked.verbose:
                print(f"  {outcome}  {tally.module}:{defect.line}  {defect.words}", flush=True)
    print(
        f"{tally.module}: {tally.caught} of {tally.tried - tally.equivalent} caught"
        + (f", {tally.too_slow} of them by the time limit" if tally.too_slow else "")
        + (f"; {tally.equivalent} known to make no difference" if tally.equivalent else "")
        + f" ({len(found)} possible; {', '.join(test.stem for test in tests)})",
        flush=True,
    )
    return tally


def main(arguments: Sequence[str] | None = None) -> int:
    """Try the modules asked for; 0 where enough was caught in each layer, 1 where not."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("modules", nargs="*", help="gardenapp.science.units, science, a path, …")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--most", type=int, default=10, help="defects tried in a module")
    parser.add_argument("--jobs", type=int, default=2, help="tried at a time")
    parser.add_argument("--limit", type=float, help="seconds for one defect")
    parser.add_argument("--tests", nargs="+", default=[], help="test files, instead of its own")
    parser.add_argument("--least", type=float, default=LEAST_CAUGHT, help="share to be caught")
    parser.add_argument("--verbose", action="store_true", help="name those caught too")
    asked = parser.parse_args(arguments)
    paths = module_paths(asked.modules)
    tallies: list[Tally] = []
    broken = 0
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copies = Copies(Path(folder), asked.jobs)
        # All at once: somebody may go on working in the checkout meanwhile.
        todo = [
            Module(
                path,
                (ROOT / path).read_text(encoding="utf-8"),
                [Path(test) for test in asked.tests] or mirrors_of(path),
            )
            for path in paths
        ]
        # Two pools: the next module's clean run need not wait for the last defect of this one.
        with ThreadPoolExecutor(asked.jobs) as pool, ThreadPoolExecutor(asked.jobs) as modules:
            for tally in modules.map(lambda each: try_module(each, copies, pool, asked), todo):
                if tally is None:
                    broken += 1
                else:
                    tallies.append(tally)
    is_enough = True
    for layer in sorted({tally.module.split(".")[1] for tally in tallies}):
        mine = [tally for tally in tallies if tally.module.split(".")[1] == layer]
        caught = sum(tally.caught for tally in mine)
        counted = sum(tally.tried - tally.equivalent for tally in mine)
        share = caught / counted if counted else 1.0
        is_enough = is_enough and share >= asked.least
        print(
            f"{layer}: {caught} of {counted} caught, {share:.1%}; {len(mine)} modules, "
            f"seed {asked.seed}, at most {asked.most} each, "
            f"{sum(tally.equivalent for tally in mine)} known to make no difference"
        )
    if broken:
        return 2
    return 0 if is_enough else 1


if __name__ == "__main__":
    sys.exit(main())
