"""The rule for the ground, judged from the shell."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gardenapp.cli import ground as cli_ground
from gardenapp.science.night import ground
from tests.readers.samples_at import SAMPLES

RECORD = SAMPLES / "ground_minima_10_stations.csv"


def run(*words: str) -> Result:
    return CliRunner().invoke(cli_ground.night_group, ["ground", *words])


def test_a_record_is_judged_by_season_in_words() -> None:
    result = run(str(RECORD))

    assert result.exit_code == 0, result.output
    assert "2.8 K on a clear calm night" in result.output
    lines = result.output.splitlines()
    assert [line.split()[0] for line in lines[2:7]] == [
        "autumn", "winter", "late_winter", "spring", "all",
    ]  # fmt: skip
    assert lines[6].split()[1] == "17051"


def test_the_same_for_programs() -> None:
    found = json.loads(run(str(RECORD), "--json").output)

    assert list(found) == ["seasons"]
    assert [each["season"] for each in found["seasons"]] == [
        "autumn", "winter", "late_winter", "spring", "all",
    ]  # fmt: skip
    assert set(found["seasons"][0]) == {
        "season", "nights", "rmse_k", "bias_k", "constant_rmse_k", "nothing_rmse_k",
        "interval_80_covered", "missed_fraction", "false_fraction", "brier",
    }  # fmt: skip
    assert found["seasons"][-1]["rmse_k"] < 0.8 * found["seasons"][-1]["constant_rmse_k"]


def test_a_rule_is_fitted_on_another_record_and_the_apps_own_stays() -> None:
    before = ground.DEFAULT_RULE

    own, fitted = run(str(RECORD), "--json"), run(str(RECORD), "--json", "--fit-on", str(RECORD))

    assert ground.DEFAULT_RULE is before
    one, other = (json.loads(result.output)["seasons"][-1] for result in (own, fitted))
    assert one["rmse_k"] != other["rmse_k"]
    assert one["constant_rmse_k"] == other["constant_rmse_k"]


def test_a_southern_record_has_its_winter_in_july(tmp_path: Path) -> None:
    file = tmp_path / "south.csv"
    rows = [f"2020-07-{day:02},{day % 4},{day % 4 - 2}" for day in range(1, 29)]
    file.write_text("\n".join(["night,screen_min_c,ground_min_c", *rows]))

    north, south = (
        json.loads(run(str(file), "--json", *more).output) for more in ((), ("--south",))
    )

    assert {each["season"]: each["nights"] for each in north["seasons"]}["winter"] == 0
    assert {each["season"]: each["nights"] for each in south["seasons"]}["winter"] == 28
    assert north["seasons"][0]["rmse_k"] is None


@pytest.mark.parametrize("place", ["file", "fit"])
def test_a_bad_table_is_told_by_line_and_leaves_with_two(tmp_path: Path, place: str) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("night,screen_min_c,ground_min_c\n2020-07-41,1,2\n")
    words = (str(bad),) if place == "file" else (str(RECORD), "--fit-on", str(bad))

    result = run(*words)

    assert result.exit_code == 2
    assert "bad.csv: line 2" in result.output
    assert "2020-07-41" in result.output


def test_too_few_nights_to_fit_on_are_told(tmp_path: Path) -> None:
    few = tmp_path / "few.csv"
    few.write_text("night,screen_min_c,ground_min_c\n2020-01-01,1,-1\n")

    result = run(str(RECORD), "--fit-on", str(few))

    assert result.exit_code == 2
    assert "at least 60 nights" in result.output
