"""A visitor for the tests: every page fetched is checked, every form carries its token."""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any
from urllib.parse import urlsplit
from xml.etree.ElementTree import Element

import html5lib
from flask import Flask, Response, has_app_context
from flask.testing import FlaskClient
from itsdangerous import URLSafeTimedSerializer
from werkzeug.test import TestResponse

from gardenapp.extensions import db
from gardenapp.models.people import Member

XHTML = "{http://www.w3.org/1999/xhtml}"


# What differs between two readers of the same page and says nothing about the page itself.
_TOKEN = re.compile(r'(name="csrf_token"[^>]*value=")[^"]*"')
# Pages that were found well in this process, by what they say without their tokens.
_well: set[bytes] = set()


@dataclass
class Page:
    """One answer; it is parsed when somebody looks into it."""

    status: int
    html: str
    response: TestResponse
    path: str = ""

    @cached_property
    def root(self) -> Element:
        return _parse(self.html)[0]

    @property
    def text(self) -> str:
        """What a person reads, spaces folded."""
        body = self.root.find(f".//{XHTML}main")
        whole = "".join((body if body is not None else self.root).itertext())
        return re.sub(r"[\s\u202f\xa0]+", " ", whole).strip()

    @property
    def heading(self) -> str:
        found = self.root.find(f".//{XHTML}h1")
        return re.sub(r"\s+", " ", "".join(found.itertext())).strip() if found is not None else ""

    def all(self, tag: str) -> list[Element]:
        return self.root.findall(f".//{XHTML}{tag}")

    def token(self) -> str:
        for element in self.all("input"):
            if element.get("name") == "csrf_token":
                return element.get("value", "")
        return ""

    def values(self) -> dict[str, str]:
        """What the page's fields hold."""
        found: dict[str, str] = {}
        for element in self.all("input"):
            name = element.get("name")
            if name and (
                element.get("type") not in {"checkbox", "radio"} or "checked" in element.attrib
            ):
                found[name] = element.get("value", "")
        for element in self.all("textarea"):
            found[element.get("name", "")] = "".join(element.itertext()).removeprefix("\n")
        for element in self.all("select"):
            options = list(element.iter(f"{XHTML}option"))
            chosen = [o for o in options if "selected" in o.attrib] or options[:1]
            for option in chosen:
                found[element.get("name", "")] = option.get("value", "")
        return found


class _Phone(FlaskClient):
    """A test client whose requests share nothing with the test but the database.

    A test that holds an app context of its own would otherwise lend it to the request, with
    its session and whatever was read in it before.
    """

    def __init__(self, app: Flask) -> None:
        super().__init__(app, Response, use_cookies=True)

    def open(self, *args: Any, **kwargs: Any) -> TestResponse:
        if has_app_context():
            db.session.rollback()
        with self.application.app_context():
            response = super().open(*args, **kwargs)
            response.get_data()
            response.close()
            response.request.input_stream.close()
        if has_app_context():
            db.session.rollback()
        return response


@dataclass
class Pages:
    """A phone with its own cookies."""

    app: Flask
    address: str = "127.0.0.1"
    client: Any = field(init=False)

    def __post_init__(self) -> None:
        self.client = _Phone(self.app)

    def sign_in(self, member: Member) -> Pages:
        """Be `member`, the way the sign-in page leaves it."""
        with self.client.session_transaction() as session:
            session.clear()
            session["_user_id"] = f"{member.id}:{member.session_epoch}"
            session["_fresh"] = True
            session.permanent = True
        return self

    def get(self, path: str, *, status: int = 200) -> Page:
        return self._check(self._ask("get", path), status, path)

    def post(
        self,
        path: str,
        data: dict[str, Any] | None = None,
        *,
        status: int = 303,
        headers: dict[str, str] | None = None,
    ) -> Page:
        """Send a form with the session's token. That pages hand it out, `check_page` sees to."""
        values = dict(data or {})
        if "csrf_token" not in values:
            values["csrf_token"] = self._token()
        return self._check(self._ask("post", path, data=values, headers=headers), status, path)

    def _ask(self, method: str, path: str, **kwargs: Any) -> TestResponse:
        """Send one request from this phone's address."""
        response: TestResponse = self.client.open(
            path, method=method.upper(), environ_base={"REMOTE_ADDR": self.address}, **kwargs
        )
        return response

    def follow(self, page: Page) -> Page:
        """Go where a 303 points to."""
        assert page.status in {302, 303}, page.status
        target = urlsplit(page.response.headers["Location"])
        assert not target.netloc, page.response.headers["Location"]
        return self.get(target.path + (f"?{target.query}" if target.query else ""))

    def _token(self) -> str:
        """The token that every form of this session's pages carries, signed as Flask-WTF does."""
        with self.client.session_transaction() as session:
            raw = session.setdefault("csrf_token", secrets.token_hex(20))
        signer = URLSafeTimedSerializer(self.app.config["SECRET_KEY"], salt="wtf-csrf-token")
        return str(signer.dumps(raw))

    def _check(self, response: TestResponse, status: int, path: str) -> Page:
        html = response.text if response.mimetype == "text/html" else ""
        assert response.status_code == status, (
            f"{path}: {response.status_code}, wanted {status}\n"
            + re.sub(r"<[^>]+>|\s+", " ", html)[:1500]
        )
        if response.mimetype != "text/html" or response.status_code in {301, 302, 303, 304}:
            return Page(response.status_code, html, response, path)
        page = Page(response.status_code, html, response, path)
        seen = hashlib.sha256(_TOKEN.sub(r'\1"', html).encode()).digest()
        if seen not in _well:
            page.root, errors = _parse(html)
            assert not errors, f"{path}: {errors[:3]}"
            check_page(page)
            _well.add(seen)
        return page


def _parse(html: str) -> tuple[Element, list[Any]]:
    parser = html5lib.HTMLParser(namespaceHTMLElements=True)
    return parser.parse(html), parser.errors


def check_page(page: Page) -> None:
    """What every page owes its reader."""
    where = page.path
    headings = page.all("h1")
    assert len(headings) == 1, f"{where}: {len(headings)} h1"
    title = "".join(page.all("title")[0].itertext())
    assert page.heading[:20] in title or title.startswith("Error: "), f"{where}: {title!r}"
    ids = [e.get("id") for e in page.root.iter() if e.get("id")]
    assert len(ids) == len(set(ids)), (
        f"{where}: repeated id {next(i for i in ids if ids.count(i) > 1)}"
    )
    labelled = {e.get("for") for e in page.all("label")}
    for tag in ("input", "select", "textarea"):
        for element in page.all(tag):
            if element.get("type") in {"hidden", "submit"}:
                continue
            known = element.get("id") in labelled or element.get("aria-label")
            assert known, f"{where}: field {element.get('name')} has no label"
    for element in page.root.iter():
        for name in element.attrib:
            assert name != "style" and not name.startswith("on"), f"{where}: inline {name}"
    assert not page.all("style"), f"{where}: inline style element"
    for form in page.all("form"):
        can_be_sent = next(form.iter(f"{XHTML}button"), None) is not None
        if form.get("method", "get").lower() == "post" and can_be_sent:
            names = [field.get("name") for field in form.iter(f"{XHTML}input")]
            assert names.count("csrf_token") == 1, f"{where}: {form.get('action')} lacks its token"
    for script in page.all("script"):
        assert script.get("src") or script.get("type") == "application/json", (
            f"{where}: inline script"
        )
    assert "None" not in page.text.split(), f"{where}: the word None"
