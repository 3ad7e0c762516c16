"""The table of what can be done to things and materials: no line without its rules."""

from __future__ import annotations

from collections import Counter

import pytest
from flask import Flask

from gardenapp.services.store.acts import JUDGES
from gardenapp.services.store.subjects import MATERIAL, THING
from gardenapp.web.access import MEMBER
from gardenapp.web.store.acts import ACTS, Act
from gardenapp.web.store.forms import ActForm


def named(act: Act) -> str:
    return f"{act.name} {act.kind.name}"


def forms_of_the_ledger() -> list[type[ActForm]]:
    """The forms that are written as they are, by the one service."""
    return [
        form for form in ActForm.__subclasses__() if isinstance(form.action, str) and form.action
    ]


def test_no_two_acts_of_a_page_share_a_name_or_an_address() -> None:
    for kind in (THING, MATERIAL):
        acts = [act for act in ACTS if act.kind == kind]
        for what in ([act.name for act in acts], [act.at or act.name for act in acts]):
            assert max(Counter(what).values()) == 1

    assert max(Counter(act.endpoint for act in ACTS).values()) == 1


@pytest.mark.parametrize("act", ACTS, ids=named)
def test_each_act_takes_a_form_from_members_at_its_own_address(app: Flask, act: Act) -> None:
    endpoint = f"store.{act.endpoint}"
    rules = [rule for rule in app.url_map.iter_rules() if rule.endpoint == endpoint]

    assert [rule.arguments for rule in rules] == [{act.kind.column}]
    assert rules[0].rule.rsplit("/", 1)[-1] == (act.at or act.name)
    assert "GET" not in (rules[0].methods or set())
    assert getattr(app.view_functions[endpoint], "access_level", None) == MEMBER


@pytest.mark.parametrize("form", forms_of_the_ledger(), ids=lambda form: form.__name__)
def test_what_a_form_says_has_a_judge(form: type[ActForm]) -> None:
    assert form.action in JUDGES


def test_the_acts_that_choose_their_own_word_have_judges_for_both() -> None:
    assert {"damaged", "mended", "deployed", "brought back"} <= set(JUDGES)
