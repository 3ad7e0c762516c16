"""Compiled templates outlive the process, in a folder that is the owner's alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import jinja2
import pytest
from flask import Flask
from jinja2 import nodes
from jinja2.filters import FILTERS

from gardenapp import create_app
from gardenapp.config import Settings
from gardenapp.extensions import db
from gardenapp.web.formats import SPACE
from gardenapp.web.template_cache import BOARD, PREFIX, KeptTemplates, compile_board
from tests.factories import Factory
from tests.phones import Phone


@pytest.fixture
def compiled(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of templates as they are compiled."""
    found: list[str] = []
    inner = jinja2.Environment.compile

    def counted(self: jinja2.Environment, source: Any, name: Any = None, *more: Any) -> Any:
        found.append(str(name))
        return inner(self, source, name, *more)

    monkeypatch.setattr(jinja2.Environment, "compile", counted)
    return found


def started(settings: Settings, **overrides: object) -> Flask:
    """The app as a new process has it."""
    return create_app(settings, overrides={"TESTING": True, **overrides})


def help_page(app: Flask) -> str:
    page = Phone(app).get("/help").html
    with app.app_context():
        db.session.remove()
        db.engine.dispose()
    return page


def test_after_a_second_start_nothing_is_compiled_again(
    settings: Settings, compiled: list[str]
) -> None:
    first = help_page(started(settings))
    assert {"help_pages/help.html", "components/page.html"} <= set(compiled)
    compiled.clear()

    second = help_page(started(settings))

    assert compiled == []
    assert first == second


def test_the_folder_and_what_is_in_it_are_the_owner_s_alone(settings: Settings) -> None:
    help_page(started(settings))

    folder = settings.instance / "cache"
    assert folder.stat().st_mode & 0o777 == 0o700
    kept = list(folder.iterdir())
    assert kept
    assert [path.name for path in kept if path.stat().st_mode & 0o077] == []


def test_damaged_files_are_made_anew(settings: Settings, compiled: list[str]) -> None:
    page = help_page(started(settings))
    folder = settings.instance / "cache"
    for number, path in enumerate(sorted(folder.iterdir())):
        whole = path.read_bytes()
        path.write_bytes([b"", whole[: len(whole) // 2], whole[:20] + b"\xff" * 60][number % 3])
    compiled.clear()

    assert help_page(started(settings)) == page
    assert compiled != []
    compiled.clear()
    help_page(started(settings))
    assert compiled == []


def test_what_another_version_left_is_thrown_away(settings: Settings) -> None:
    folder = settings.instance / "cache"
    folder.mkdir(mode=0o700)
    (folder / "0.0.9-3.0-abc.cache").write_bytes(b"old")
    (folder / f"{PREFIX}abc.cache").write_bytes(b"ours")

    started(settings)

    assert [path.name for path in folder.iterdir()] == [f"{PREFIX}abc.cache"]


@pytest.mark.parametrize("mode", [0o770, 0o777, 0o702], ids=oct)
def test_a_folder_that_others_can_write_to_is_not_used(settings: Settings, mode: int) -> None:
    folder = settings.instance / "cache"
    folder.mkdir()
    folder.chmod(mode)

    app = started(settings)

    assert app.jinja_env.bytecode_cache is None
    assert "Help" in help_page(app)
    assert list(folder.iterdir()) == []


def test_a_link_in_the_place_of_the_folder_is_not_followed(
    settings: Settings, tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir(mode=0o700)
    (settings.instance / "cache").symlink_to(elsewhere)

    assert started(settings).jinja_env.bytecode_cache is None


def test_without_a_folder_the_pages_are_there_all_the_same(settings: Settings) -> None:
    (settings.instance / "cache").write_text("in the way")

    assert "Help" in help_page(started(settings))


def test_a_full_disk_costs_no_page(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_words: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("jinja2.bccache.tempfile.NamedTemporaryFile", full)

    assert "Help" in help_page(started(settings))


def test_a_template_that_changed_is_compiled_anew(tmp_path: Path) -> None:
    texts = {"page": "before"}

    def env() -> jinja2.Environment:
        return jinja2.Environment(  # noqa: S701  (nothing of a reader's in it)
            loader=jinja2.DictLoader(texts), bytecode_cache=KeptTemplates(tmp_path)
        )

    assert env().get_template("page").render() == "before"
    texts["page"] = "after"
    assert env().get_template("page").render() == "after"


@pytest.mark.parametrize(
    ("text", "celsius", "fahrenheit"),
    [
        ("{{ 2|temperature(digits=0) }}", "2 °C", "36 °F"),
        ("{{ 2|difference }}", "2.0 °C", "3.6 °F"),
    ],
)
def test_a_constant_is_written_in_the_units_of_each_reader_and_not_of_the_first(
    settings: Settings, make: Factory, text: str, celsius: str, fahrenheit: str
) -> None:
    garden = make.garden()
    app = started(settings)
    app.jinja_loader = None
    app.jinja_env.loader = jinja2.DictLoader({"page": text})
    seen = []
    for unit in ("C", "F", "C"):
        garden.temperature_unit = unit
        db.session.commit()
        with app.test_request_context():
            seen.append(app.jinja_env.get_template("page").render().replace(SPACE, " "))

    assert seen == [celsius, fahrenheit, celsius]


def test_every_filter_of_ours_waits_for_a_reader(settings: Settings) -> None:
    env = started(settings).jinja_env
    ours = set(env.filters) - set(FILTERS)

    assert {"temperature", "said", "source_name"} <= ours
    for name in ours:
        # What the compiler works out ahead it writes as text; what waits it writes as a call.
        filtered = env.parse(f"{{{{ 'x'|{name} }}}}").find(nodes.Filter)
        assert filtered is not None
        with pytest.raises(nodes.Impossible):
            filtered.as_const(nodes.EvalContext(env))


def test_the_board_is_compiled_before_anybody_asks(
    settings: Settings, make: Factory, compiled: list[str]
) -> None:
    make.garden()
    app = started(settings)
    compile_board(app)
    assert set(compiled) == set(BOARD)
    compiled.clear()

    Phone(app).get("/tonight")

    assert compiled == []
