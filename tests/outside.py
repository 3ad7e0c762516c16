"""A pytest plugin: outside checks name what they are checked against, and `-m outside` lists it.

The source travels with each test's report, so that the list is whole when the tests are spread
over several processes.
"""

from __future__ import annotations

import pytest

SOURCE = "outside source"
_seen: dict[str, list[str]] = {}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse an outside check that does not say what it is checked against."""
    for item in items:
        for mark in item.iter_markers("outside"):
            if not mark.args or not str(mark.args[0]).strip():
                raise pytest.UsageError(f"{item.nodeid}: @outside needs the name of its source")
            item.user_properties.append((SOURCE, str(mark.args[0])))


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Note the sources of a test that ran."""
    if report.when == "call":
        found = [str(value) for name, value in report.user_properties if name == SOURCE]
        if found:
            _seen[report.nodeid] = found


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """After `pytest -m outside`, list the sources that were checked against."""
    if "outside" not in str(terminalreporter.config.getoption("-m")):
        return
    sources = sorted({source for found in _seen.values() for source in found})
    terminalreporter.section(f"{len(_seen)} outside checks, {len(sources)} sources")
    for source in sources:
        terminalreporter.line(f"  {source}")
