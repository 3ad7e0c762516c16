"""The catalogue with the garden's own crops, and plantings."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.plants import CropStage, Planting
from gardenapp.services.garden import plants
from gardenapp.services.garden.plants import OwnStage, PlantingEntry
from tests.conftest import NOW
from tests.factories import Factory


def own(**changes: Any) -> OwnStage:
    values: dict[str, Any] = {
        "stage": "seedling",
        "kind": "damage",
        "threshold_c": 1.0,
        "hardened_threshold_c": None,
        "why": "blackened in April",
        "usual_height_cm": 12.0,
        "usual_spread_cm": 9.0,
    }
    return OwnStage(**values | changes)


def entry(stage: CropStage, **changes: Any) -> PlantingEntry:
    values: dict[str, Any] = {
        "stage_id": stage.id,
        "name": "",
        "count": 5,
        "height_cm": None,
        "spread_cm": None,
        "in_pot": False,
        "is_movable": False,
        "mind": "much",
        "note": "",
    }
    return PlantingEntry(**values | changes)


def test_a_search_takes_every_word_and_no_accents(make: Factory) -> None:
    make.stage("Jalapeño")
    make.stage("kale", name="young plant")

    assert [line.name for g in plants.list_catalogue(q="JALAPENO") for line in g.crops] == [
        "Jalapeño"
    ]
    assert [c.crop for c in plants.stage_choices(q="young kale")] == ["kale"]
    assert plants.list_catalogue(q="young jalapeno") == ()


def test_a_search_keeps_the_stage_already_chosen(make: Factory) -> None:
    kept = make.stage("kale")
    make.stage("leek")

    found = plants.stage_choices(q="leek", keep=kept.id)

    assert {choice.crop for choice in found} == {"kale", "leek"}


def test_a_crop_of_our_own_is_marked_ours(make: Factory) -> None:
    vera = make.member("Vera")

    crop_id = plants.add_own_crop(name="oca", group="Roots", own=own(), member=vera, now=NOW)

    crop = plants.get_crop(crop_id=crop_id, member=vera)
    assert crop.is_ours
    assert crop.added_by == "Vera"
    assert [(v.status, v.threshold_c) for v in crop.stages[0].values] == [("ours", 1.0)]
    assert plants.get_crop(crop_id=crop_id, member=None).added_by == ""


def test_a_crop_that_is_there_already_is_not_added_again(make: Factory) -> None:
    make.stage("oca")

    with pytest.raises(FieldRefused, match="already"):
        plants.add_own_crop(name="OCA", group="", own=own(), member=make.member(), now=NOW)


def test_an_own_stage_stands_beside_the_published_one(make: Factory) -> None:
    stage = make.stage("oca", threshold_c=-1.0)
    vera = make.member()

    plants.add_own_stage(crop_id=stage.crop_id, own=own(), member=vera, now=NOW)

    crop = plants.get_crop(crop_id=stage.crop_id, member=vera)
    assert [(s.name, s.is_ours) for s in crop.stages] == [("plant", False), ("seedling", True)]
    assert stage.threshold_c == -1.0


def test_a_published_stage_is_not_changed(make: Factory) -> None:
    stage = make.stage("oca")

    with pytest.raises(NotAllowed):
        plants.change_own_stage(stage_id=stage.id, own=own(), member=make.coordinator(), now=NOW)


def test_an_own_stage_is_changed_by_who_added_it_and_coordinators_only(make: Factory) -> None:
    stage, vera = make.stage("oca"), make.member()
    stage_id = plants.add_own_stage(crop_id=stage.crop_id, own=own(), member=vera, now=NOW)

    with pytest.raises(NotAllowed):
        plants.change_own_stage(
            stage_id=stage_id, own=own(threshold_c=3.0), member=make.member(), now=NOW
        )
    plants.change_own_stage(
        stage_id=stage_id, own=own(threshold_c=2.0), member=make.coordinator(), now=NOW
    )

    assert plants.get_own_stage(stage_id=stage_id, member=vera)[2].threshold_c == 2.0


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        pytest.param({"hardened_threshold_c": 2.0}, "hardened_threshold_c", id="softer when hard"),
        pytest.param({"why": ""}, "why", id="no reason"),
        pytest.param({"kind": "root_kill"}, "kind", id="unknown kind"),
    ],
)
def test_an_own_stage_must_make_sense(make: Factory, changes: dict[str, Any], field: str) -> None:
    with pytest.raises(FieldRefused) as refusal:
        plants.add_own_crop(name="oca", group="", own=own(**changes), member=make.member(), now=NOW)

    assert refusal.value.field == field


def test_evidence_shows_both_sides_where_sources_disagree() -> None:
    found = plants.evidence_lines("lettuce")

    temperatures = [line.temp_c for line in found if line.temp_c is not None]
    assert len({line.source_id for line in found}) >= 2
    assert max(temperatures) - min(temperatures) >= 2
    assert temperatures == sorted(temperatures, reverse=True)


def test_empty_sizes_are_those_usual_for_the_stage(make: Factory) -> None:
    vera = make.member()
    plot = make.plot(holders=(vera,))
    stage = make.stage(usual_height_cm=80.0, usual_spread_cm=45.0)

    planting_id = plants.add_planting(
        plot_id=plot.id, entry=entry(stage, spread_cm=50.0), form_key="a", member=vera, now=NOW
    )

    found = plants.get_planting(planting_id=planting_id)
    assert (found.height_cm, found.spread_cm) == (80.0, 50.0)


def test_the_same_form_sent_twice_makes_one_planting(make: Factory) -> None:
    vera = make.member()
    plot, stage = make.plot(holders=(vera,)), make.stage()

    first, second = (
        plants.add_planting(
            plot_id=plot.id, entry=entry(stage), form_key="k1", member=vera, now=NOW
        )
        for _ in range(2)
    )

    assert first == second
    assert len(db.session.scalars(select(Planting)).all()) == 1


def test_only_holders_and_coordinators_plant_in_a_plot(make: Factory) -> None:
    plot, stage = make.plot(holders=(make.member(),)), make.stage()

    with pytest.raises(NotAllowed):
        plants.add_planting(
            plot_id=plot.id, entry=entry(stage), form_key="", member=make.member(), now=NOW
        )
    plants.add_planting(
        plot_id=plot.id, entry=entry(stage), form_key="", member=make.coordinator(), now=NOW
    )

    assert len(plants.list_plantings(plot_id=plot.id)) == 1


@pytest.mark.parametrize("action", ["change", "end", "restore"])
def test_another_members_planting_is_not_touched(make: Factory, action: str) -> None:
    planting = make.planting(make.plot(holders=(make.member(),)))
    stranger = make.member()

    with pytest.raises(NotAllowed):
        if action == "change":
            plants.change_planting(
                planting_id=planting.id,
                entry=entry(planting.stage, count=1),
                member=stranger,
                now=NOW,
            )
        else:
            ask = plants.end_planting if action == "end" else plants.restore_planting
            ask(planting_id=planting.id, member=stranger, now=NOW)

    found = plants.get_planting(planting_id=planting.id)
    assert (found.count, found.ended_at) == (4, None)


def test_only_pots_can_be_carried_in(make: Factory) -> None:
    vera = make.member()
    plot, stage = make.plot(holders=(vera,)), make.stage()

    with pytest.raises(FieldRefused, match="Only plants in pots"):
        plants.add_planting(
            plot_id=plot.id,
            entry=entry(stage, is_movable=True),
            form_key="",
            member=vera,
            now=NOW,
        )


def test_an_ended_planting_stays_and_can_be_brought_back(make: Factory) -> None:
    vera = make.member()
    planting = make.planting(make.plot(holders=(vera,)))

    plants.end_planting(planting_id=planting.id, member=vera, now=NOW)
    plants.end_planting(planting_id=planting.id, member=vera, now=NOW + timedelta(days=1))
    assert plants.get_planting(planting_id=planting.id).ended_at == NOW
    plants.restore_planting(planting_id=planting.id, member=vera, now=NOW)

    assert plants.get_planting(planting_id=planting.id).ended_at is None


def test_what_somebody_knows_of_its_hardness_is_kept_with_its_day(make: Factory) -> None:
    vera = make.member()
    plot = make.plot(holders=(vera,))
    leek = make.stage(hardened_threshold_c=-8.0, hardens="leafy")
    bean = make.stage("bean")

    def add(**changes: Any) -> int:
        return plants.add_planting(
            plot_id=plot.id, entry=entry(**changes), form_key="", member=vera, now=NOW
        )

    found = plants.get_planting(
        planting_id=add(stage=leek, state="soft", state_on=date(2026, 11, 20))
    )

    assert (found.state, found.state_on) == ("soft", date(2026, 11, 20))
    assert found.hardened_c is not None and found.hardened_c < found.soft_c
    with pytest.raises(FieldRefused, match="does not change"):
        add(stage=bean, state="soft", state_on=date(2026, 11, 20))
    with pytest.raises(FieldRefused, match="Enter the day"):
        add(stage=leek, state="soft")
    with pytest.raises(FieldRefused, match="how hardened"):
        add(stage=leek, state="steel", state_on=date(2026, 11, 20))


def test_a_pot_is_kept_with_its_planting_and_forgotten_without_one(make: Factory) -> None:
    vera = make.member()
    plot, stage = make.plot(holders=(vera,)), make.stage()
    potted = entry(stage, in_pot=True, pot_l=3.0, pot_material="clay", pot_is_raised=False)
    number = plants.add_planting(plot_id=plot.id, entry=potted, form_key="", member=vera, now=NOW)

    kept = plants.get_planting(planting_id=number)
    assert (kept.pot_l, kept.pot_material, kept.pot_is_raised) == (3.0, "clay", False)
    plants.change_planting(
        planting_id=number, entry=replace(potted, in_pot=False), member=vera, now=NOW
    )
    bare = plants.get_planting(planting_id=number)
    assert (bare.pot_l, bare.pot_material, bare.pot_is_raised) == (None, "", True)


def test_a_figure_far_warmer_than_all_that_is_published_is_asked_about(make: Factory) -> None:
    vera = make.member()
    kale = make.stage("kale", threshold_c=-3.0)

    with pytest.raises(FieldRefused, match="Kale is fine down to about −3 °C"):
        plants.add_own_stage(
            crop_id=kale.crop_id, own=own(stage="seedling", threshold_c=5.0), member=vera, now=NOW
        )


@pytest.mark.parametrize(
    ("typed", "crop"),
    [
        ("rutabaga", "swede"),
        ("arugula", "rocket"),
        ("zuchini", "squash and courgette"),
        ("calabacin", "squash and courgette"),
        ("puerro", "leek"),
        ("brocoli", "broccoli"),
    ],
)
def test_a_crop_is_found_by_any_of_its_names_however_it_is_spelt(
    make: Factory, typed: str, crop: str
) -> None:
    for name in ("swede", "rocket", "squash and courgette", "leek", "broccoli", "kale"):
        make.stage(name)

    assert [line.name for g in plants.list_catalogue(q=typed) for line in g.crops] == [crop]
    assert [choice.crop for choice in plants.stage_choices(q=typed)] == [crop]
    assert plants.list_catalogue(q="qqqq") == ()


def test_an_unknown_planting_is_not_found(make: Factory) -> None:
    with pytest.raises(NotFound):
        plants.get_planting(planting_id=9)
