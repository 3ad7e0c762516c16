"""What `/openapi.json` promises of the doors for machines is what they answer, whatever is sent.

Bodies are made from the published schema itself, right ones and wrong ones, and beside them any
JSON and any bytes. Each answer must be one that the document names, and have its shape.
"""

from __future__ import annotations

import json
import os
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gardenapp.models.people import Member
from gardenapp.services import readings
from tests.factories import Factory
from tests.phones import LoneClient
from tests.web.test_readings import boss, token

__all__ = ["boss", "token"]

INPUTS = max(60, int(os.environ.get("FUZZ_INPUTS", "0")) // 20)
ANY_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.sampled_from(["id", "at", "temp_c", "humidity_percent", "x"]), inner)
    ),
    max_leaves=12,
)


def made_from(schema: dict[str, Any], whole: dict[str, Any]) -> st.SearchStrategy[Any]:
    """Values that a schema allows, and now and then one that it does not."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return made_from(whole["components"]["schemas"][name], whole)
    if "oneOf" in schema:
        return st.one_of(*(made_from(each, whole) for each in schema["oneOf"]))
    kind = schema.get("type")
    kinds = kind if isinstance(kind, list) else [kind]
    found: list[st.SearchStrategy[Any]] = []
    if "object" in kinds:
        found.append(
            st.fixed_dictionaries(
                {n: made_from(s, whole) for n, s in schema.get("properties", {}).items()}
            )
        )
    if "array" in kinds:
        found.append(st.lists(made_from(schema["items"], whole), max_size=4))
    if "number" in kinds or "integer" in kinds:
        low, high = schema.get("minimum", -1e6), schema.get("maximum", 1e6)
        found.append(st.floats(low - 1, high + 1) | st.integers(int(low), int(high)))
    if "string" in kinds:
        if schema.get("format") == "date-time":
            found.append(st.datetimes().map(lambda d: d.isoformat() + "Z"))
            found.append(st.just("2026-11-24T14:40:00Z"))
        else:
            found.append(st.text(max_size=schema.get("maxLength", 20) + 1))
    if "null" in kinds:
        found.append(st.none())
    return st.one_of(*found, *([ANY_JSON] if len(found) == 1 else []))


def ask(client: FlaskClient, path: str, method: str, token: str, body: bytes) -> Any:
    return client.open(
        path,
        method=method.upper(),
        data=body if method == "post" else None,
        headers={"Authorization": f"Bearer {token}", "Content-Type": "application/json"},
    )


def attack_door(
    client: FlaskClient,
    door: tuple[str, str],
    token: str,
    named: dict[str, Any],
    bodies: st.SearchStrategy[bytes],
    times: int,
) -> set[str]:
    """Send `bodies` to one door; gives the answers seen, each of which the document names."""
    method, path = door
    answers: set[str] = set()

    @settings(
        max_examples=times,
        deadline=None,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(bodies)
    def attack(body: bytes) -> None:
        response = ask(client, path, method, token, body)
        status = str(response.status_code)
        assert status in named, (status, body)
        if response.mimetype == "application/json" and response.status_code >= 400:
            assert isinstance(response.json["error"], str)
        answers.add(status)

    attack()
    return answers


def test_every_answer_is_one_that_the_document_names(
    app: Flask, make: Factory, token: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings, "CALLS_PER_MINUTE", 10**9)
    client = LoneClient(app, app.response_class)
    document = client.get("/openapi.json").json
    assert document is not None
    seen: dict[str, set[str]] = {}
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            content = operation.get("requestBody", {}).get("content", {})
            schema = content.get("application/json", {}).get("schema")
            bodies: st.SearchStrategy[bytes] = st.binary(max_size=60)
            if schema is not None:
                made = made_from(schema, document).map(lambda v: json.dumps(v).encode())
                loose = ANY_JSON.map(lambda v: json.dumps(v).encode())
                bodies = st.one_of(made, made, bodies, loose)
            seen[f"{method} {path}"] = attack_door(
                client,
                (method, path),
                token,
                operation["responses"],
                bodies,
                INPUTS if schema is not None else 3,
            )

    good = [{"id": "one", "at": "2026-11-24T14:40:00Z", "temp_c": 1.5}]
    assert ask(client, "/readings", "post", token, json.dumps(good).encode()).status_code == 201
    assert ask(client, "/readings", "post", token, json.dumps(good).encode()).status_code == 200
    assert "422" in seen["post /readings"]


def test_without_a_token_nothing_is_taken(app: Flask, make: Factory, boss: Member) -> None:
    client = LoneClient(app, app.response_class)

    for given_token in ("", "x" * 5_000, "ü", "Bearer"):
        assert ask(client, "/readings", "post", given_token, b"{}").status_code == 401
