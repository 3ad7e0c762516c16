"""From an empty folder to a board that is of use: counted in clicks and typed fields.

Somebody starts the server on a computer of theirs, opens the page, and has a list of the garden in
a spreadsheet. Nobody shows them anything. Printed: what it took.
"""

from __future__ import annotations

import json
import random
import re
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import func, select
from werkzeug.serving import make_server
from werkzeug.wrappers import Request, Response

from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Job
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.services.garden import settings as gardens
from gardenapp.services.night.weather_services import WeatherService
from tests.conftest import NOW
from tests.factories import PASSWORD
from tests.pdf_text import pages_of, text_of
from tests.readers.test_open_model import document
from tests.system.conftest import PHONE, press

pytestmark = pytest.mark.browser
MOST_CLICKS, MOST_FIELDS = 25, 12
CROPS = ("lettuce", "kale", "broad bean", "courgette", "spinach", "Swiss chard", "parsley", "leek")
PEOPLE = (
    "Amal Whitby", "Bruno Castell", "Cecily Marsh", "Dov Lindqvist", "Elif Thorn", "Fergus Vale",
    "Greta Holm", "Hugo Pell", "Ione Sark", "Jonas Wick", "Keziah Brandt", "Luz Ferrer",
)  # fmt: skip


def table(seed: int = 5) -> str:
    """A volunteer's list: 30 plots of 12 people with 150 plantings, then 80 covers."""
    chance = random.Random(seed)
    lines = ["Plot\tSize\tHolder\tCrop\tHow many"]
    plots = [f"{row}{number}" for row in "ABC" for number in range(1, 11)]
    for number, plot in enumerate(plots):
        for crop in chance.sample(CROPS, 5):
            who = PEOPLE[number % len(PEOPLE)]
            lines.append(f"{plot}\t6 x 3 m\t{who}\t{crop}\t{chance.randrange(4, 20)}")
    lines += ["", "Kind of cover\tHow many\tKept in"]
    lines += [
        "thin fleece\t30\tLong shed",
        "thick fleece\t10\tLong shed",
        "totes\t25\tTea hut",
        "bottles\t15\tTea hut",
    ]
    return "\n".join(lines)


@dataclass
class Hand:
    """A person at a page: every click and every field they type into is counted."""

    page: Any
    clicks: int = 0
    fields: int = 0
    did: list[str] = field(default_factory=list)

    def press(self, name: str) -> None:
        """Press the button or link that says so."""
        what = self.page.locator("main").get_by_role("button", name=name, exact=True)
        if not what.count():
            what = self.page.locator("main").get_by_role("link", name=name, exact=True)
        self.did.append(name)
        self.clicks += 1
        press(what.first)

    def type(self, name: str, text: str) -> None:
        """Type into the field of a form."""
        self.fields += 1
        self.page.fill(f"[name={name}]", text)


@pytest.fixture
def weather() -> Iterator[str]:
    """A weather service of our own on this computer: a frost of -3.4 °C tonight."""
    content = document(48, timezone="GMT", utc_offset_seconds=0)
    first = NOW.replace(hour=18, minute=0, second=0, microsecond=0)
    content["hourly"]["time"] = [f"{first + timedelta(hours=n):%Y-%m-%dT%H:%M}" for n in range(48)]

    @Request.application
    def answer(_request: Request) -> Response:
        return Response(json.dumps(content), mimetype="application/json")

    house = make_server("127.0.0.1", 0, answer)
    thread = threading.Thread(target=house.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{house.server_port}/"
    house.shutdown()
    thread.join(10)


def test_from_an_empty_folder_to_a_useful_board(
    app: Flask, open_page: Callable[..., Any], weather: str, tmp_path: Path
) -> None:
    code = gardens.make_setup_code(Path(app.instance_path))
    app.config["FETCH_ALLOWED_HOSTS"] = frozenset({"127.0.0.1"})
    app.config["WEATHER_SERVICES"] = (
        WeatherService("ours", "A service of ours", weather, "Invented.", "No terms."),
    )
    page = open_page()
    hand = Hand(page)

    page.goto("/")
    hand.type("name", "Lantern Lane Plots")
    hand.type("place", "Leeds")
    hand.press("Next")
    hand.type("coordinator", "Odile Tamworth")
    hand.type("password", PASSWORD)
    hand.type("code", code)
    hand.press("Set up the garden")

    hand.press("Paste your table")
    hand.type("pasted", table())
    hand.press("Look at it")
    assert "30 plots, 150 plantings, 12 members, 80 covers, 2 places" in page.inner_text("main")
    hand.press("Save all of it")

    hand.press("Choose a service")
    hand.type("contact", "odile@lantern-lane.example")
    hand.press("Use it and fetch: A service of ours")
    board = page.inner_text("main").replace("\u202f", " ")
    assert page.url.endswith("/tonight")
    assert "−3.4 °C" in board
    with app.app_context():
        made = {
            table.__tablename__: db.session.scalar(select(func.count()).select_from(table))
            for table in (Plot, Planting, Cover, Member, Job)
        }
    jobs = made.pop("job") or 0
    assert made == {"plot": 30, "planting": 150, "cover": 80, "member": 13}
    assert jobs > 10
    assert f"{jobs} jobs" in board or re.search(r"\d+ jobs tonight", board)

    hand.press("Print join slips")
    hand.press("Make slips to print")
    page.emulate_media(media="print")
    paper = tmp_path / "slips.pdf"
    page.pdf(path=str(paper), format="A4")
    page.emulate_media(media="screen")
    slips = "\n".join(text_of(sheet) for sheet in pages_of(paper.read_bytes()))
    for name in PEOPLE:
        assert slips.count(name) == 1, name
    print(
        f"\nfrom nothing to a board of {jobs} jobs and 12 slips: {hand.clicks} clicks, "
        f"{hand.fields} typed fields: {', '.join(hand.did)}"
    )
    assert hand.clicks <= MOST_CLICKS
    assert hand.fields <= MOST_FIELDS

    # On a second phone the code of a slip joins in two taps.
    second = open_page(**PHONE)
    codes = re.findall(r"\b[2-9A-Z]{4}-[2-9A-Z]{4}\b", slips)
    assert len(set(codes)) == len(PEOPLE)
    second.goto("/join")
    second.fill("[name=code]", codes[0].lower().replace("-", " "))
    for _tap in range(2):
        press(second.locator("main form button").first)
    assert re.fullmatch(r"Plot [ABC]\d+", second.inner_text("h1"))
