"""How heavy the board's first view is for a garden of 150 plantings, as it goes over the air."""

from __future__ import annotations

import gzip
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from flask import Flask
from sqlalchemy import select

import seed_demo
from gardenapp import create_app
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden import passwords
from tests.conftest import make_settings
from tests.phones import LoneClient

NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
MOST_AT_ONCE = 14_000  # HTML and style sheet: ten packets of some 1,460 bytes
MOST_IN_ALL = 60_000
MOST_SHEET = 12_000
MOST_SCRIPT = 15_000
WHO = ("anonymous", "member", "coordinator")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    """The demo garden: 30 plots, 150 plantings, 80 covers and a planned cold night."""
    patch = pytest.MonkeyPatch()
    patch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=64))
    app = create_app(
        make_settings(tmp_path_factory.mktemp("weight")), overrides={"CLOCK": lambda: NOW}
    )
    with app.app_context():
        seed_demo.seed(low_c=seed_demo.USUAL_LOW_C, now=NOW, with_past=False)
        db.session.remove()
    yield app
    with app.app_context():
        db.session.remove()
        db.engine.dispose()
    patch.undo()


def phone(app: Flask, who: str) -> LoneClient:
    client = LoneClient(app, app.response_class)
    if who != "anonymous":
        with app.app_context():
            member = db.session.scalars(select(Member).where(Member.role == who)).first()
            assert member is not None
            with client.session_transaction() as session:
                session["_user_id"] = f"{member.id}:{member.session_epoch}"
    return client


def sent(client: LoneClient, path: str) -> tuple[int, str]:
    """The bytes that go over the air for `path`, and the text they stand for."""
    answer = client.get(path, headers={"Accept-Encoding": "gzip"})
    data = answer.get_data()
    answer.close()
    assert answer.status_code == 200, path
    is_compressed = answer.headers.get("Content-Encoding") == "gzip"
    return len(data), (gzip.decompress(data) if is_compressed else data).decode()


def files_of(html: str) -> list[str]:
    """Everything a browser asks for by itself because the page names it."""
    found = re.findall(r'<(?:script|img|source|iframe)[^>]*\ssrc="([^"]+)"', html)
    links = re.findall(r"<link[^>]*>", html)
    return found + [href[1] for link in links if (href := re.search(r'href="([^"]+)"', link))]


@pytest.mark.parametrize("who", WHO)
def test_board_and_sheet_arrive_before_a_new_connection_has_to_wait(demo: Flask, who: str) -> None:
    client = phone(demo, who)

    board, html = sent(client, "/tonight?view=all")
    sheet = sum(sent(client, path)[0] for path in files_of(html) if ".css" in path)

    assert html.count('class="job') >= 20  # a board with something on it
    assert sheet > 0
    assert board + sheet <= MOST_AT_ONCE


@pytest.mark.parametrize("who", WHO)
def test_the_whole_first_view_is_light_and_all_of_it_from_here(demo: Flask, who: str) -> None:
    client = phone(demo, who)

    total, html = sent(client, "/tonight")
    files = files_of(html)

    assert [path for path in files if not path.startswith("/")] == []
    assert [path for path in files if path.startswith("//")] == []
    assert total + sum(sent(client, path)[0] for path in files) <= MOST_IN_ALL


def test_every_planting_shown_the_board_is_still_one_first_view(demo: Flask) -> None:
    client = phone(demo, "member")

    board, html = sent(client, "/tonight?show=all")
    sheet = sum(sent(client, path)[0] for path in files_of(html) if ".css" in path)

    assert board + sheet <= MOST_AT_ONCE


def test_sheet_and_scripts_stay_small_as_they_are_written(demo: Flask) -> None:
    static = Path(demo.static_folder or "")

    scripts = [static / name for name in ("board.js", "install.js")]

    assert (static / "garden.css").stat().st_size <= MOST_SHEET
    assert sum(script.stat().st_size for script in scripts) <= MOST_SCRIPT


def test_the_sheet_loads_no_font_and_no_picture(demo: Flask) -> None:
    for sheet in Path(demo.static_folder or "").glob("*.css"):
        text = sheet.read_text("utf-8")

        assert "url(" not in text, sheet.name
        assert "@import" not in text, sheet.name
        assert "@font-face" not in text, sheet.name
