"""The three folders are found beside the package and inside it; data lies in neither."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import get_args

import pytest

from gardenapp import create_app
from gardenapp.config import read_settings
from gardenapp.folders import PACKAGE, Shipped, shipped, usual_instance

NAMES = get_args(Shipped)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("is_installed", [True, False], ids=["wheel", "checkout"])
def test_a_shipped_folder_is_found(tmp_path: Path, name: Shipped, is_installed: bool) -> None:
    package = tmp_path / "gardenapp"
    wanted = (package if is_installed else tmp_path) / name
    wanted.mkdir(parents=True)

    assert shipped(name, package=package) == wanted


def test_in_an_install_a_stranger_s_folder_of_that_name_beside_it_is_not_ours(
    tmp_path: Path,
) -> None:
    (tmp_path / "templates").mkdir()
    (tmp_path / "gardenapp" / "templates").mkdir(parents=True)

    found = shipped("templates", package=tmp_path / "gardenapp")

    assert found == tmp_path / "gardenapp" / "templates"


@pytest.mark.parametrize("name", NAMES)
def test_this_very_package_has_them(name: Shipped) -> None:
    assert any(shipped(name).iterdir())


def test_without_a_setting_the_garden_is_kept_in_the_working_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)

    app = create_app(read_settings({}))

    assert usual_instance() == tmp_path / "instance"
    assert Path(app.instance_path) == tmp_path / "instance"
    assert (tmp_path / "instance").stat().st_mode & 0o777 == 0o700
    assert not (PACKAGE / "instance").exists()


def test_the_version_stands_in_one_place() -> None:
    project = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))

    assert project["project"]["dynamic"] == ["version"]
    assert "version" not in project["project"]
    told = project["tool"]["setuptools"]["dynamic"]["version"]
    assert told == {"attr": "gardenapp.version.__version__"}
