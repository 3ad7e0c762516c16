"""A trial from the shell: printed, as JSON, and refused in words."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gardenapp.cli import main
from tests.science.trials.trials_made import covered, moments, nights_of

PLACE = ["--latitude", "52", "--longitude", "0", "--time-zone", "Europe/London"]


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    at = moments(3, 600)
    inside, outside = covered(at, nights_of(at), lift_k=1.5, gain_k=8.0)
    paths = []
    for name, series in (("inside", inside), ("outside", outside)):
        path = tmp_path / f"{name}.csv"
        rows = [
            f"{datetime.fromtimestamp(int(when), tz=UTC):%Y-%m-%dT%H:%M:%SZ},{temp:.3f}"
            for when, temp in zip(series.at_s, series.temp_c, strict=True)
        ]
        path.write_text("\n".join(["Time,Temperature (°C)", *rows, ""]), encoding="utf-8")
        paths.append(path)
    return paths[0], paths[1]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["trial", "analyse", *(str(a) for a in arguments)])


def test_a_trial_is_printed_without_any_garden(files: tuple[Path, Path]) -> None:
    result = run(*files, *PLACE, "--heat-max", "15")

    assert result.exit_code == 0, result.output
    assert "Night of 2026-04-10: lift +1.5 K" in result.output
    assert "Lift: +1.5 ± 0.0 K over 3 whole nights" in result.output
    assert "Day 2026-04-11: gain +8.0 K" in result.output
    assert "h above 15 °C" in result.output


def test_json_holds_everything(files: tuple[Path, Path]) -> None:
    result = run(*files, *PLACE, "--json", "--inside-offset", "0")

    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["totals"]["lift_at_minimum_k"]["count"] == 3
    assert found["totals"]["lift_at_minimum_k"]["mean"] == pytest.approx(1.5, abs=0.002)
    assert found["clock_offset"]["method"] == "given"
    assert found["notes"] == {"inside": [], "outside": []}
    assert found["matched_count"] == 3 * 144 + 1
    assert found["chart"]


def test_progress_is_shown_when_asked_for(files: tuple[Path, Path]) -> None:
    result = run(*files, *PLACE, "--json", "--progress")

    assert json.loads(result.stdout)["matched_count"] == 3 * 144 + 1
    assert "reading inside: 100%" in result.stderr
    assert "analysing: 100%" in result.stderr


def test_every_fault_of_both_files_is_said_and_nothing_is_analysed(
    files: tuple[Path, Path],
) -> None:
    inside, outside = files
    inside.write_text("Time,Temp\n2026-04-10 21:00,mild\n", encoding="utf-8")
    outside.write_text("Time,Temperature (°C)\n2026-04-10 21:00,mild\n", encoding="utf-8")

    result = run(*files, *PLACE)

    assert result.exit_code == 2
    assert result.stdout == ""
    assert "inside.csv: Temp: say whether °C or °F" in result.stderr
    assert "outside.csv: line 2" in result.stderr
    assert "Nothing was analysed." in result.stderr


def test_files_that_do_not_overlap_are_refused(files: tuple[Path, Path]) -> None:
    outside = files[1]
    text = outside.read_text(encoding="utf-8").replace("2026-", "2024-")
    outside.write_text(text, encoding="utf-8")

    result = run(*files, *PLACE)

    assert result.exit_code == 2
    assert "do not overlap" in result.stderr


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--latitude", "52", "--longitude", "0", "--time-zone", "Garden/Bed"], "not a time zone"),
        (["--latitude", "95", "--longitude", "0", "--time-zone", "UTC"], "latitude"),
        ([*PLACE, "--inside-offset", "nan"], "within a day"),
    ],
)
def test_a_wrong_option_is_refused_in_words(
    files: tuple[Path, Path], options: list[str], words: str
) -> None:
    result = run(*files, *options)

    assert result.exit_code == 2
    assert words in result.stderr
