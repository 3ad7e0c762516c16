"""Whoever changes a service finds its tests under the same name."""

from __future__ import annotations

import pytest

from tests.mirror import Mirror

MIRROR = Mirror("services")
# Files that are about several modules, or about none, each with the reason.
OF_NO_ONE_MODULE = {
    "night/test_hardened_nights.py": "whole nights of a garden that hardens, from weather to jobs",
    "store/test_at_once.py": "twenty people at once, on covers, lots and the ledger together",
    "test_the_tests_mirror_services.py": "this one",
}


@pytest.mark.parametrize("module", MIRROR.modules())
def test_each_module_has_tests_of_its_name(module: str) -> None:
    MIRROR.check(module)


def test_no_test_file_is_left_without_its_module() -> None:
    assert MIRROR.without_module() == OF_NO_ONE_MODULE.keys()
