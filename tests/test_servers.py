"""Whatever a test does, its server ends with it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.servers import servers


def test_a_server_ends_with_the_test_that_failed(tmp_path: Path) -> None:
    environment = {**os.environ, "GARDEN_INSTANCE": str(tmp_path)}
    started = []

    with pytest.raises(ZeroDivisionError), servers() as start:
        started += [start("--port", "0", environment=environment) for _ in range(2)]
        assert [each.process.poll() for each in started] == [None, None]
        raise ZeroDivisionError

    assert None not in [each.process.poll() for each in started]
