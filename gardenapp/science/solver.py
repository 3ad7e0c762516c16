"""A HiGHS solver that keeps quiet.

The library prints a banner to standard output while it is being made, before any option can
be set; a command that prints JSON would print that first.
"""

from __future__ import annotations

from typing import Any


def new_solver() -> Any:
    """A fresh `highspy.Highs` with its output off, one thread and a fixed seed.

    Raises ImportError where highspy is not installed.
    """
    import highspy  # here, as it takes longer to load than most pages take to make

    class Quiet(highspy.Highs):
        # Called by the constructor, and what prints: the one moment to switch it off before.
        def enableCallbacks(self) -> None:
            self.setOptionValue("output_flag", False)
            super().enableCallbacks()  # type: ignore[no-untyped-call]

    solver: Any = Quiet()  # type: ignore[no-untyped-call]
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("random_seed", 1)
    return solver
