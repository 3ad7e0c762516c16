"""Whoever changes a module of science finds its tests under the same name."""

from __future__ import annotations

import pytest

from tests.mirror import Mirror

MIRROR = Mirror("science", by_room=True)


@pytest.mark.parametrize("module", MIRROR.modules())
def test_each_module_has_tests_of_its_name(module: str) -> None:
    MIRROR.check(module)


def test_no_test_file_is_left_without_its_module() -> None:
    """A second file of a module begins with its name: `test_fit_at_its_edges.py` is of `fit`."""
    of_science_itself = {"test_every_formula_is_used.py", "test_the_tests_mirror_science.py"}

    assert MIRROR.without_module() == of_science_itself
