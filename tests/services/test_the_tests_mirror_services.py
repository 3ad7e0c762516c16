"""Whoever changes a service finds its tests under the same name."""

from __future__ import annotations

import pytest

from tests.mirror import Mirror

MIRROR = Mirror("services")
# Still to be given a file of their own; whoever gives one takes its name out of here.
NOT_YET = frozenset(
    {
        "night/forecasts.py",
        "night/learning.py",
        "night/outlook.py",
        "permission.py",
        "store/needs.py",
        "store/photos.py",
        "store/stocktake.py",
        "store/subjects.py",
    }
)
# Files that are about several modules, or about none, each with the reason.
OF_NO_ONE_MODULE = {
    "store/test_at_once.py": "twenty people at once, on covers, lots and the ledger together",
    "test_the_tests_mirror_services.py": "this one",
}


@pytest.mark.parametrize("module", sorted({*MIRROR.modules()} - NOT_YET))
def test_each_module_has_tests_of_its_name(module: str) -> None:
    MIRROR.check(module)


def test_what_has_no_file_of_tests_yet_is_named_and_nothing_else_is() -> None:
    lacking = {module for module in MIRROR.modules() if not MIRROR.file_of(module).exists()}

    assert lacking == NOT_YET


def test_no_test_file_is_left_without_its_module() -> None:
    assert MIRROR.without_module() == OF_NO_ONE_MODULE.keys()
