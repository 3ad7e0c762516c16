"""The board's marks from Lighthouse on its mobile setting. A measurement, not a test.

    python -m tests.bench.run_lighthouse ADDRESS --with COMMAND [--out FILE]

COMMAND is the Lighthouse program, version 12.2.3; it needs Node and is not part of the test
extra. ADDRESS is a page of a running server, such as the demo's board. Ends with 1 where one
of the marks is below the aim.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

AIM = 95
PARTS = ("performance", "accessibility", "best-practices")
TIMES = (
    "first-contentful-paint",
    "largest-contentful-paint",
    "total-blocking-time",
    "cumulative-layout-shift",
    "speed-index",
    "total-byte-weight",
)
CHROMIUM = "/usr/bin/chromium"


def run(command: str, address: str, out: Path) -> dict[str, Any]:
    """Let Lighthouse look at `address`; gives its report, which also stays in `out`."""
    subprocess.run(
        [
            command,
            address,
            "--quiet",
            "--output=json",
            f"--output-path={out}",
            f"--only-categories={','.join(PARTS)}",
            "--chrome-flags=--headless=new --no-sandbox",
        ],
        check=True,
        env={**os.environ, "CHROME_PATH": os.environ.get("CHROME_PATH", CHROMIUM)},
        timeout=300,
    )
    report: dict[str, Any] = json.loads(out.read_text("utf-8"))
    return report


def faults(report: dict[str, Any]) -> list[str]:
    """What cost marks: a line for each audit that did not get the whole mark."""
    found = []
    for part in PARTS:
        for reference in report["categories"][part]["auditRefs"]:
            audit = report["audits"][reference["id"]]
            if reference["weight"] and audit["score"] is not None and audit["score"] < 1:
                value = audit.get("displayValue", "")
                found.append(f"{part}: {audit['title']} {value} ({audit['score']:.2f})")
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    """Run, print the marks and what cost them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("address")
    parser.add_argument("--with", dest="command", required=True)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        report = run(options.command, options.address, options.out or Path(folder) / "report.json")
    print(f"Lighthouse {report['lighthouseVersion']}, {report['finalDisplayedUrl']}")
    marks = {part: round(100 * (report["categories"][part]["score"] or 0)) for part in PARTS}
    for part, mark in marks.items():
        print(f"  {part}: {mark}")
    for name in TIMES:
        print(f"  {name}: {report['audits'][name].get('displayValue', '')}")
    for line in faults(report):
        print(f"  below full marks: {line}")
    return 0 if min(marks.values()) >= AIM else 1


if __name__ == "__main__":
    sys.exit(main())
