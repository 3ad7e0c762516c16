"""What `/openapi.json` promises of the doors for machines is what they answer, whatever is sent.

schemathesis makes calls from the published document, right ones and wrong ones, and holds each
answer against it: its status, its type, its shape, and that no wrong body is taken.
"""

from __future__ import annotations

import json
import os
from typing import Any

import pytest
import schemathesis
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import positive_data_acceptance

from gardenapp.models.people import Member
from gardenapp.services.trials import readings
from tests.factories import Factory
from tests.phones import LoneClient
from tests.web.trials.test_readings import boss, token

__all__ = ["boss", "token"]

INPUTS = max(25, int(os.environ.get("FUZZ_INPUTS", "0")) // 20)
many = settings(
    max_examples=INPUTS, deadline=None, database=None, suppress_health_check=list(HealthCheck)
)
Operation = schemathesis.APIOperation[Any, Any, Any, Any]
DOORS = ["GET /tonight.json", "POST /readings"]
WRONG = schemathesis.GenerationMode.NEGATIVE
RIGHT = schemathesis.GenerationMode.POSITIVE


@pytest.fixture(autouse=True)
def _unthrottled(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(readings, "CALLS_PER_MINUTE", 10**9)


def ask(client: FlaskClient, path: str, method: str, token: str, body: bytes) -> Any:
    return client.open(
        path,
        method=method.upper(),
        data=body if method == "post" else None,
        headers={"Authorization": f"Bearer {token}", "Content-Type": "application/json"},
    )


def operations(app: Flask) -> dict[str, Operation]:
    """The operations of the document that the app gives out."""
    document = schemathesis.openapi.from_wsgi("/openapi.json", app)
    found: dict[str, Operation] = {}
    for result in document.get_all_operations():
        assert isinstance(result, Ok)
        operation = result.ok()
        found[operation.label] = operation
    return found


def test_every_door_of_the_document_is_tried(app: Flask, make: Factory) -> None:
    assert sorted(operations(app)) == DOORS


@pytest.mark.parametrize(
    ("door", "kind"),
    [(DOORS[0], RIGHT), (DOORS[1], RIGHT), (DOORS[1], WRONG)],
    ids=["GET /tonight.json", "POST /readings, right", "POST /readings, wrong"],
)
def test_every_answer_is_what_the_document_says(
    app: Flask,
    make: Factory,
    token: str,
    door: str,
    kind: schemathesis.GenerationMode,
) -> None:
    answers: set[int] = set()

    @many
    @given(case=operations(app)[door].as_strategy(generation_mode=kind))
    def attack(case: schemathesis.Case[Operation]) -> None:
        response = case.call(headers={"Authorization": f"Bearer {token}"})
        # A right moment may still be too old or yet to come, which no schema can say.
        case.validate_response(response, excluded_checks=[positive_data_acceptance])
        answers.add(response.status_code)

    attack()

    if door == DOORS[0]:
        assert answers == {200}
    else:
        assert 422 in answers


def test_bytes_that_are_no_json_are_refused_in_words(app: Flask, make: Factory, token: str) -> None:
    client = LoneClient(app, app.response_class)

    @many
    @given(st.binary(max_size=60))
    def attack(body: bytes) -> None:
        response = ask(client, "/readings", "post", token, body)
        assert response.status_code in (400, 422), body
        assert isinstance(response.json["error"], str)

    attack()


def test_a_good_reading_is_taken_and_taken_once(app: Flask, make: Factory, token: str) -> None:
    client = LoneClient(app, app.response_class)
    good = json.dumps([{"id": "one", "at": "2026-11-24T14:40:00Z", "temp_c": 1.5}]).encode()

    assert ask(client, "/readings", "post", token, good).status_code == 201
    assert ask(client, "/readings", "post", token, good).status_code == 200


def test_without_a_token_nothing_is_taken(app: Flask, make: Factory, boss: Member) -> None:
    client = LoneClient(app, app.response_class)

    for given_token in ("", "x" * 5_000, "ü", "Bearer"):
        assert ask(client, "/readings", "post", given_token, b"{}").status_code == 401
