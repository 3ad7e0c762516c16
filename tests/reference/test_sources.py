"""Every value can be traced to where it was read."""

from __future__ import annotations

import csv
import dataclasses
import re
from importlib import resources

import pytest

from gardenapp.reference import (
    STATUSES,
    load_cautions,
    load_constructions,
    load_evidence,
    load_lift_evidence,
    load_materials,
    load_night_values,
    load_sources,
    load_stages,
    load_terms,
)
from gardenapp.reference.loader import _Row
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import leaf_k, plant_air_k
from gardenapp.science.night.forecast_error import forecast_sd_k

FILES = sorted(
    entry.name
    for entry in resources.files("gardenapp.reference").iterdir()
    if entry.name.endswith(".csv")
)


def cells(file_name: str) -> list[dict[str, str]]:
    text = resources.files("gardenapp.reference").joinpath(file_name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


def used_source_ids() -> set[str]:
    used = {row.source_id for row in load_evidence()}
    used |= {row.source_id for row in load_lift_evidence()}
    used |= {row.source_id for row in load_materials()}
    for stage in load_stages():
        parts = (stage.unhardened, stage.hardened, stage.root_kill, stage.chilling)
        used |= {part.source_id for part in parts if part is not None}
        used |= {stage.heat_source_id}
        notes = [part.note for part in parts if part is not None]
        used |= {found for note in notes for found in re.findall(r"\bS_\w+", note)}
    for cover in load_constructions():
        used |= set(cover.source_ids)
        used |= {cover.leaf_shield_source_id, cover.day_gain_source_id}
        used.add(cover.gust_source.partition(":")[0])
    for caution in load_cautions():
        used |= set(caution.source_ids)
    used |= {value.source_id for value in load_night_values().values()}
    for term in load_terms():
        used |= set(term.source_ids)
    return used - {""}


def test_every_source_named_is_in_the_list_of_sources() -> None:
    missing = used_source_ids() - set(load_sources())

    assert missing == set()


def test_no_source_is_listed_that_nothing_uses() -> None:
    unused = set(load_sources()) - used_source_ids()

    assert unused == set()


def test_a_source_says_who_when_what_and_where() -> None:
    for source in load_sources().values():
        assert source.title, source.id
        assert source.author, source.id
        assert source.address, source.id


def test_a_value_without_a_source_is_common_practice_and_says_so() -> None:
    for gain in load_lift_evidence():
        if not gain.source_id:
            assert gain.status == "practice"
            assert "no source" in gain.note
    for term in load_terms():
        if not term.source_ids:
            assert term.status == "practice"


@pytest.mark.parametrize("file_name", FILES)
def test_every_status_is_one_of_the_four(file_name: str) -> None:
    columns = [name for name in cells(file_name)[0] if name.endswith("status")]

    for row in cells(file_name):
        for column in columns:
            # Trees in blossom have no warmest temperature under a cover, so no status of it.
            allowed = STATUSES | {""} if column == "heat_status" else STATUSES
            assert row[column] in allowed, row


@pytest.mark.parametrize("file_name", FILES)
def test_the_tables_are_in_our_own_words(file_name: str) -> None:
    # A copied passage would be long, or stand in quotation marks.
    for row in cells(file_name):
        for column, text in row.items():
            if column in {"title", "address"}:
                continue
            assert len(text) <= 240, (column, text)
            for quoted in re.findall(r'["“]([^"”]+)["”]', text):
                assert len(quoted.split()) <= 6, quoted


@pytest.mark.parametrize("file_name", FILES)
def test_the_notes_beside_the_tables_name_every_table(file_name: str) -> None:
    notes = resources.files("gardenapp.reference").joinpath("README.md")

    assert f"`{file_name}`" in notes.read_text(encoding="utf-8")


def test_every_status_word_is_explained_beside_the_tables() -> None:
    notes = resources.files("gardenapp.reference").joinpath("README.md")
    text = notes.read_text(encoding="utf-8")

    for status in STATUSES:
        assert f"`{status}`:" in text


def test_a_table_is_read_once_and_cannot_be_changed() -> None:
    stage = load_stages()[0]

    assert load_stages() is load_stages()
    with pytest.raises(dataclasses.FrozenInstanceError):
        stage.crop = "something else"  # type: ignore[misc]  # the point of the test
    with pytest.raises(TypeError):
        load_sources()["S_NEW"] = load_sources()["S_RHS"]  # type: ignore[index]  # likewise


def test_a_damaged_cell_is_named_by_file_line_and_column() -> None:
    row = _Row("thresholds.csv", 7, {"t10_c": "warm", "status": "guessed", "kind": ""})

    with pytest.raises(ValueError, match=r"thresholds\.csv, line 7: t10_c is 'warm'"):
        row.number("t10_c")
    with pytest.raises(ValueError, match=r"line 7: status is 'guessed'"):
        row.status()
    with pytest.raises(ValueError, match=r"line 7: kind is empty"):
        row.number("kind")
    with pytest.raises(ValueError, match=r"line 7: there is no column 'note'"):
        row.text("note")


def test_what_the_table_says_of_a_night_is_what_is_reckoned_with() -> None:
    def pair(step: str) -> tuple[float, float]:
        found = re.fullmatch(r"(\S+) ± (\S+) K", load_night_values()[step].value)
        assert found, step
        return float(found[1]), float(found[2])

    clear_and_calm = Estimate(1.0, 0.0)
    air, leaf = plant_air_k(clear_and_calm, 0.05), leaf_k(clear_and_calm)
    ground = air.plus(leaf)
    assert pair("ground") == pytest.approx((ground.mean, ground.sd), abs=0.05)
    assert pair("plant_air") == pytest.approx((air.mean, air.sd), abs=0.05)
    assert pair("leaf") == pytest.approx((leaf.mean, leaf.sd))
    assert load_night_values()["forecast_low"].value == "86.5 % within 2 °C"
    assert forecast_sd_k(12.0) == pytest.approx(1.338086, abs=1e-3)


def test_a_source_has_a_name_short_enough_to_stand_beside_a_number() -> None:
    names = {id: source.short for id, source in load_sources().items()}

    assert names["LEUNING1988"] == "Leuning 1988"
    assert names["S_METO_ACC"] == "Met Office"
    assert names["CLOUDTUN"] == "The effect of plastic tunnels on…"
    assert max(len(name) for name in names.values()) <= 42
    assert all(names.values())
