"""A garden with the published crops and kinds of cover, and a coordinator who pastes."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.readers.cells import read_pasted
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.tables import importing
from gardenapp.services.tables.findings import Findings
from tests.conftest import NOW
from tests.factories import Factory

Paste = Callable[..., Findings]


@pytest.fixture
def odile(make: Factory) -> Member:
    member = make.coordinator(password="twelve cold lanterns")
    seed_catalogue(db.session)
    db.session.commit()
    return member


@pytest.fixture
def look(odile: Member) -> Paste:
    """What a pasted table would do, with some questions answered."""

    def paste(text: str, **answers: str) -> Findings:
        token = importing.send(sheets=read_pasted(text), member=odile, now=NOW)
        importing.answer(token=token, answers=answers, member=odile)
        return importing.preview(token=token, member=odile, now=NOW)

    return paste


@pytest.fixture
def save(odile: Member) -> Callable[..., str]:
    """Paste a table and save it; every open question gets its first choice. Gives the token."""

    def paste(text: str) -> str:
        token = importing.send(sheets=read_pasted(text), member=odile, now=NOW)
        found = importing.preview(token=token, member=odile, now=NOW)
        answers = {q.key: q.choices[0][0] for q in found.questions if q.is_open}
        importing.answer(token=token, answers=answers, member=odile)
        importing.keep(token=token, member=odile, now=NOW)
        return token

    return paste


def problems(found: Findings) -> dict[str, str]:
    """What is wrong, by address."""
    return {p.address: str(p.message) for p in found.problems}
