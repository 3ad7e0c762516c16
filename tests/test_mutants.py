"""The tool that puts defects in: what it finds, which tests it runs, and what it says."""

from __future__ import annotations

import ast
import json
import shutil
from pathlib import Path

import pytest

from tests import mutants
from tests.mutants import defects_of, main, mirrors_of, module_paths

SOURCE = '''
"""A module."""

LEAST = 3


def enough(count: int, others: list[int]) -> bool:
    """Whether it is enough."""
    if not others:
        raise ValueError(f"{count + 1} is not enough")
    assert count > 0
    return count >= LEAST and max(divmod(count, 2)) in others
'''


def test_each_defect_is_named_by_what_changes_and_not_by_its_line() -> None:
    words = [defect.words for defect in defects_of(ast.parse(SOURCE))]

    whole = "return count >= LEAST and max(divmod(count, 2)) in others"
    assert words == [
        "module: LEAST = 3 -> LEAST = 4",
        "enough: if not others: -> if others:",
        "enough: raise ValueError(f'{count + 1} is not enough') -> pass",
        f"enough: {whole} -> return None",
        "enough: return count >= LEAST and max(divmod(count, 2)) i -> "
        "return count >= LEAST or max(divmod(count, 2)) i",
        "enough: return count >= LEAST and max(divmod(co -> return count > LEAST and max(divmod(co",
        "enough: d max(divmod(count, 2)) in others -> d max(divmod(count, 2)) not in others",
        "enough: urn count >= LEAST and max(divmod(count, 2)) in ot -> "
        "urn count >= LEAST and min(divmod(count, 2)) in ot",
        "enough: >= LEAST and max(divmod(count, 2)) in others -> "
        ">= LEAST and max(divmod(2, count)) in others",
        "enough: T and max(divmod(count, 2)) in others -> T and max(divmod(count, 3)) in others",
    ]


def test_a_module_is_as_it_was_after_its_defects_were_looked_at() -> None:
    tree = ast.parse(SOURCE)
    before = ast.dump(tree)

    found = defects_of(tree)

    assert ast.dump(tree) == before
    for defect in found:
        old = defect.swap(defect.new)
        assert ast.dump(tree) != before, defect.words
        compile(ast.fix_missing_locations(tree), "module", "exec")
        defect.swap(old)
    assert ast.dump(tree) == before


def test_every_module_of_formulas_and_readers_is_mirrored_by_tests() -> None:
    paths = [path for path in module_paths(()) if path.stem != "__init__"]

    assert len(paths) > 60
    assert [path for path in paths if not mirrors_of(path)] == []


@pytest.mark.parametrize("place", ["trials_flags.py", "trials/flags.py"])
@pytest.mark.parametrize(
    "name", ["test_trials.py", "test_trials_flags.py", "trials/test_flags.py", "test_other.py"]
)
def test_a_moved_module_or_test_is_found_by_its_name_or_import(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str, name: str
) -> None:
    monkeypatch.setattr(mutants, "ROOT", tmp_path)
    module, test = tmp_path / "gardenapp/science" / place, tmp_path / "tests/science" / name
    for file in (module, test):
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text("", encoding="utf-8")
    dotted = "gardenapp.science." + place.removesuffix(".py").replace("/", ".")
    path = module.relative_to(tmp_path)

    is_named = name != "test_other.py"
    assert mirrors_of(path) == ([test.relative_to(tmp_path)] if is_named else [])
    other = test.with_name("test_importing.py")
    package, _, own = dotted.rpartition(".")
    other.write_text(f"from {package} import {own}\n", encoding="utf-8")
    assert other.relative_to(tmp_path) in mirrors_of(path)


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A small checkout with one module and its test."""
    root = tmp_path / "checkout"
    for folder in ("gardenapp/science", "tests/science"):
        (root / folder).mkdir(parents=True)
        (root / folder / "__init__.py").write_text("", encoding="utf-8")
    for folder in ("gardenapp", "tests"):
        (root / folder / "__init__.py").write_text("", encoding="utf-8")
    (root / "gardenapp/science/enough.py").write_text(SOURCE, encoding="utf-8")
    (root / "pyproject.toml").write_text("[tool.pytest.ini_options]\n", encoding="utf-8")
    monkeypatch.setattr(mutants, "ROOT", root)
    monkeypatch.setattr(mutants, "EQUIVALENT", root / "equivalent.toml")
    (root / "equivalent.toml").write_text("", encoding="utf-8")
    return root


def write_test(root: Path, body: str) -> None:
    (root / "tests/science/test_enough.py").write_text(
        f"from gardenapp.science.enough import enough\n\n\ndef test_it():\n    {body}\n",
        encoding="utf-8",
    )


def test_what_a_weak_test_lets_through_is_printed_and_makes_the_status_1(
    checkout: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_test(checkout, "assert enough(3, [1]) and not enough(2, [2])")
    before = (checkout / "gardenapp/science/enough.py").read_bytes()

    status = main(["gardenapp.science.enough", "--most", "99", "--seed", "5"])

    said = capsys.readouterr().out
    assert status == 1
    assert "survived  gardenapp.science.enough:7  enough: if not others: -> if others:" not in said
    assert "raise ValueError(f'{count + 1} is not enough') -> pass" in said
    assert "min(divmod(count, 2))" in said
    assert "of 10 caught" in said
    assert (checkout / "gardenapp/science/enough.py").read_bytes() == before
    assert list(checkout.rglob("*.pyc")) == []


def test_what_makes_no_difference_is_listed_with_its_reason_and_not_counted(
    checkout: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_test(checkout, "assert enough(3, [1])")
    *most, last = [defect.words for defect in defects_of(ast.parse(SOURCE))]
    rows = [
        # A module that has moved into a package is still known.
        f"[[equivalent]]\nmodule = 'science.enough'\nchange = {json.dumps(words)}\n"
        'reason = "for this test"\n'
        for words in most
    ]
    (checkout / "equivalent.toml").write_text("\n".join(rows), encoding="utf-8")

    status = main(["science", "--most", "99", "--verbose"])

    said = capsys.readouterr().out
    # Threes go into 3 as often as twos do.
    assert f"survived  gardenapp.science.enough:12  {last}" in said
    assert f"0 of 1 caught; {len(most)} known to make no difference" in said
    assert status == 1


def test_tests_that_fail_without_a_defect_are_no_result(
    checkout: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_test(checkout, "assert not enough(3, [1])")

    assert main(["gardenapp.science.enough"]) == 2
    assert "its tests fail without any defect" in capsys.readouterr().out


def test_a_module_that_is_not_there_is_said(checkout: Path) -> None:
    shutil.rmtree(checkout / "tests")
    with pytest.raises(SystemExit, match=r"There is no module science\.nothing"):
        main(["science.nothing"])
