"""What is kept for no signal: the worker, its switch, and the manifest."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime

import pytest
from flask import Flask

from gardenapp import create_app
from gardenapp.config import Settings
from gardenapp.extensions import db
from tests.factories import Factory
from tests.pages import Pages


def over_https(settings: Settings, clock: list[datetime], **changes: object) -> Flask:
    return create_app(
        replace(settings, is_https=True, **changes),  # type: ignore[arg-type]
        overrides={"TESTING": True, "CLOCK": lambda: clock[0]},
    )


def close(app: Flask) -> None:
    with app.app_context():
        db.session.remove()
        db.engine.dispose()


def test_over_plain_http_the_worker_takes_itself_away(make: Factory, pages: Pages) -> None:
    make.garden()

    answer = pages.get("/sw.js").response

    assert "unregister()" in answer.text
    assert answer.mimetype == "text/javascript"
    assert answer.headers["Cache-Control"] == "no-cache"
    assert "install.js" not in pages.get("/tonight").html


def test_over_https_the_worker_and_the_manifest_are_offered(
    make: Factory, settings: Settings, clock: list[datetime]
) -> None:
    make.garden()
    app = over_https(settings, clock)
    pages = Pages(app)

    page = pages.client.get("/tonight", base_url="https://localhost").text
    worker = pages.client.get("/sw.js", base_url="https://localhost").text
    manifest = json.loads(pages.client.get("/manifest.webmanifest").text)

    assert "install.js" in page
    assert 'rel="manifest"' in page
    first = json.loads(worker.partition("const KEEP = ")[2].partition(";\n")[0])
    assert first["pages"] == ["/tonight", "/ahead"]
    assert all(pages.client.get(address).status_code == 200 for address in first["files"])
    assert pages.client.get(manifest["icons"][0]["src"]).status_code == 200
    assert manifest["name"] == "Lantern Lane Plots"
    assert manifest["start_url"] == "/tonight"
    close(app)


def test_the_switch_brings_the_worker_that_removes_itself(
    make: Factory, settings: Settings, clock: list[datetime]
) -> None:
    make.garden()
    app = over_https(settings, clock, has_offline_copy=False)
    pages = Pages(app)

    assert "unregister()" in pages.client.get("/sw.js", base_url="https://localhost").text
    assert "install.js" not in pages.client.get("/tonight", base_url="https://localhost").text
    close(app)


def test_the_page_kept_for_no_signal_names_nobody(make: Factory, pages: Pages) -> None:
    make.member("Tamsin")

    page = pages.get("/offline")

    assert page.heading == "No signal"
    assert "Tamsin" not in page.html


@pytest.mark.parametrize("path", ["/sw.js", "/manifest.webmanifest", "/offline"])
def test_the_worker_is_there_before_there_is_a_garden(pages: Pages, path: str) -> None:
    assert pages.client.get(path).status_code == 200


def test_signing_out_over_https_empties_the_browsers_store(
    make: Factory, settings: Settings, clock: list[datetime]
) -> None:
    member = make.member("Tamsin")
    app = over_https(settings, clock)
    client = Pages(app).client
    where = {"base_url": "https://localhost"}
    client.set_cookie("ignored", "1")
    with client.session_transaction(**where) as session:
        session["_user_id"], session["_fresh"] = f"{member.id}:{member.session_epoch}", True
    token = client.get("/me", **where).text.partition('name="csrf_token" value="')[2].split('"')[0]

    answer = client.post(
        "/sign-out",
        data={"csrf_token": token},
        headers={"Referer": "https://localhost/me"},
        **where,
    )

    assert answer.status_code == 303
    assert answer.headers["Clear-Site-Data"] == '"cache"'
    close(app)
