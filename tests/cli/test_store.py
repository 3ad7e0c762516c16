"""`gardenapp store check` proves the ledger, or prints what differs and leaves with 1."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from gardenapp import cli
from gardenapp.extensions import db
from gardenapp.services.store import acts, ledger
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.subjects import thing
from tests.conftest import NOW
from tests.factories import Factory

pytestmark = pytest.mark.sqlite


@pytest.fixture
def garden_file(tmp_path: Path, make: Factory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A garden with a worn tote, and the command line pointed at it."""
    tote = make.cover(label="Tote 1")
    worn = Happening("damaged", condition="worn")
    acts.do(subject=thing(tote.id), happening=worn, member=make.member(), now=NOW)
    assert ledger.differences() == []
    db.session.remove()
    monkeypatch.setenv("GARDEN_INSTANCE", str(tmp_path))
    monkeypatch.delenv("DATABASE_URL", raising=False)
    return tmp_path / "garden.sqlite"


def test_a_ledger_that_adds_up_is_said_so(garden_file: Path) -> None:
    result = CliRunner().invoke(cli.main, ["store", "check"])

    assert result.exit_code == 0, result.output
    assert "All 2 entries add up" in result.output


def test_what_was_changed_behind_its_back_is_printed_and_leaves_with_1(garden_file: Path) -> None:
    with sqlite3.connect(garden_file) as connection:
        connection.execute("UPDATE cover SET condition = 'sound'")
    connection.close()

    result = CliRunner().invoke(cli.main, ["store", "check"])

    assert result.exit_code == 1
    assert "thing Tote 1: condition is sound, the ledger adds up to worn" in result.output
