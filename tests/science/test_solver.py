"""The solver says nothing on its own."""

from __future__ import annotations

import subprocess
import sys

from gardenapp.science.solver import new_solver


def test_making_and_running_a_solver_prints_nothing() -> None:
    program = "from gardenapp.science.solver import new_solver; s = new_solver(); s.run()"

    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60
    )

    assert done.stdout == ""
    assert done.stderr == ""


def test_a_solver_is_quiet_and_gives_the_same_answer_each_time() -> None:
    solver = new_solver()

    for option, value in (("output_flag", False), ("threads", 1), ("random_seed", 1)):
        assert solver.getOptionValue(option)[1] == value
