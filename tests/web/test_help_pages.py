"""Help, cautions and sources are open to everybody, before there is a garden too."""

from __future__ import annotations

import pytest
from flask import Flask

from gardenapp import reference
from tests.phones import Phone


@pytest.fixture
def phone(app: Flask) -> Phone:
    return Phone(app)


def folded(text: str) -> str:
    return " ".join(text.replace("\xa0", " ").replace("\u202f", " ").split())


def test_every_caution_stands_on_the_help_page_with_who_decides(phone: Phone) -> None:
    text = phone.get("/help").text

    for caution in reference.load_cautions():
        assert folded(caution.text) in text
        assert folded(f"In doubt: {caution.defer_to}") in text


def test_every_word_is_explained(phone: Phone) -> None:
    text = phone.get("/help").text

    for term in reference.load_terms():
        assert folded(term.meaning) in text


def test_odds_are_never_called_a_promise(phone: Phone) -> None:
    text = phone.get("/help").text

    assert "never means that tonight is safe" in text


def test_every_source_has_a_page_that_the_list_leads_to(phone: Phone) -> None:
    links = [a.get("href", "") for a in phone.get("/sources").all("a")]
    pages = [link for link in links if link.startswith("/sources/")]

    assert len(pages) == len(reference.load_sources())
    for link in pages:
        phone.get(link)


def test_an_address_that_is_none_is_no_link(phone: Phone) -> None:
    for source in reference.load_sources().values():
        if source.address.startswith(("https://", "http://")):
            continue
        page = phone.get(f"/sources/{source.id}")
        outward = [a for a in page.all("a") if "://" in a.get("href", "")]
        assert outward == [], source.id


def test_an_unknown_source_is_not_found(phone: Phone) -> None:
    phone.get("/sources/nowhere", status=404)
