"""Where another module's tests already prove a claim, the claim names them and sees they are there.

A test that is renamed, emptied, or marked to be skipped makes the claim that points at it fail.
"""

from __future__ import annotations

import ast
import inspect
import textwrap
from importlib import import_module


def proved_by(module: str, *names: str) -> None:
    """Each of `names` is a test of `module` that asserts something and is not left out."""
    found = import_module(module)
    for name in names:
        test = getattr(found, name, None)
        assert test is not None, f"{module} has no {name}"
        marks = {mark.name for mark in getattr(test, "pytestmark", [])}
        assert not marks & {"skip", "xfail"}, f"{module}.{name} is left out"
        tree = ast.parse(textwrap.dedent(inspect.getsource(test)))
        # A page fetched with the status it must have is an assertion too (`tests/pages.py`).
        is_said = any(
            isinstance(n, ast.Assert)
            or (isinstance(n, ast.keyword) and n.arg == "status")
            or (isinstance(n, ast.Attribute) and n.attr == "raises")
            for n in ast.walk(tree)
        )
        assert is_said, f"{module}.{name} asserts nothing by itself"
