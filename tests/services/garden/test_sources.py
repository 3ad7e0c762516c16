"""Every source says what it was used for."""

from __future__ import annotations

import pytest

from gardenapp import reference
from gardenapp.errors import NotFound
from gardenapp.services.garden import sources


def test_every_source_is_listed_with_what_it_is_for() -> None:
    lines = sources.list_sources()

    assert {line.source.id for line in lines} == set(reference.load_sources())
    assert [line.source.id for line in lines if not line.purposes] == []


def test_every_value_leads_to_a_source_that_exists() -> None:
    known = set(reference.load_sources())

    assert set(sources._uses()) - known == set()


def test_a_source_shows_what_was_taken_from_it_and_how_well_it_is_known() -> None:
    row = next(r for r in reference.load_evidence() if r.status == "seen")

    page = sources.get_source(row.source_id)

    taken = {(use.subject, use.value, use.status) for use in page.uses}
    assert (f"{row.crop}, {row.part}", row.as_published, "read in the source") in taken


def test_an_unknown_source_is_not_found() -> None:
    with pytest.raises(NotFound):
        sources.get_source("nowhere")
