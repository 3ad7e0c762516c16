"""The page of what is held: one's own, and the coordinator's view of anybody's."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
from flask import Flask

from gardenapp.services.upkeep.privacy import NAMELESS
from tests.factories import Factory
from tests.phones import Phone


@pytest.fixture
def phone(app: Flask, make: Factory) -> Callable[..., Phone]:
    return lambda member: Phone(app).sign_in(member)  # type: ignore[return-value]


def test_a_member_sees_and_takes_away_what_is_held(
    make: Factory, phone: Callable[..., Phone]
) -> None:
    make.coordinator()
    bertil = make.member("Bertil")
    make.plot("A1", holders=(bertil,))

    page = phone(bertil).get("/me/data")
    file = phone(bertil).get("/me/data.json")

    assert "plots" in page.text
    assert json.loads(file.response.text)["member"]["name"] == "Bertil"
    assert "attachment" in file.response.headers["Content-Disposition"]


def test_erasing_needs_the_name_typed_and_signs_out(
    make: Factory, phone: Callable[..., Phone]
) -> None:
    make.coordinator()
    bertil = phone(make.member("Bertil"))

    wrong = bertil.post("/me/data", {"name": "Somebody"}, status=422)
    assert "Type Bertil" in wrong.text
    bertil.post("/me/data", {"name": "bertil"})

    assert bertil.get("/me", status=303).response.headers["Location"].startswith("/sign-in")


def test_a_coordinator_erases_a_member(make: Factory, phone: Callable[..., Phone]) -> None:
    coordinator, bertil = phone(make.coordinator()), make.member("Bertil")

    coordinator.post(f"/members/{bertil.id}/data", {"name": "Bertil"})

    members = coordinator.get("/members")
    assert "Bertil" not in members.text.replace("Bertil is erased.", "")
    assert NAMELESS in members.text


def test_the_last_coordinator_is_told_why_not(make: Factory, phone: Callable[..., Phone]) -> None:
    only = make.coordinator("Odile")

    page = phone(only).post("/me/data", {"name": "Odile"}, status=422)

    assert "only coordinator" in page.text
