"""The door for loggers, and the coordinator's pages about them."""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.trials import Logger, Reading
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.trials import readings
from gardenapp.services.trials.readings import LoggerEntry
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import Pages

Send = Callable[..., Any]
AT = "2026-11-24T14:40:00Z"


def reading(**changes: object) -> dict[str, object]:
    return {"id": "r1", "at": AT, "temp_c": -0.4, "humidity_percent": 93} | changes


@pytest.fixture
def boss(make: Factory, pages: Pages) -> Member:
    member = make.coordinator()
    pages.sign_in(member)
    return member


@pytest.fixture
def token(make: Factory, boss: Member) -> str:
    plot = make.plot("North 3")
    make.planting(plot, name="runner beans")
    entry = LoggerEntry("post 1", plot.id, None, "outside", 0.0, None, None)
    return readings.create_logger(entry=entry, member=boss, now=NOW)[1]


@pytest.fixture
def send(pages: Pages, token: str) -> Send:
    """Sends a body as a logger would, with its token unless another is given."""
    visitor = Pages(pages.app)

    def call(body: Any, *, key: str | None = token, raw: bool = False) -> Any:
        headers = {"Content-Type": "application/json"}
        if key is not None:
            headers["Authorization"] = f"Bearer {key}"
        data = body if raw else json.dumps(body)
        return visitor._ask("post", "/readings", data=data, headers=headers)

    return call


def dump(*, without_count: bool = False) -> list[str]:
    """Every row, but for the count of calls where asked: that one is what a limit is."""
    db.session.rollback()
    rows = []
    for table in db.metadata.sorted_tables:
        for row in db.session.execute(select(table)).mappings():
            values = dict(row)
            if without_count and table.name == "logger":
                values |= {"window_at": None, "window_calls": 0}
            rows.append(f"{table.name}: {values}")
    db.session.rollback()
    return sorted(rows)


def test_a_reading_is_taken_and_shown_on_the_board(make: Factory, pages: Pages, send: Send) -> None:
    evening = NOW.date()
    make.cover(make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0))
    forecasts.enter_by_hand(night_of=evening, low_c=-2.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=evening, member_id=None, now=NOW)
    plot = "/plots/1"
    before = pages.get(plot).text

    response = send(reading())

    assert (response.status_code, response.json) == (201, {"new": 1, "already": 0})
    assert "Logger outside" not in before
    assert "Logger outside: −0.4 °C at 14:40" in pages.get(plot).text
    page = pages.get("/tonight").text
    assert "Plot North 3: −0.4 °C at 14:40, below 0.0 °C (post 1)" in page
    stranger = Pages(pages.app).get("/tonight").text
    assert "post 1" not in stranger


def test_a_reading_costs_no_more_while_the_night_follows_it(
    make: Factory, pages: Pages, send: Send, clock: list[datetime]
) -> None:
    """At most half as much again as a bare one: what follows from it is the timetable's work."""
    evening = NOW.date()
    make.cover(make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0))
    dark = datetime(2026, 11, 24, 18, 0, tzinfo=NOW.tzinfo)

    def cost_s(first: int) -> float:
        spent = []
        for number in range(first, first + 15):
            at = dark + timedelta(minutes=number)
            clock[0] = at + timedelta(seconds=30)
            began = time.process_time()
            answer = send(reading(id=f"n{number}", at=at.isoformat(), temp_c=-0.01 * number))
            spent.append(time.process_time() - began)
            assert answer.status_code == 201
        return statistics.median(spent)

    cost_s(0)  # warm
    bare_s = cost_s(20)
    forecasts.enter_by_hand(night_of=evening, low_c=-2.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=evening, member_id=None, now=NOW)
    db.session.scalars(select(Logger)).one().place = "screen"
    db.session.commit()
    pages.get("/tonight")
    followed_s = cost_s(40)

    print(f"bare {bare_s * 1000:.1f} ms, followed {followed_s * 1000:.1f} ms")
    assert followed_s <= 1.5 * bare_s


def test_a_replayed_reading_changes_nothing(send: Send) -> None:
    send(reading())
    before = dump(without_count=True)

    response = send(reading())

    assert (response.status_code, response.json) == (200, {"new": 0, "already": 1})
    assert dump(without_count=True) == before


@pytest.mark.parametrize("key", ["wrong", "", None, "\u00e9", "x" * 10_000])
def test_a_wrong_token_changes_nothing(send: Send, key: str | None) -> None:
    before = dump()

    response = send(reading(), key=key)

    assert response.status_code == 401
    assert response.headers["WWW-Authenticate"] == "Bearer"
    assert "error" in response.json
    assert dump() == before


def test_other_figures_under_the_same_id_are_a_conflict(send: Send) -> None:
    send(reading())

    response = send(reading(temp_c=4.0))

    assert response.status_code == 409
    assert "other figures" in response.json["error"]


def test_a_list_is_kept_whole_or_not_at_all(send: Send) -> None:
    rows = [reading(id=str(n), at=f"2026-11-24T14:{n:02d}:00Z") for n in range(3)]

    refused = send([*rows, reading(id="x", temp_c="warm")])
    kept = send(rows)

    assert (refused.status_code, refused.json["where"]) == (422, "[3].temp_c")
    assert (kept.status_code, kept.json["new"]) == (201, 3)


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 422),
        (b"not json", 422),
        (b"\xff\xfe\x00", 422),
        (b"[" * 50_000, 422),
        (b'{"id":"a","at":"2026-11-24T14:40:00Z","temp_c":NaN}', 422),
        (b'{"id":"\\ud800","at":"2026-11-24T14:40:00Z","temp_c":1}', 422),
        (b'{"id":"a","at":"2099-01-01T00:00:00Z","temp_c":1}', 422),
        (b'{"id":"a","at":"2020-01-01T00:00:00Z","temp_c":1}', 422),
        (b" " * 300_000, 413),
    ],
    ids=["empty", "text", "bytes", "deep", "nan", "surrogate", "ahead", "old", "long"],
)
def test_what_cannot_be_taken_is_refused_in_json(send: Send, body: bytes, status: int) -> None:
    response = send(body, raw=True)

    assert response.status_code == status
    assert response.json["error"]
    assert db.session.scalars(select(Reading)).all() == []


def test_too_many_calls_are_told_how_long_to_wait(send: Send, clock: list[datetime]) -> None:
    statuses = [send(b"", raw=True).status_code for _ in range(readings.CALLS_PER_MINUTE)]

    refused = send(reading())
    clock[0] = NOW + timedelta(seconds=61)

    assert set(statuses) == {422}
    assert refused.status_code == 429
    assert refused.headers["Retry-After"] == "60"
    assert send(reading()).status_code == 201


def test_a_forged_form_cannot_send_for_somebody_signed_in(pages: Pages, token: str) -> None:
    response = pages._ask("post", "/readings", data={"id": "a", "temp_c": "1"})

    assert response.status_code == 401


def test_the_token_is_shown_once(make: Factory, pages: Pages, boss: Member) -> None:
    plot = make.plot("N3")
    form = {"label": "shed", "plot_id": str(plot.id), "kind": "outside", "margin": "1"}

    first = pages.follow(pages.post("/loggers/new", form))
    second = pages.get("/loggers")

    (code,) = [e for e in first.all("p") if e.get("class") == "copy"]
    assert len("".join(code.itertext())) >= 40
    assert not [e for e in second.all("p") if e.get("class") == "copy"]
    assert readings.count_call(token="".join(code.itertext()), now=NOW)


def test_an_error_keeps_what_was_typed(make: Factory, pages: Pages, boss: Member) -> None:
    plot = make.plot("N3")
    form = {
        "label": "shed",
        "plot_id": str(plot.id),
        "kind": "inside",
        "place": "plant_shaded",
        "margin": "",
        "alert_below": "9",
        "alert_above": "3",
    }

    page = pages.post("/loggers/new", form, status=422)

    assert "warmer than the limit below" in page.text
    assert {**page.values(), "csrf_token": ""} == {**form, "cover_id": "", "csrf_token": ""}


def test_a_margin_in_fahrenheit_has_no_thirty_two_in_it(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator(temperature_unit="F"))
    plot = make.plot("N3")

    pages.post(
        "/loggers/new",
        {"label": "x", "plot_id": str(plot.id), "kind": "outside", "margin": "1.8"},
    )

    assert db.session.scalars(select(Logger.margin_k)).all() == [pytest.approx(1.0)]


def test_loggers_are_changed_and_ended(pages: Pages, token: str, send: Send) -> None:
    logger_id = db.session.scalars(select(Logger.id)).one()
    path = f"/loggers/{logger_id}"
    values = pages.get(path).values() | {"label": "gate post"}

    changed = pages.follow(pages.post(path, values))
    ended = pages.follow(pages.post(f"{path}/revoke"))

    assert "gate post" in changed.text
    assert "token ended" in ended.text
    assert send(reading()).status_code == 401


@pytest.mark.parametrize(
    "changes",
    [
        {"label": "x" * 500},
        {"label": "\x00"},
        {"plot_id": "9" * 20},
        {"plot_id": "nan"},
        {"cover_id": "-1"},
        {"kind": "sideways"},
        {"margin": "nan"},
        {"alert_below": "1e999"},
    ],
    ids=lambda changes: ascii(next(iter(changes.items())))[:26],
)
def test_hostile_input_never_breaks_the_form(
    make: Factory, pages: Pages, boss: Member, changes: dict[str, str]
) -> None:
    plot = make.plot("N3")
    form = {"label": "shed", "plot_id": str(plot.id), "kind": "outside"} | changes
    form["csrf_token"] = pages._token()

    response = pages._ask("post", "/loggers/new", data=form)

    assert response.status_code == 422
    assert "There is a problem" in response.text


def test_a_logger_may_be_called_by_a_picture(make: Factory, pages: Pages, boss: Member) -> None:
    plot = make.plot("N3")
    form = {"label": "\U0001f9ca", "plot_id": str(plot.id), "kind": "outside"}

    pages.post("/loggers/new", form)

    assert "\U0001f9ca" in pages.get("/loggers").text


def test_without_a_logger_the_page_says_the_next_step(pages: Pages, boss: Member) -> None:
    assert "Add one, put its token into the device" in pages.get("/loggers").text


def test_the_help_page_and_the_document_say_the_same(make: Factory, pages: Pages) -> None:
    make.garden()
    document = pages.get("/openapi.json").response.json
    text = pages.get("/readings/help").text

    assert document is not None
    assert document["openapi"].startswith("3.1")
    post = document["paths"]["/readings"]["post"]
    for status in post["responses"]:
        assert status in text
    schema = document["components"]["schemas"]["Reading"]
    assert all(name in text for name in schema["properties"])
    assert schema["required"] == ["id", "at", "temp_c"]


def test_every_status_of_the_document_is_one_the_door_gives(pages: Pages, make: Factory) -> None:
    make.garden()
    document = pages.get("/openapi.json").response.json

    assert document is not None
    assert set(document["paths"]["/readings"]["post"]["responses"]) == {
        "200", "201", "401", "409", "413", "422", "429",
    }  # fmt: skip
