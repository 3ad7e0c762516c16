"""What a crop bears day by day, from the shell."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from gardenapp.cli.hardiness import hardiness_command


def run(*words: str) -> Result:
    return CliRunner().invoke(hardiness_command, list(words))


def table(folder: Path, *spells: tuple[float, float, int], holes: int = 0) -> str:
    """Days from 1 November: lowest, mean, and how many; then a hole and ten days more."""
    days = [(low, mean) for low, mean, count in spells for _ in range(count)]
    start = date(2026, 11, 1)
    lines = ["date,min_c,max_c,mean_c"]
    for n, (low, mean) in enumerate(days):
        skip = holes if n >= len(days) - 10 else 0
        lines.append(f"{start + timedelta(days=n + skip)},{low},{2 * mean - low},{mean}")
    file = folder / "weather.csv"
    file.write_text("\n".join(lines) + "\n", "utf-8")
    return str(file)


@pytest.mark.outside("Spinach, abstract: 2 to 4 °C gained on the first day at 5/2 °C")
def test_days_are_printed_for_programs(tmp_path: Path) -> None:
    file = table(tmp_path, (2.0, 3.5, 20))

    found = json.loads(run("spinach", "--weather", file, "--soft", "--json").output)

    assert set(found["days"][0]) == {"date", "bears_c", "state", "uncertain"}
    assert [day["date"] for day in found["days"]][:2] == ["2026-11-01", "2026-11-02"]
    states = [day["state"] for day in found["days"]]
    assert states == sorted(states)
    assert states[0] == pytest.approx(0.6 * 0.33, abs=0.01)
    assert [day["uncertain"] for day in found["days"]] == [True] * 13 + [False] * 7
    assert found["days"][0]["bears_c"] > found["days"][-1]["bears_c"]


def test_the_same_in_words_by_any_of_its_names(tmp_path: Path) -> None:
    file = table(tmp_path, (2.0, 3.5, 3))

    for name in ("kale", "KALE", "col rizada", "borecole", "kalee"):
        result = run(name, "--weather", file)
        assert result.exit_code == 0, result.output
        assert result.output.startswith("kale, young plant or leaves:"), name
        assert "uncertain" in result.output


def test_a_stage_is_chosen_and_a_tender_crop_does_not_move(tmp_path: Path) -> None:
    file = table(tmp_path, (-3.0, 0.0, 30))

    beans = json.loads(run("French bean", "--weather", file, "--json").output)["days"]
    spring = json.loads(
        run("broad bean", "--stage", "spring kind", "--weather", file, "--json").output
    )

    assert len({day["bears_c"] for day in beans}) == 1
    assert not any(day["uncertain"] for day in beans)
    assert spring["stage"] == "spring kind"


def test_a_hole_of_a_week_is_uncertain_and_a_southern_winter_is_in_july(tmp_path: Path) -> None:
    days = json.loads(
        run("leek", "--weather", table(tmp_path, (3.0, 6.0, 40), holes=7), "--json").output
    )["days"]
    by_date = {day["date"]: day for day in days}

    assert not by_date["2026-11-29"]["uncertain"]
    assert by_date["2026-12-03"]["uncertain"] and days[-1]["uncertain"]
    north, south = (
        json.loads(run("leek", "--weather", table(tmp_path, (3.0, 6.0, 1)), *flag, "--json").output)
        for flag in ((), ("--south",))
    )
    assert north["days"][0]["state"] > south["days"][0]["state"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("blorp",), "Nobody here knows a crop called 'blorp'"),
        (("leek", "--stage", "in flower"), "leek has no stage 'in flower'. It has: growing leaves"),
        (("cabb",), "could be"),
    ],
)
def test_what_nobody_knows_is_said_in_words(
    tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    result = run(*words, "--weather", table(tmp_path, (3.0, 6.0, 3)))

    assert result.exit_code == 2
    assert says in result.output


def test_a_table_that_is_none_is_told_line_by_line(tmp_path: Path) -> None:
    file = tmp_path / "odd.csv"
    file.write_text("date,min_c,max_c\n2026-11-01,5,2\n2026-13-01,1,2\n", "utf-8")

    result = run("leek", "--weather", str(file))

    assert result.exit_code == 2
    assert "odd.csv: line 2" in result.output and "line 3" in result.output
    assert "Nothing was worked out." in result.output
