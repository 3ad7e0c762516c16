"""Claims 16 to 20 and 22 to 25: headers, redirects, uploads, sizes, numbers, repeats, errors,
settings, and the two odd nights."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from flask import Flask
from sqlalchemy import func, select, text

from gardenapp import create_app
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.services.clockwork import night_at
from tests.claims.pointing import proved_by
from tests.conftest import make_settings
from tests.factories import Factory
from tests.pages import Pages
from tests.phones import LoneClient, Phone
from tests.web.test_access_matrix import World, rules

POLICY = ("object-src 'none'", "base-uri 'none'", "frame-ancestors 'none'", "form-action 'self'")


def headers_wrong(response: Any) -> list[str]:
    """What an answer's headers lack."""
    found = []
    policy = response.headers.get("Content-Security-Policy", "")
    found += [part for part in POLICY if part not in policy]
    found += [bad for bad in ("unsafe-inline", "unsafe-eval", "*") if bad in policy]
    if response.headers.get("X-Content-Type-Options") != "nosniff":
        found.append("nosniff")
    if response.headers.get("Referrer-Policy") not in {"same-origin", "no-referrer"}:
        found.append("referrer policy")
    if not response.headers.get("X-Request-Id"):
        found.append("request id")
    if not response.headers.get("Cache-Control"):
        found.append("cache control")
    mime = response.headers.get("Content-Type", "")
    if mime.startswith("text/") and "charset" not in mime:
        found.append(f"charset of {mime}")
    return found


@pytest.mark.sqlite
def test_claim_16_every_answer_carries_the_headers(world: World) -> None:
    wrong = []
    seen = set()
    for visitor in ("anonymous, closed board", "coordinator"):
        world.open_board(visitor == "coordinator")
        client = world.client(visitor)
        for rule in rules(world.app):
            method = "GET" if "GET" in (rule.methods or set()) else "POST"
            response = client.open(world.path(rule), method=method)
            seen.add(response.status_code)
            wrong += [
                f"{method} {rule} {response.status_code}: {w}" for w in headers_wrong(response)
            ]
            if method == "GET" and visitor == "coordinator" and response.mimetype == "text/html":
                cache = response.headers["Cache-Control"]
                if "private" not in cache and "no-store" not in cache:
                    wrong.append(f"{rule}: a shared cache may keep it ({cache})")
                html = response.get_data(as_text=True)
                if re.search(r"<style|\sstyle=|\son[a-z]+=\"", html):
                    wrong.append(f"{rule}: something inline")
    for path, method in (
        ("/nowhere", "GET"),
        ("/static/garden.css", "GET"),
        ("/static/none.css", "GET"),
        ("/tonight", "DELETE"),
        ("/static/../../etc/passwd", "GET"),
        ("/sign-in", "PUT"),
    ):
        response = world.client("coordinator").open(path, method=method)
        response.get_data()
        response.close()
        seen.add(response.status_code)
        wrong += [f"{method} {path} {response.status_code}: {w}" for w in headers_wrong(response)]

    assert not wrong, "\n".join(wrong)
    assert {200, 303, 400, 404, 405} <= seen


def test_claim_16_over_https_cookies_are_for_https_and_browsers_are_told(
    app: Flask, make: Factory, tmp_path: Path
) -> None:
    member = make.coordinator()
    secure = create_app(
        make_settings(tmp_path, is_https=True, database_url=app.config["SQLALCHEMY_DATABASE_URI"]),
        overrides={"TESTING": True, "CLOCK": lambda: make.now},
    )
    from gardenapp.services.garden import people

    token = people.make_invite(member_id=member.id, by_id=None, now=make.now)
    client = LoneClient(secure, secure.response_class)
    page = client.get(f"https://localhost/join/{token}")
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page.text)
    assert found

    response = client.post(
        f"https://localhost/join/{token}",
        data={"csrf_token": found[1]},
        headers={"Referer": f"https://localhost/join/{token}"},
    )

    assert response.status_code == 303
    cookie = response.headers["Set-Cookie"]
    assert cookie.startswith("__Host-garden=")
    assert {"Secure", "HttpOnly", "SameSite=Lax", "Path=/"} <= set(cookie.split("; "))
    assert "Domain" not in cookie
    assert "max-age=31536000" in response.headers["Strict-Transport-Security"]
    with secure.app_context():
        db.session.remove()
        db.engine.dispose()


def test_claim_16_a_foreign_host_name_is_refused_with_a_page(app: Flask, make: Factory) -> None:
    make.garden()
    app.config["TRUSTED_HOSTS"] = ["garden.example"]
    client = LoneClient(app, app.response_class)

    assert client.get("/help", base_url="http://garden.example/").status_code == 200
    assert client.get("/help", base_url="http://elsewhere.example/").status_code == 400


def test_claim_17_redirects_stay_at_home() -> None:
    proved_by("tests.web.garden.test_people", "test_where_to_go_on_after_signing_in_stays_at_home")


def test_claim_18_malformed_uploads_are_answered_in_words() -> None:
    proved_by(
        "tests.system.test_uploads",
        "test_every_broken_file_is_answered_in_words_and_leaves_nothing",
        "test_a_hostile_file_name_is_only_a_name",
        "test_a_good_file_is_kept_after_all_the_broken_ones",
    )


def test_claim_19_sizes_are_bounded(app: Flask, make: Factory) -> None:
    proved_by("tests.system.test_uploads", "test_a_file_over_the_limit_is_refused_with_a_page")
    phone = Pages(app).sign_in(make.coordinator())
    token = phone._token()
    began = time.process_time()

    answers = {
        "a field": phone.client.post(
            "/plots/new",
            data={"csrf_token": token, "label": "x" * 600_000},
            content_type="multipart/form-data",
        ),
        "parts": phone.client.post(
            "/plots/new",
            data={"csrf_token": token} | {f"f{n}": "x" for n in range(1_200)},
            content_type="multipart/form-data",
        ),
        "a line": phone.client.post("/plots/new", data={"csrf_token": token, "label": "x" * 5_000}),
    }

    assert {name: r.status_code for name, r in answers.items()} == {
        "a field": 413,
        "parts": 413,
        "a line": 422,
    }
    assert time.process_time() - began < 8.0


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("0", 0.0), ("-0", 0.0), ("-5", -5.0), ("−5", -5.0), ("+3", 3.0), (" 2 ", 2.0), ("1,5", 1.5),
     ("nan", None), ("inf", None), ("1e400", None), ("1_000", None), ("16", None), ("", None),
     ("٣", None), ("1.2.3", None), ("0x10", None), ("−", None), ("9" * 20, None)],
)  # fmt: skip
def test_claim_20_a_number_is_what_was_typed(
    app: Flask, make: Factory, typed: str, kept: float | None
) -> None:
    from werkzeug.datastructures import MultiDict

    from gardenapp.web.fields import GardenForm, NumberField

    class Form(GardenForm):
        number = NumberField("Number", minimum=-15, maximum=15)

    make.garden()
    with app.test_request_context("/help", method="POST"):
        form = Form(formdata=MultiDict({"number": typed}), meta={"csrf": False})
        good = form.validate()

        assert good == (kept is not None), form.errors
        if kept is not None:
            assert form.number.data == kept
            assert str(form.number.data) != "-0.0"
        else:
            assert form.number.errors[0]


@pytest.mark.sqlite
def test_claim_20_a_number_of_twenty_digits_is_not_found() -> None:
    proved_by(
        "tests.web.test_access_matrix", "test_an_impossible_number_in_an_address_is_not_found"
    )


def test_claim_22_doing_it_twice_does_it_once() -> None:
    proved_by("tests.web.garden.test_plots", "test_pressing_twice_makes_one_planting")
    proved_by("tests.web.night.test_board", "test_a_mark_sent_twice_by_a_phone_counts_once")
    proved_by(
        "tests.services.store.test_at_once",
        "test_the_same_press_from_twenty_connections_is_done_once",
    )


@pytest.mark.parametrize(
    ("path", "typed", "model"),
    [
        ("/plots/new", {"label": "Twice"}, Plot),
        ("/members/new", {"name": "Twice Over"}, Member),
    ],
    ids=["plot", "member"],
)
def test_claim_22_what_has_a_name_of_its_own_is_there_once(
    app: Flask, make: Factory, path: str, typed: dict[str, str], model: Any
) -> None:
    phone = Phone(app).sign_in(make.coordinator())
    values = phone.get(path).values() | typed
    before = db.session.scalar(select(func.count()).select_from(model)) or 0

    phone.post(path, values)
    phone.post(path, values, status=422)

    db.session.rollback()
    assert db.session.scalar(select(func.count()).select_from(model)) == before + 1


@pytest.mark.parametrize("error", [RuntimeError, KeyError, MemoryError, RecursionError])
def test_claim_23_an_unexpected_error_is_kind_and_silent(
    app: Flask, make: Factory, error: type[Exception]
) -> None:
    make.garden()

    def broken() -> str:
        raise error("SELECT secret FROM /work/place WHERE name = 'Bertil'")

    broken.access_level = "public"  # type: ignore[attr-defined]
    app.view_functions["help_pages.help_page"] = broken

    page = Phone(app).get("/help", status=500)

    assert page.heading == "Something went wrong"
    for word in ("SELECT", "Bertil", "Traceback", error.__name__, "/work"):
        assert word not in page.html


def test_claim_23_a_missing_table_and_a_missing_database_still_give_an_answer(
    app: Flask, make: Factory
) -> None:
    make.garden()
    db.session.remove()
    with db.engine.begin() as connection:
        connection.execute(text("ALTER TABLE garden RENAME TO away"))
    try:
        response = LoneClient(app, app.response_class).get("/tonight")

        assert response.status_code in {500, 503}
        assert "<h1>" in response.text
        assert "garden" not in response.text.lower().replace("the coordinator", "")
        assert not headers_wrong(response)
        health = LoneClient(app, app.response_class).get("/healthz")
        assert (health.status_code, health.json) == (
            503,
            {
                "status": "failing",
                "database": "unavailable",
                "reasons": ["the database does not answer"],
            },
        )
    finally:
        with db.engine.begin() as connection:
            connection.execute(text("ALTER TABLE away RENAME TO garden"))
    well = LoneClient(app, app.response_class).get("/healthz")
    assert (well.status_code, well.json) == (200, {"status": "ok", "database": "ok", "reasons": []})


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("GARDEN_SECRET_KEY", "short"),
        ("GARDEN_SECRET_KEY", "a" * 40),
        ("GARDEN_SECRET_KEY", "changemechangemechangemechangeme"),
        ("GARDEN_HTTPS", "perhaps"),
        ("GARDEN_PROXY_HOPS", "99"),
        ("GARDEN_BACKUP_DAYS", "-1"),
        ("GARDEN_DEBUG", "1"),
        ("GARDEN_SECRETKEY", "x" * 50),
    ],
)
def test_claim_24_an_unsafe_setting_refuses_to_start(tmp_path: Path, name: str, value: str) -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from gardenapp.cli import main; main()", "serve", "--port", "1"],
        env={"PATH": os.environ["PATH"], "GARDEN_INSTANCE": str(tmp_path), name: value},
        capture_output=True,
        text=True,
        timeout=60,
    )

    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    assert name.split("_")[1].lower() in done.stderr.lower()


def test_claim_24_no_account_is_there_by_default_and_the_key_is_the_owners(
    tmp_path: Path, app: Flask
) -> None:
    from gardenapp.config import read_settings

    first = read_settings({"GARDEN_INSTANCE": str(tmp_path / "new")})
    again = read_settings({"GARDEN_INSTANCE": str(tmp_path / "new")})

    assert first.secret_key == again.secret_key
    assert (tmp_path / "new" / "secret_key").stat().st_mode & 0o777 == 0o600
    with app.app_context():
        assert db.session.scalar(select(func.count()).select_from(Member)) == 0
    assert app.debug is False


@pytest.mark.parametrize(
    ("zone", "evening", "hours"),
    [
        ("Europe/London", date(2026, 3, 28), 11),
        ("Europe/London", date(2026, 10, 24), 13),
        ("America/New_York", date(2026, 3, 7), 11),
        ("America/New_York", date(2026, 10, 31), 13),
        ("Asia/Tokyo", date(2026, 3, 28), 12),
    ],
)
def test_claim_25_the_night_of_a_clock_change_is_as_long_as_it_is(
    zone: str, evening: date, hours: int
) -> None:
    place = ZoneInfo(zone)
    dusk = datetime.combine(evening, datetime.min.time(), place) + timedelta(hours=20)
    dawn = datetime.combine(evening + timedelta(days=1), datetime.min.time(), place) + timedelta(
        hours=8
    )

    assert dawn.astimezone(UTC) - dusk.astimezone(UTC) == timedelta(hours=hours)
    for minutes in range(0, hours * 60, 10):
        assert night_at(dusk.astimezone(UTC) + timedelta(minutes=minutes), place) == evening
    half_past_midnight = datetime.combine(
        evening + timedelta(days=1), datetime.min.time(), place
    ) + timedelta(minutes=30)
    assert night_at(half_past_midnight.astimezone(UTC), place) == evening


def test_claim_25_no_test_depends_on_todays_date() -> None:
    """Services are told the time; only the edges may ask for it."""
    allowed = {"clock.py", "request_log.py", "config.py"}
    asking = []
    for path in Path(create_app.__code__.co_filename).parent.rglob("*.py"):
        if path.name in allowed or path.parent.name == "cli":
            continue
        source = path.read_text("utf-8")
        if re.search(r"\b(datetime\.now|datetime\.utcnow|date\.today|time\.time)\(", source):
            asking.append(path.name)

    assert asking == []
