"""`gardenapp serve` in a process of its own, ended as a service manager ends it, never left behind.

An interrupt (SIGINT) would not do: a suite started in the background of a script has it ignored,
and so has every process that it starts.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import pytest

_SERVE = [sys.executable, "-c", "from gardenapp.cli import main; main()", "serve"]
PATIENCE_S = 20
Serve = Callable[..., "Served"]


class Served:
    """A server that was started, and how to end it."""

    def __init__(
        self, words: tuple[str, ...], environment: Mapping[str, str], **pipes: Any
    ) -> None:
        pipes = pipes or {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True}
        self.process = subprocess.Popen([*_SERVE, *words], env=environment, **pipes)

    def end(self) -> tuple[str, int]:
        """Ask it to end; gives what it said and its exit status. Harmless where it has ended."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        try:
            said, _ = self.process.communicate(timeout=PATIENCE_S)
        finally:
            self.kill()
        return said or "", self.process.returncode

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        if self.process.stdout is not None:
            self.process.stdout.close()


@contextmanager
def servers() -> Iterator[Serve]:
    """A way to start servers; none outlives the block, however it is left."""
    started: list[Served] = []

    def start(*words: str, environment: Mapping[str, str], **pipes: Any) -> Served:
        started.append(Served(words, environment, **pipes))
        return started[-1]

    try:
        yield start
    finally:
        for each in started:
            each.kill()


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Start `gardenapp serve`; whatever happens to the test, the server ends with it."""
    with servers() as start:
        yield start
