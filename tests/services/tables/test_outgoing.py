"""The garden's own tables come back as no change."""

from __future__ import annotations

import pytest
from flask import Flask

import seed_demo
from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.readers.cells import read_file
from gardenapp.services.tables import importing, outgoing
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_demo_goes_out_and_comes_back_as_no_change(
    app: Flask, language: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with app.app_context():
        monkeypatch.setattr(seed_demo, "refresh_forecast", lambda **_: None)
        seed_demo.seed(low_c=-2.0, now=NOW, with_past=False)
        member = db.session.query(Member).filter_by(role="coordinator").first()
        assert member is not None
        with speaking(language):
            text = outgoing.export(which="all", member=member)
            sheets = read_file(b"\xef\xbb\xbf" + text.encode())
            token = importing.send(sheets=sheets, member=member, now=NOW)
            found = importing.preview(token=token, member=member, now=NOW)

        assert [table.holds for table in found.tables] == [
            "garden",
            "covers",
            "materials",
            "members",
        ]
        assert not found.problems, found.problems[:5]
        assert not [question for question in found.questions if question.is_open]
        assert not found.lines, found.lines[:5]
        assert {verb for _what, verb in found.counts} == {"left"}
        assert found.counts["planting", "left"] > 100
        assert found.acts.is_empty


def test_what_a_spreadsheet_might_run_goes_out_as_text(make: Factory, odile: Member) -> None:
    make.planting(make.plot("=A1"), name="@cmd", note="+1")
    text = outgoing.export(which="garden", member=odile)
    assert "'=A1" in text
    assert ",'@cmd," in text
    token = importing.send(sheets=read_file(text.encode()), member=odile, now=NOW)
    assert importing.preview(token=token, member=odile, now=NOW).acts.is_empty


def test_another_table_is_not_known(odile: Member) -> None:
    with pytest.raises(NotFound):
        outgoing.export(which="secrets", member=odile)
