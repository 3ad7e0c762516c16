"""Whatever is sent to a form, the answer is a page and no server error.

Which forms there are is read from the pages themselves: every address a coordinator can open is
opened, and every form found there is filled with nonsense. A new page is fuzzed by itself.
"""

from __future__ import annotations

import os
import random
from typing import Any

import html5lib
import pytest
from flask import Flask

from tests.pages import XHTML
from tests.web.test_access_matrix import World, rules, token_for, world

__all__ = ["world"]

INPUTS = int(os.environ.get("FUZZ_INPUTS", "0"))
NONSENSE = (
    "", " ", "0", "-0", "-5", "−5", "1,5", "nan", "inf", "1e400", "1_000", "9" * 20, "9" * 400,
    "2147483648", "-1", "x" * 81, "x" * 5_000, "\x00", "\x1b[31m", "🌱" * 50,
    "<b>{{7*7}}",
    "'; DROP TABLE member; --", "%s%n", "../../etc/passwd", "2026-02-30", "0000-00-00", "24:61",
    "9999-12-31", "0001-01-01", "true", "on", "[]", "{}", "null", "٣٤", "a\nb\r\nc", "=1+1",
    "\u202e",
    "http://127.0.0.1/", "https://[::1]/x", "javascript:alert(1)", "metric", "C", "member",
)  # fmt: skip


def forms_of(app: Flask, the_world: World) -> list[tuple[str, dict[str, list[str]]]]:
    """(address, field names with the values a browser would offer) of every form on every page."""
    found: dict[str, dict[str, list[str]]] = {}
    client = the_world.client("coordinator")
    for rule in rules(app):
        if "GET" not in (rule.methods or set()):
            continue
        path = the_world.path(rule)
        response = client.get(path)
        if response.mimetype != "text/html" or response.status_code != 200:
            continue
        root = html5lib.HTMLParser(namespaceHTMLElements=True).parse(response.text)
        for form in root.iter(f"{XHTML}form"):
            if form.get("method", "get").lower() != "post":
                continue
            fields: dict[str, list[str]] = {}
            for element in form.iter():
                name = element.get("name")
                if name and name != "csrf_token":
                    options = [o.get("value", "") for o in element.iter(f"{XHTML}option")]
                    fields.setdefault(name, []).extend(options or [element.get("value", "") or ""])
            found.setdefault(form.get("action") or path, {}).update(fields)
    return sorted(found.items())


@pytest.mark.sqlite
def test_no_form_answers_nonsense_with_a_server_error(app: Flask, world: World) -> None:
    chance = random.Random(20261124)
    forms = [f for f in forms_of(app, world) if not f[0].startswith("/sign-out")]
    tokens: dict[str, Any] = {}
    wrong, sent = [], 0
    wanted = max(3 * len(forms), INPUTS // 2)
    while sent < wanted:
        for action, fields in forms:
            if sent % 200 == 0:
                # The nonsense may have let the coordinator go, or ended the session.
                world.restore()
                client = world.client("coordinator")
                tokens["csrf_token"] = token_for(app, client)
            data: dict[str, Any] = {}
            for name, offered in fields.items():
                how = chance.random()
                if how < 0.1:
                    continue
                data[name] = chance.choice(offered) if how < 0.5 else chance.choice(NONSENSE)
                if how > 0.95:
                    data[name] = [chance.choice(NONSENSE), chance.choice(NONSENSE)]
            if chance.random() < 0.2:
                data[chance.choice(["id", "member_id", "role", "is_active"])] = "1"
            response = client.post(action, data=data | tokens)
            sent += 1
            if response.status_code >= 500:
                wrong.append((action, response.status_code, data))
    assert len(forms) >= 25
    print(f"{sent} inputs to {len(forms)} forms")
    assert not wrong, "\n".join(str(each)[:600] for each in wrong[:10])
