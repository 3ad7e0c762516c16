"""A private PostgreSQL for tests: its own folder, its own socket, gone afterwards.

`TEST_DATABASE_URL` names another server to use instead. Where there is neither, tests that
need one are skipped and say so.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

BINARIES = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))


def _as_owner(*words: str) -> None:
    """Run as somebody who is not root: the server refuses to be root's."""
    command = ["runuser", "-u", "postgres", "--", *words] if os.geteuid() == 0 else list(words)
    # Not captured: the server keeps the pipes of whoever started it.
    with open(os.devnull, "wb") as nowhere:  # noqa: PTH123  (a device, not a path of ours)
        subprocess.run(command, check=True, stdout=nowhere, stderr=nowhere, cwd="/")


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """The address of a server, without a database's name."""
    given = os.environ.get("TEST_DATABASE_URL", "")
    if given:
        yield given.rpartition("/")[0]
        return
    if not BINARIES:
        pytest.skip("there is no PostgreSQL here; install Debian’s package postgresql")
    if os.geteuid() == 0 and shutil.which("runuser") is None:
        pytest.skip("PostgreSQL cannot be started as root, and there is no runuser")
    folder = Path(tempfile.mkdtemp(prefix="garden-pg-", dir="/tmp"))
    if os.geteuid() == 0:
        shutil.chown(folder, "postgres")
    tools = BINARIES[-1].parent
    data = folder / "data"
    _as_owner(str(tools / "initdb"), "-D", str(data), "-A", "trust", "-E", "UTF8", "-U", "garden")
    # No port at all: a socket in the folder, so that several runs never meet.
    options = f"-c listen_addresses='' -k {folder} -c fsync=off -c max_connections=60"
    control = str(tools / "pg_ctl")
    _as_owner(control, "-D", str(data), "-l", str(folder / "log"), "-w", "-o", options, "start")
    try:
        yield f"postgresql+psycopg://garden@/{{name}}?host={folder}"
    finally:
        _as_owner(control, "-D", str(data), "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server: str) -> Iterator[str]:
    """The address of a new empty database of this test's own."""
    import psycopg

    name = f"garden_{uuid.uuid4().hex[:12]}"

    def address(database: str) -> str:
        if "{name}" in postgres_server:
            return postgres_server.replace("{name}", database)
        return f"{postgres_server}/{database}"

    plain = address("postgres").replace("+psycopg", "")
    with psycopg.connect(plain, autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
    yield address(name)
    with psycopg.connect(plain, autocommit=True) as connection:
        connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
