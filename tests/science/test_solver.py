"""The solver says nothing on its own."""

from __future__ import annotations

import subprocess
import sys


def test_making_and_running_a_solver_prints_nothing() -> None:
    program = "from gardenapp.science.solver import new_solver; s = new_solver(); s.run()"

    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )

    assert done.stdout == ""
    assert done.stderr == ""
