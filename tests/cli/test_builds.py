"""Cut plans from the shell."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

import gardenapp.cli.builds
from gardenapp import cli

PIECES = "name,length_mm,count\nlong rail,1270,4\nshort rail,863.6,4\nleg,609.6,4\n"
STOCK = "name,length_mm,count,price\n8 ft,2438.4,,4.50\n"


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    pieces, stock = tmp_path / "pieces.csv", tmp_path / "stock.csv"
    pieces.write_text(PIECES)
    stock.write_text(STOCK)
    return pieces, stock


def run(*words: str) -> Result:
    return CliRunner().invoke(gardenapp.cli.builds.cutplan, list(words))


def test_the_usual_frame_is_planned_in_words(files: tuple[Path, Path]) -> None:
    result = run(*map(str, files), "--kerf", "3.2")

    assert result.exit_code == 0, result.output
    assert "Buy 6 x 8 ft: 14.63 m, 27.00 in all." in result.output
    assert "No plan buys less." in result.output
    assert "long rail, 1270 mm" in result.output


def test_json_on_standard_output_is_json_and_nothing_else(files: tuple[Path, Path]) -> None:
    # In a process of its own: the solver's banner would come from beneath Python.
    code = "from gardenapp.cli.builds import cutplan; cutplan()"

    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, files), "--kerf", "3.2", "--json"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip

    plan = json.loads(done.stdout)
    assert done.returncode == 0 and done.stderr == ""
    assert plan["is_proven"] and plan["is_complete"] and len(plan["boards"]) == 6
    assert plan["bought_mm"] == plan["bound_mm"] == pytest.approx(6 * 2438.4)
    assert sum(len(board["cuts"]) for board in plan["boards"]) == 12


def test_a_piece_longer_than_any_board_is_named_and_the_exit_code_is_one(
    files: tuple[Path, Path],
) -> None:
    files[0].write_text("name,length_mm,count\nridge,4000,1\nleg,609.6,1\n")

    result = run(*map(str, files))

    assert result.exit_code == 1
    assert "Not cut: 1 x ridge, 4000 mm. It is longer than any sound length" in result.output
    assert "leg, 609.6 mm" in result.output


def test_faults_name_file_line_and_column(files: tuple[Path, Path]) -> None:
    files[0].write_text("name,length_mm,count\nleg,long,1\n")

    result = run(*map(str, files))

    assert result.exit_code == 2
    assert "pieces.csv: line 2, length_mm: “long” is not a number" in result.output
    assert "Nothing was planned." in result.output


def test_a_saw_wider_than_a_hand_is_refused_in_words(files: tuple[Path, Path]) -> None:
    result = run(*map(str, files), "--kerf", "99")

    assert result.exit_code == 2
    assert "kerf_mm must be 0 to 20" in result.output


def test_the_command_belongs_to_the_app() -> None:
    found = cli.main.get_command(click.Context(cli.main), "cutplan")

    assert found is gardenapp.cli.builds.cutplan
