"""Only the garden's own proxy speaks for visitors, and no request says where the pages stand."""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from werkzeug.test import create_environ, run_wsgi_app

from gardenapp import create_app
from gardenapp.config import BadSetting, Settings, read_settings
from gardenapp.services.notices.planned import plan_and_tell
from gardenapp.web.proxy import BehindProxy, UnderPrefix, WithoutProxy, is_proxy
from tests.factories import Factory
from tests.pages import Pages
from tests.services.night.planning import EVENING, enter

PASSWORD = "warm-covers-in-the-shed"
LOOPBACK = (ip_network("127.0.0.0/8"), ip_network("::1/128"))
FORGED = {
    "X-Forwarded-For": "198.51.100.7",
    "X-Forwarded-Host": "evil.example",
    "X-Forwarded-Proto": "https",
    "X-Forwarded-Prefix": "//evil.example/x",
}
ASKED = ("REMOTE_ADDR", "HTTP_HOST", "wsgi.url_scheme", "SCRIPT_NAME", "PATH_INFO")


def settings(folder: Path, **env: str) -> Settings:
    return read_settings({"GARDEN_INSTANCE": str(folder), **env})


class Looked:
    """Stands for the app: notes what it is asked."""

    def __init__(self) -> None:
        self.asked: dict[str, Any] = {}

    def __call__(self, environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        self.asked = {name: environ.get(name) for name in ASKED}
        start_response("200 OK", [])
        return [b""]


def ask(app: Any, peer: str, path: str = "/tonight") -> None:
    environ = create_environ(path, "http://garden.test", headers=FORGED)
    run_wsgi_app(app, {**environ, "REMOTE_ADDR": peer})


def test_the_named_proxy_is_believed_but_for_where_the_pages_stand() -> None:
    looked = Looked()

    ask(BehindProxy(looked, proxies=LOOPBACK, hops=1), "127.0.0.1")

    assert looked.asked == {
        "REMOTE_ADDR": "198.51.100.7",
        "HTTP_HOST": "evil.example",
        "wsgi.url_scheme": "https",
        "SCRIPT_NAME": "",
        "PATH_INFO": "/tonight",
    }


@pytest.mark.parametrize("peer", ["192.0.2.44", "", "unix:", "::ffff:192.0.2.44"])
def test_whoever_is_not_the_proxy_speaks_only_for_themselves(peer: str) -> None:
    looked = Looked()

    ask(BehindProxy(looked, proxies=LOOPBACK, hops=1), peer)

    assert looked.asked == {
        "REMOTE_ADDR": peer,
        "HTTP_HOST": "garden.test",
        "wsgi.url_scheme": "http",
        "SCRIPT_NAME": "",
        "PATH_INFO": "/tonight",
    }


def test_where_no_proxy_is_named_nobody_is_believed() -> None:
    looked = Looked()

    ask(WithoutProxy(looked), "127.0.0.1")

    assert looked.asked["REMOTE_ADDR"] == "127.0.0.1"
    assert looked.asked["HTTP_HOST"] == "garden.test"


@pytest.mark.parametrize("path", ["/garden/tonight", "/tonight"], ids=["left in", "taken off"])
def test_a_prefix_is_a_setting_and_works_either_way(path: str) -> None:
    looked = Looked()

    ask(UnderPrefix(looked, "/garden"), "127.0.0.1", path)

    assert (looked.asked["SCRIPT_NAME"], looked.asked["PATH_INFO"]) == ("/garden", "/tonight")


def test_a_path_that_only_begins_alike_is_not_taken_apart() -> None:
    looked = Looked()

    ask(UnderPrefix(looked, "/garden"), "127.0.0.1", "/gardens")

    assert looked.asked["PATH_INFO"] == "/gardens"


def test_the_proxy_is_known_by_its_address_in_both_ways_of_writing() -> None:
    assert is_proxy("127.0.0.1", LOOPBACK)
    assert is_proxy("::ffff:127.0.0.1", LOOPBACK)
    assert is_proxy("::1", LOOPBACK)
    assert not is_proxy("192.0.2.1", LOOPBACK)


def test_settings_name_the_proxy_and_the_prefix(tmp_path: Path) -> None:
    usual = settings(tmp_path, GARDEN_PROXY_HOPS="1")
    named = settings(tmp_path, GARDEN_PROXY="10.0.0.5, 10.1.0.0/24", GARDEN_PREFIX="/garden/")

    assert usual.proxies == LOOPBACK
    assert (named.proxy_hops, named.prefix) == (1, "/garden")
    assert named.proxies == (ip_network("10.0.0.5"), ip_network("10.1.0.0/24"))
    assert settings(tmp_path).proxy_hops == 0


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("GARDEN_PROXY", "proxy.example.org", "a name is not enough"),
        ("GARDEN_PROXY", "0.0.0.0/0", "every address"),
        ("GARDEN_PREFIX", "garden", "such as /garden"),
        ("GARDEN_PREFIX", "//evil.example", "such as /garden"),
    ],
)
def test_settings_that_would_let_others_in_are_refused(
    tmp_path: Path, name: str, value: str, words: str
) -> None:
    with pytest.raises(BadSetting, match=words):
        settings(tmp_path, **{name: value})


def test_the_app_is_made_with_what_the_settings_say(tmp_path: Path) -> None:
    assert isinstance(create_app(settings(tmp_path)).wsgi_app, WithoutProxy)
    assert isinstance(create_app(settings(tmp_path, GARDEN_PROXY_HOPS="1")).wsgi_app, BehindProxy)


@pytest.fixture
def behind(app: Flask, monkeypatch: pytest.MonkeyPatch) -> Flask:
    """The app as it is made where a proxy is named, though its port is open to the network."""
    wrapped = BehindProxy(app.wsgi_app, proxies=LOOPBACK, hops=1)
    monkeypatch.setattr(app, "wsgi_app", wrapped)
    return app


def test_no_visitor_puts_a_foreign_host_into_a_page_that_is_kept(
    make: Factory, behind: Flask, pages: Pages
) -> None:
    make.planting()
    make.cover()
    enter(make.now, -2.0)
    plan_and_tell(night_of=EVENING, member_id=None, now=make.now)
    make.garden(board_is_open=True)

    first = behind.test_client().get(
        "/tonight", headers=FORGED, environ_base={"REMOTE_ADDR": "127.0.0.1"}
    )
    second = behind.test_client().get("/tonight")

    assert first.status_code == second.status_code == 200
    assert "evil.example" not in first.text
    assert "evil.example" not in second.text


def test_forged_addresses_do_not_pass_the_limit_on_guesses(make: Factory, behind: Flask) -> None:
    make.coordinator(password=PASSWORD)
    codes = []
    for number in range(12):
        phone = Pages(behind)
        page = phone.client.get("/sign-in")
        token = page.text.partition('name="csrf_token" value="')[2].partition('"')[0]
        answer = phone.client.post(
            "/sign-in",
            data={"csrf_token": token, "name": "Odile", "password": "wrong-words"},
            headers={"X-Forwarded-For": f"203.0.113.{number}"},
            environ_base={"REMOTE_ADDR": "192.0.2.9"},
        )
        codes.append(answer.status_code)

    assert 429 in codes
