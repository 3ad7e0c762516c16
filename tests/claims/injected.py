"""Three defects, put into a copy one at a time: a test by name must fail for each. Run by hand.

    python -m tests.claims.injected

A test that cannot fail proves nothing. The copy is thrown away; the checkout is not touched.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
LEFT_BEHIND = shutil.ignore_patterns(".git", ".venv", "instance", "__pycache__", ".hypothesis",
                                     ".mypy_cache", ".pytest_cache", ".ruff_cache")  # fmt: skip


@dataclass(frozen=True)
class Defect:
    """What is put in, where, and the test that must notice."""

    what: str
    file: str
    before: str
    after: str
    test: str


DEFECTS = (
    Defect(
        "a missing permission check: any member may open the list of members",
        "gardenapp/web/garden/people.py",
        '@blueprint.get("/members")\n@coordinators\n',
        '@blueprint.get("/members")\n@members\n',
        "tests/web/test_access_matrix.py::test_reading[member]",
    ),
    Defect(
        "a lost update: a write no longer begins before it reads",
        "gardenapp/services/transaction.py",
        "session.connection(execution_options={WRITE_OPTION: True})",
        "session.connection()",
        "tests/claims/test_claim_04_readers_never_wait.py"
        "::test_writers_wait_for_one_another_instead_of_failing",
    ),
    Defect(
        "an unescaped field: a member's name is written as it is",
        "templates/people/members.html",
        "{{ line.name }}",
        "{{ line.name|safe }}",
        "tests/web/garden/test_people.py::test_any_printable_name_is_shown_as_it_is",
    ),
)


def is_passing(folder: Path, test: str) -> tuple[bool, str]:
    """Whether `test` passes in the copy, and the last line of what was said."""
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", test],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    lines = done.stdout.strip().splitlines() or [done.stderr.strip()[-200:]]
    if done.returncode not in {0, 1}:
        raise RuntimeError(f"{test} did not run: {lines[-1]}")
    return done.returncode == 0, lines[-1]


def main() -> int:
    missed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "copy"
        shutil.copytree(ROOT, folder, ignore=LEFT_BEHIND)
        for defect in DEFECTS:
            file = folder / defect.file
            whole = file.read_text("utf-8")
            if whole.count(defect.before) != 1:
                print(f"{defect.file}: the place for the defect was not found")
                missed += 1
                continue
            sound, said = is_passing(folder, defect.test)
            file.write_text(whole.replace(defect.before, defect.after), "utf-8")
            broken, said_then = is_passing(folder, defect.test)
            file.write_text(whole, "utf-8")
            caught = sound and not broken
            missed += not caught
            print(f"{'caught' if caught else 'MISSED'}: {defect.what}")
            print(f"    {defect.test}")
            print(f"    before: {said}")
            print(f"    with the defect: {said_then}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
