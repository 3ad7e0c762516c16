"""`gardenapp init` asks again where an answer will not do, and keeps what was answered."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gardenapp import cli
from gardenapp.cli import garden
from gardenapp.errors import OutOfRange
from gardenapp.services.garden import towns
from gardenapp.services.garden.towns import Town
from tests.factories import PASSWORD
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)

pytestmark = pytest.mark.usefixtures("quick_hashes")
TOWNS = (
    Town("Ashby", "Land of Nod", 52.31, -1.22, "Europe/London", 9_000),
    Town("Ashby", "Elsewhere", 40.5, -90.25, "America/Chicago", 7_000),
)


@pytest.fixture(autouse=True)
def _own_instance(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("GARDEN_") or name == "DATABASE_URL":
            monkeypatch.delenv(name)
    monkeypatch.setenv("GARDEN_INSTANCE", str(tmp_path))


@pytest.fixture
def somebody(monkeypatch: pytest.MonkeyPatch) -> None:
    """A person at a terminal: the runner's own input is a pipe."""
    monkeypatch.setattr(garden, "is_terminal", lambda: True)


@pytest.fixture
def two_towns(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two towns of one name, whichever lists are installed."""
    monkeypatch.setattr(towns, "find_towns", lambda q: TOWNS if q.casefold() == "ashby" else ())


def init(*typed: str, options: tuple[str, ...] = ()) -> Result:
    return CliRunner().invoke(cli.main, ["init", *options], input="\n".join(typed) + "\n")


def kept(folder: Path) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(folder / "garden.sqlite")
    try:
        return connection.execute(
            "SELECT name, latitude, longitude, time_zone, elevation_m FROM garden"
        ).fetchall()
    finally:
        connection.close()


@pytest.mark.usefixtures("somebody")
def test_wrong_answers_are_told_in_a_line_and_only_they_are_asked_again(tmp_path: Path) -> None:
    result = init(
        "x" * 300, "Lantern Lane",
        "Nowhereville", "95, 0", "52.31, -1.22",
        "Atlantis", "Europe/London",
        "high up", "1e9", "90",
        "  ", "Odile",
        "short", "short",
        "Lantern Lane", "Lantern Lane",
        PASSWORD, "another one", PASSWORD, PASSWORD,
    )  # fmt: skip

    assert result.exit_code == 0, result.output
    assert kept(tmp_path) == [("Lantern Lane", 52.31, -1.22, "Europe/London", 90.0)]
    for line in (
        "A name has 1 to 80 letters, on one line.",
        "That place is not known.",
        "Latitude is between −90 and 90",
        "Enter a time zone by continent and city",
        "Enter the height in metres, such as 90, or in feet, such as 300 ft.",
        "Use at least 8 characters",
        "Do not use your own name or the garden's as the password.",
        "The two entered values do not match",
    ):
        assert line in result.output, line
    assert result.output.count("Name of the garden") == 2
    assert PASSWORD not in result.output
    assert "Traceback" not in result.output


REST = ("Europe/London", "90", "Odile", PASSWORD, PASSWORD)


@pytest.mark.usefixtures("somebody")
@pytest.mark.parametrize(
    ("typed", "latitude", "longitude"),
    [
        (["52.31, -1.22"], 52.31, -1.22),
        (["52,31 -1,22"], 52.31, -1.22),
        (["52.31, \N{MINUS SIGN}1.22"], 52.31, -1.22),
        (["52°18'N 1°13'W"], 52.3, -1.2167),
        (["52.31 N 1.22 W"], 52.31, -1.22),
        (["52.31", "-1.22"], 52.31, -1.22),
        (["52,31", "-1,22"], 52.31, -1.22),
        (["52°18'N", "1°13'W"], 52.3, -1.2167),
        (["-33.9", "18,4"], -33.9, 18.4),
        # wrong first
        (["52.31", "west", "200", "-1.22"], 52.31, -1.22),
        (["1.22W", "52.31 N 1.22 W"], 52.31, -1.22),
        (["nan", "inf, 3", "52.31, -1.22"], 52.31, -1.22),
    ],
)
def test_a_position_is_read_as_it_is_copied(
    tmp_path: Path, typed: list[str], latitude: float, longitude: float
) -> None:
    result = init("Lantern Lane", *typed, *REST)

    assert result.exit_code == 0, result.output
    assert kept(tmp_path) == [("Lantern Lane", latitude, longitude, "Europe/London", 90.0)]


@pytest.mark.usefixtures("somebody", "two_towns")
@pytest.mark.parametrize(
    ("typed", "wanted"),
    [
        (["Ashby", "1"], TOWNS[0]),
        (["Ashby", ""], TOWNS[0]),  # the first, as offered
        (["ashby", "2"], TOWNS[1]),
        (["Ashby", "3", "0", "2"], TOWNS[1]),
        (["Ashby", "Nowhere", "Ashby", "2"], TOWNS[1]),
    ],
)
def test_a_town_is_chosen_by_its_number_and_brings_its_time_zone(
    tmp_path: Path, typed: list[str], wanted: Town
) -> None:
    result = init("Lantern Lane", *typed, "", "", "Odile", PASSWORD, PASSWORD)

    assert result.exit_code == 0, result.output
    assert "  1  Ashby, Land of Nod (52.31, -1.22)" in result.output
    assert kept(tmp_path) == [
        ("Lantern Lane", wanted.latitude, wanted.longitude, wanted.time_zone, 0.0)
    ]


@pytest.mark.usefixtures("somebody", "two_towns")
def test_instead_of_a_number_another_place_can_be_typed(tmp_path: Path) -> None:
    result = init("Lantern Lane", "Ashby", "52,25 -0,9", *REST)

    assert result.exit_code == 0, result.output
    assert kept(tmp_path) == [("Lantern Lane", 52.25, -0.9, "Europe/London", 90.0)]


@pytest.mark.usefixtures("somebody")
def test_london_is_known_without_any_list_of_towns_installed(tmp_path: Path) -> None:
    result = init("Lantern Lane", "London", "1", "", "300 ft", "Odile", PASSWORD, PASSWORD)

    assert result.exit_code == 0, result.output
    ((_, latitude, longitude, zone, height_m),) = kept(tmp_path)
    assert (latitude, longitude) == pytest.approx((51.5, -0.12), abs=0.1)
    assert (zone, height_m) == ("Europe/London", pytest.approx(91.44))


@pytest.mark.usefixtures("somebody")
def test_the_time_zone_of_a_position_is_offered_and_may_be_another(tmp_path: Path) -> None:
    result = init("Lantern Lane", "40.4, -3.7", "", "", "Odile", PASSWORD, PASSWORD)

    assert "Time zone [Europe/Madrid]" in result.output
    assert kept(tmp_path)[0][3] == "Europe/Madrid"


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        (["x" * 300], "A name has 1 to 80 letters"),
        (["Lantern Lane", "Nowhereville"], "That place is not known"),
        (["Lantern Lane", "52.31, -1.22", "Atlantis"], "continent and city"),
        (["Lantern Lane", "52.31, -1.22", *REST[:3], "short", "short"], "at least 8 characters"),
    ],
)
def test_with_nobody_to_ask_again_a_wrong_answer_fails_in_words(
    tmp_path: Path, typed: list[str], words: str
) -> None:
    """Piped answers would otherwise be taken for those to the question before."""
    result = init(*typed, *["52.31"] * 8)

    assert result.exit_code == 2
    assert words in result.stderr
    assert kept(tmp_path) == []


@pytest.mark.usefixtures("somebody")
@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--name", "x" * 300), "A name has 1 to 80 letters"),
        (("--name", "Lane", "--latitude", "95", "--longitude", "0"), "Latitude is between"),
        (("--name", "Lane", "--latitude", "52", "--longitude", "0", "--zone", "X"), "continent"),
    ],
)
def test_a_wrong_option_fails_at_a_terminal_too(
    tmp_path: Path, options: tuple[str, ...], words: str
) -> None:
    rest = ("--zone", "Europe/London") if "--zone" not in options else ()
    result = init(
        PASSWORD, options=(*options, *rest, "--elevation", "9", "--coordinator", "Odile",
        "--password-stdin"),
    )  # fmt: skip

    assert result.exit_code == 2
    assert words in result.stderr
    assert kept(tmp_path) == []


@pytest.mark.usefixtures("somebody")
def test_one_option_of_two_leaves_the_other_to_be_asked_for(tmp_path: Path) -> None:
    result = init("Lane", "west", "-1,22", *REST, options=("--latitude", "52.31"))

    assert result.exit_code == 0, result.output
    assert "Enter degrees east" in result.output
    assert kept(tmp_path) == [("Lane", 52.31, -1.22, "Europe/London", 90.0)]


@pytest.mark.parametrize(
    ("typed", "height_m"),
    [("90", 90.0), ("90 m", 90.0), ("-3", -3.0), ("\N{MINUS SIGN}3,5", -3.5), ("1000ft", 304.8)],
)
def test_a_height_is_metres_or_feet(typed: str, height_m: float) -> None:
    assert garden.read_height(typed) == pytest.approx(height_m)


@pytest.mark.parametrize("typed", ["", "nan", "1e3", "90 yards", "99999 m", "9_0", "٣"])
def test_a_height_that_is_none_is_refused(typed: str) -> None:
    with pytest.raises(OutOfRange):
        garden.read_height(typed)
