"""Better plans are looked for in a process of their own, so that pages stay quick meanwhile.

The process is the command `gardenapp improve`, started by whichever server kept the first plan,
with that server's own settings. It needs no scheduler, ends by itself, and outlives a server that
stops.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable

from flask import Flask
from sqlalchemy import make_url

from gardenapp.services.night import improving

COMMAND = (sys.executable, "-c", "from gardenapp.cli import main; main()", "improve")

# Those begun here that have not been seen to end; asked again at the next, so that none lingers.
_running: list[subprocess.Popen[bytes]] = []


def improve_apart(app: Flask) -> None:
    """From now on this app's plans are improved by a process that it starts."""
    improving.begin_with(_database(app), starter(app))


def improve_here(app: Flask) -> None:
    """From now on whoever asks for a plan of this app waits for a good one."""
    improving.begin_with(_database(app), None)


def starter(app: Flask) -> Callable[[int], None]:
    """What starts the process for one plan; it raises OSError where none can be started."""
    environment = {
        **os.environ,
        "GARDEN_INSTANCE": app.instance_path,
        "DATABASE_URL": str(app.config["SQLALCHEMY_DATABASE_URI"]),
        "GARDEN_SECRET_KEY": str(app.config["SECRET_KEY"]),
    }

    def begin(plan_id: int) -> None:
        _running[:] = [process for process in _running if process.poll() is None]
        _running.append(
            subprocess.Popen(  # noqa: S603  (our own command and a number)
                [*COMMAND, str(plan_id)],
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                start_new_session=True,
            )
        )

    return begin


def _database(app: Flask) -> str:
    return str(make_url(str(app.config["SQLALCHEMY_DATABASE_URI"])))
