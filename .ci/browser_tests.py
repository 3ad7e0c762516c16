"""Fail where a browser test was skipped, or where there was none: `browser_tests.py junit.xml`.

The marker itself is asked for the names, so that a new file of browser tests counts at once.
"""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def browser_names() -> set[str]:
    """Class and name, as the report writes them, of every test with the browser marker."""
    listed = subprocess.run(
        [sys.executable, "-m", "pytest", "--collect-only", "-q", "-m", "browser"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    found = set()
    for line in listed.stdout.splitlines():
        match = re.fullmatch(r"(\S+?)\.py::(.+)", line)
        if match:
            found.add(f"{match[1].replace('/', '.')}::{match[2]}")
    return found


def main(report: Path) -> int:
    """0 if each browser test is in the report and none of them was skipped."""
    wanted = browser_names()
    if not wanted:
        print("No test carries the browser marker.")
        return 1
    if not report.exists():
        print("The tests left no report: they were stopped before their end.")
        return 1
    ran: dict[str, bool] = {}
    # The report was written a moment ago by our own test run.
    for case in ElementTree.parse(report).iter("testcase"):  # noqa: S314
        skipped = case.find("skipped")
        # An expected failure did run.
        is_skip = skipped is not None and skipped.get("type") != "pytest.xfail"
        ran[f"{case.get('classname')}::{case.get('name')}"] = not is_skip
    missing = sorted(name for name in wanted if not ran.get(name, False))
    for name in missing:
        print(f"not run: {name}")
    print(f"{len(wanted) - len(missing)} of {len(wanted)} browser tests ran.")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
