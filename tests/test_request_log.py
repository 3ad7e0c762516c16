"""The server's own log says what happened and names nobody."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator
from typing import Any

import pytest
from flask import Flask

from gardenapp.request_log import HEADER, JsonLines
from tests.factories import PASSWORD, Factory
from tests.phones import Phone


@pytest.fixture
def lines() -> Iterator[Any]:
    """Gives what was logged so far, each line parsed."""
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    before = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    yield lambda: [json.loads(line) for line in out.getvalue().splitlines()]
    root.removeHandler(handler)
    root.setLevel(before)


def test_an_answer_is_one_line_with_its_number_and_the_paths_pattern(
    app: Flask, make: Factory, lines: Any
) -> None:
    make.plot("A1")

    response = Phone(app).get("/plots/1?who=Bertil").response

    (line,) = [found for found in lines() if found["logger"] == "gardenapp.requests"]
    assert line["request"] == response.headers[HEADER]
    assert line["method"] == "GET"
    assert line["path"].startswith("/plots/<int")
    assert line["status"] == 200
    assert line["ms"] >= 0
    assert "Bertil" not in json.dumps(line)


def test_no_name_password_secret_or_address_reaches_the_log(
    app: Flask, make: Factory, lines: Any
) -> None:
    from gardenapp.services.garden import people

    bertil = make.member("Bertil Oak", password=PASSWORD)
    token = people.make_invite(member_id=bertil.id, by_id=None, now=make.now)
    phone = Phone(app, address="203.0.113.77")

    phone.get(f"/join/{token}")
    phone.post("/sign-in", {"name": "Bertil Oak", "password": "wrong password"}, status=422)
    phone.post(f"/join/{token}")
    phone.get("/me")

    whole = json.dumps(lines(), ensure_ascii=False)
    assert len(lines()) >= 4
    for secret in ("Bertil", "bertil", "wrong password", token, "203.0.113.77"):
        assert secret not in whole


def test_no_code_of_a_slip_reaches_the_log(app: Flask, make: Factory, lines: Any) -> None:
    from gardenapp.services.garden import join_slips

    seed, secret = join_slips.new_seed(), app.config["SECRET_KEY"]
    bertil = make.member("Bertil Oak")
    join_slips.make_slips(
        member_ids=[bertil.id], seed=seed, secret=secret, by_id=None, now=make.now
    )
    (slip,) = join_slips.read_slips(seed=seed, secret=secret, now=make.now)
    phone = Phone(app, address="203.0.113.77")

    phone.post("/join", {"code": "7777-7777"}, status=422)
    phone.post("/join", {"code": slip.code})
    phone.get("/join/code")
    phone.post("/join/code")

    whole = json.dumps(lines(), ensure_ascii=False)
    assert len(lines()) >= 4
    for secret_word in (slip.code, slip.code[:4], "7777", seed, slip.token, "Bertil", "203.0.113"):
        assert secret_word not in whole


def test_an_unexpected_error_says_where_and_not_what_was_typed(
    app: Flask, make: Factory, lines: Any
) -> None:
    make.garden()

    def broken() -> str:
        raise ValueError("Bertil typed this")

    broken.access_level = "public"  # type: ignore[attr-defined]
    app.view_functions["help_pages.help_page"] = broken

    page = Phone(app).get("/help", status=500)

    (line,) = [found for found in lines() if found["level"] == "error"]
    assert line["error"] == ["builtins.ValueError"]
    assert "broken" in line["where"][-1]
    assert "Bertil" not in json.dumps(lines())
    assert line["request"] == page.response.headers[HEADER]
    assert line["request"] in page.text


def test_a_line_cannot_be_forged(lines: Any) -> None:
    logging.getLogger("gardenapp").warning('one\n{"level": "info"}\x1b[31m')

    (line,) = lines()
    assert line["level"] == "warning"


def test_a_visitor_cannot_choose_the_number(app: Flask, make: Factory) -> None:
    make.garden()
    client = Phone(app).client

    response = client.get("/help", headers={HEADER: "chosen"})

    assert response.headers[HEADER] != "chosen"
    assert len(response.headers[HEADER]) == 16
