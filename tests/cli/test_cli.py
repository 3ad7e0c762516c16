"""The command line: setting up, members, errors in words, backups before an upgrade."""

from __future__ import annotations

import os
import re
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from gardenapp import __version__, cli
from gardenapp.cli import base
from gardenapp.errors import GardenError, OutOfRange, Refused
from tests.factories import PASSWORD
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)
from tests.servers import Serve

pytestmark = pytest.mark.usefixtures("quick_hashes")
# What a command needs that does the garden's work.
HEAVY = {
    "PIL", "alembic", "astral", "babel", "cryptography", "flask", "highspy", "jinja2",
    "numpy", "requests", "sqlalchemy", "waitress", "werkzeug", "wtforms",
}  # fmt: skip
INIT = [
    "init", "--name", "Lantern Lane Plots", "--latitude", "52.2", "--longitude=-0.9",
    "--zone", "europe/london", "--elevation", "90", "--coordinator", "Odile", "--password-stdin",
]  # fmt: skip


@pytest.fixture(autouse=True)
def _own_instance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("GARDEN_") or name == "DATABASE_URL":
            monkeypatch.delenv(name)
    monkeypatch.setenv("GARDEN_INSTANCE", str(tmp_path))


def run(*words: str, typed: str = "") -> Result:
    return CliRunner().invoke(cli.main, list(words), input=typed)


def init() -> Result:
    return run(*INIT, typed=PASSWORD + "\n")


def rows(folder: Path, query: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(folder / "garden.sqlite")
    try:
        return connection.execute(query).fetchall()
    finally:
        connection.close()


def test_version() -> None:
    assert run("version").output.strip() == f"gardenapp {__version__}"


def test_version_is_said_the_usual_way_too() -> None:
    assert run("--version").output == f"gardenapp {__version__}\n"


def test_the_list_of_commands_says_what_each_says_of_itself() -> None:
    context = click.Context(cli.main)
    for name, (_, words) in cli.PARTS.items():
        command = cli.main.get_command(context, name)
        assert command is not None, name
        assert words == " ".join((command.help or "").split("\n\n")[0].split()), name

    # Nothing that a part adds is missing from the table, and so from the list.
    assert set(cli.main.commands) == set(cli.PARTS)


def test_each_part_of_the_command_line_is_in_the_table() -> None:
    parts = {path.stem for path in Path(cli.__file__).parent.glob("*.py")}

    assert parts - {"__init__", "base"} == {module for module, _ in cli.PARTS.values()} - {""}


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["plnt"], []])
def test_what_needs_no_garden_loads_nothing_of_it(words: list[str]) -> None:
    """In a process of its own, which tells what was imported: a count, where a time would vary."""
    code = (
        "import sys\n"
        "from gardenapp.cli import main\n"
        "try:\n"
        "    main(prog_name='gardenapp')\n"
        "finally:\n"
        "    print(*{name.partition('.')[0] for name in sys.modules}, file=sys.stderr)\n"
    )

    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=False
    )

    loaded = set(done.stderr.splitlines()[-1].split())
    assert {"click", "gardenapp"} <= loaded, done.stderr
    assert loaded.isdisjoint(HEAVY), loaded & HEAVY


def test_init_makes_tables_garden_coordinator_and_catalogue(tmp_path: Path) -> None:
    result = init()

    assert result.exit_code == 0, result.output
    assert rows(tmp_path, "SELECT name, time_zone FROM garden") == [
        ("Lantern Lane Plots", "Europe/London")
    ]
    assert rows(tmp_path, "SELECT name, role FROM member") == [("Odile", "coordinator")]
    assert rows(tmp_path, "SELECT count(*) FROM crop")[0][0] >= 45  # type: ignore[operator]
    assert PASSWORD not in result.output


def test_init_twice_changes_no_garden(tmp_path: Path) -> None:
    init()
    before = rows(tmp_path, "SELECT * FROM member")

    again = run(*(w if w != "Odile" else "Somebody else" for w in INIT), typed="another one\n")

    assert again.exit_code == 0
    assert "There is a garden already" in again.output
    assert rows(tmp_path, "SELECT * FROM member") == before


def test_init_asks_for_what_is_not_given(tmp_path: Path) -> None:
    answers = ["Lantern Lane", "52.2", "-0.9", "Europe/London", "90", "Odile", PASSWORD, PASSWORD]

    result = run("init", typed="\n".join(answers) + "\n")

    assert result.exit_code == 0, result.output
    assert rows(tmp_path, "SELECT name FROM garden") == [("Lantern Lane",)]
    assert PASSWORD not in result.output


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--zone", "Nowhere", "continent and city"),
        ("--latitude", "91", "Latitude is between"),
        ("--latitude", "nan", "not a place on Earth"),
        ("--elevation", "1e9", "not a place on Earth"),
    ],
)
def test_a_wrong_option_is_said_in_words_with_exit_code_2(
    tmp_path: Path, option: str, value: str, words: str
) -> None:
    result = run(*INIT, option, value, typed=PASSWORD + "\n")

    assert result.exit_code == 2
    assert words in result.stderr
    assert "Traceback" not in result.output
    assert rows(tmp_path, "SELECT count(*) FROM garden") == [(0,)]


def test_a_weak_password_is_said_in_words(tmp_path: Path) -> None:
    result = run(*INIT, typed="password123\n")

    assert result.exit_code == 2
    assert "Many people use this one" in result.stderr


def test_an_unknown_setting_is_said_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GARDEN_HTPS", "yes")

    result = run("db", "upgrade")

    assert result.exit_code == 2
    assert "GARDEN_HTPS" in result.stderr


def test_a_database_without_tables_is_said_in_words() -> None:
    result = run("member", "add", "Tamsin")

    assert result.exit_code == 2
    assert "gardenapp db upgrade" in result.stderr


def test_an_error_of_the_app_leaves_with_2_and_one_of_python_does_not_hide() -> None:
    def refuse(error: Exception) -> click.Command:
        @click.command()
        @base.with_app
        def command() -> None:
            raise error

        return command

    refused = CliRunner().invoke(refuse(Refused("Not like this.")), [])
    broken = CliRunner().invoke(refuse(ZeroDivisionError("a bug")), [])

    assert (refused.exit_code, refused.stderr) == (2, "Not like this.\n")
    assert isinstance(broken.exception, ZeroDivisionError)
    assert issubclass(OutOfRange, GardenError)


def test_member_add_prints_a_link_that_lets_in(tmp_path: Path) -> None:
    init()

    result = run("member", "add", " Tamsin  K. ", "--address", "http://192.0.2.7:8080/")

    assert result.exit_code == 0, result.output
    assert re.search(r"^http://192\.0\.2\.7:8080/join/[\w-]{32}$", result.output, re.MULTILINE)
    assert re.search(r"until \w+ \d+ \w+ \d{4}, \d\d:\d\d (GMT|BST)", result.output)
    assert rows(tmp_path, "SELECT name, role FROM member WHERE id = 2") == [("Tamsin K.", "member")]


def test_member_add_refuses_a_name_that_is_taken() -> None:
    init()

    result = run("member", "add", "ODILE")

    assert result.exit_code == 2
    assert "already somebody called Odile" in result.stderr


@pytest.mark.parametrize("name", ["", "  ", "x" * 81, "a\x1b[31mb"])
def test_member_add_refuses_what_is_no_name(name: str) -> None:
    init()

    assert run("member", "add", "--", name).exit_code == 2


def test_member_link_helps_when_no_coordinator_can_get_in() -> None:
    init()

    assert "/join/" in run("member", "link", "odile").output
    nobody = run("member", "link", "Xanto")
    assert (nobody.exit_code, nobody.stderr) == (2, "There is nobody called Xanto.\n")


def test_where_nothing_is_pending_no_copy_is_kept(tmp_path: Path) -> None:
    init()

    assert "up to date" in run("db", "upgrade").output
    assert not (tmp_path / "backups").exists()


def test_an_upgrade_brings_published_values_up_to_date_and_says_which(tmp_path: Path) -> None:
    init()
    kind = "FROM cover_class WHERE reference_key = 'tote'"
    before = rows(tmp_path, f"SELECT clear_mean_k, status, why, day_gain_k {kind}")
    (name,) = rows(tmp_path, f"SELECT name {kind}")[0]
    with sqlite3.connect(tmp_path / "garden.sqlite") as connection:
        connection.execute(
            "UPDATE cover_class SET clear_mean_k = 9.5, status = 'memory', why = 'old', "
            "day_gain_k = 1.0 WHERE reference_key = 'tote'"
        )
    connection.close()

    first, second = run("db", "upgrade").output, run("db", "upgrade").output

    assert f"Published values were brought up to date: {name}." in first
    assert "Published values" not in second
    assert rows(tmp_path, f"SELECT clear_mean_k, status, why, day_gain_k {kind}") == before


def test_a_copy_is_kept_before_pending_changes_are_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from alembic.script import ScriptDirectory

    init()
    copies_at_upgrade: list[list[Path]] = []
    monkeypatch.setattr(ScriptDirectory, "get_heads", lambda _self: ["not yet written"])
    monkeypatch.setattr(
        "flask_migrate.upgrade",
        lambda: copies_at_upgrade.append(list((tmp_path / "backups").glob("*.sqlite"))),
    )

    result = run("db", "upgrade")

    assert result.exit_code == 0, result.output
    ((copy,),) = copies_at_upgrade
    assert str(copy) in result.output.replace("\n", "")
    connection = sqlite3.connect(copy)
    assert connection.execute("SELECT name FROM member").fetchall() == [("Odile",)]
    connection.close()


def test_a_database_of_a_newer_version_is_left_alone(tmp_path: Path) -> None:
    init()
    connection = sqlite3.connect(tmp_path / "garden.sqlite")
    with connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()

    result = run("db", "upgrade")

    assert result.exit_code == 2
    assert "newer version" in result.stderr


def test_a_copy_holds_what_still_stands_in_the_write_ahead_log(tmp_path: Path) -> None:
    from gardenapp import create_app
    from gardenapp.extensions import db

    init()
    writer = sqlite3.connect(tmp_path / "garden.sqlite")
    writer.execute("PRAGMA wal_autocheckpoint = 0")
    writer.execute("UPDATE garden SET name = 'Written a moment ago'")
    writer.commit()

    app = create_app()
    with app.app_context():
        kept = base.back_up("test")
        db.engine.dispose()
    writer.close()

    assert kept is not None
    copy = sqlite3.connect(kept)
    assert copy.execute("SELECT name FROM garden").fetchall() == [("Written a moment ago",)]
    assert copy.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    copy.close()
    assert kept.stat().st_mode & 0o777 == 0o600
    assert list(kept.parent.glob("*.part")) == []


def test_the_addresses_name_this_computer_first() -> None:
    assert base.addresses("127.0.0.1") == ["127.0.0.1"]
    assert base.addresses("::1") == ["[::1]"]
    assert base.addresses("::")[0] == "127.0.0.1"


def test_serve_prints_where_and_the_set_up_code_and_answers(tmp_path: Path, serve: Serve) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {k: v for k, v in os.environ.items() if not k.startswith("GARDEN_")}
    environment |= {"GARDEN_INSTANCE": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    server = serve("--host", "127.0.0.1", "--port", str(port), environment=environment)
    page = ""
    for _ in range(600):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/first-steps") as answer:
                page = answer.read().decode()
                headers = dict(answer.headers)
            break
        except OSError:
            time.sleep(0.1)
    output, status = server.end()

    assert "First steps" in page, output
    assert "Server" not in headers
    assert f"http://127.0.0.1:{port}/" in output
    assert re.search(r"^ +[2-9A-Z]{4}-[2-9A-Z]{4}-[2-9A-Z]{4}$", output, re.MULTILINE), output
    assert status == 0, output


def test_a_forecast_whose_dates_could_be_either_asks_and_takes_the_answer(tmp_path: Path) -> None:
    init()
    table = tmp_path / "station.csv"
    year = datetime.now(UTC).year + 1
    lines = (f"0{day}/04/{year},{day}.0" for day in range(3, 6))
    sure = ("--accept", "nights")  # of a spring to come
    table.write_text("\n".join(["Date,Min temperature (°C)", *lines, ""]), encoding="utf-8")
    query = "SELECT night_of, low_c FROM forecast ORDER BY night_of"

    asked = run("forecast", "import", str(table))

    assert asked.exit_code == 2
    assert "station.csv: Date: say whether the day or the month comes first" in asked.stderr
    assert rows(tmp_path, query) == []
    taken = run(
        "forecast", "import", str(table), "--date-order", "DMY", "--daily-low", "evening", *sure
    )
    assert taken.exit_code == 0, taken.output
    assert rows(tmp_path, query) == [(f"{year}-04-0{day}", float(day)) for day in range(3, 6)]
