"""Kinds of cover, covers and places: who may do what, and what cannot be."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.nights import CoverUse, Deployment
from gardenapp.models.people import Member
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.store import covers, ledger
from gardenapp.services.store.covers import CoverEntry, KindEntry, KindSizes
from gardenapp.services.store.subjects import thing
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.store.happenings import actions, fresh, say


def sizes(**changes: Any) -> KindSizes:
    values: dict[str, Any] = {
        "name": "Long tote",
        "inner_length_cm": 80.0,
        "inner_width_cm": 40.0,
        "inner_height_cm": 30.0,
        "outer_length_cm": 84.0,
        "outer_width_cm": 44.0,
        "minutes": 4.0,
    }
    return KindSizes(**values | changes)


def kind_entry(size: KindSizes | None = None, **changes: Any) -> KindEntry:
    values: dict[str, Any] = {
        "sizes": size or sizes(),
        "construction": "upturned box",
        "material": "",
        "layers": 1,
        "is_rigid": True,
        "is_sealed": True,
        "may_touch": False,
        "goes_under": False,
        "gust_limit_mps": 12.0,
        "clear_mean_k": 1.0,
        "clear_sd_k": 1.0,
        "cloudy_mean_k": 1.0,
        "cloudy_sd_k": 1.0,
        "leaf_shield": 0.5,
        "why": "two thermometers, five nights",
    }
    return KindEntry(**values | changes)


def add(kind: CoverKind, member: Member, **changes: Any) -> tuple[str, ...]:
    values: dict[str, Any] = {
        "kind_id": kind.id,
        "prefix": "Tote",
        "first_number": 1,
        "how_many": 3,
        "owner_id": member.id,
        "lending": "garden",
        "place_id": None,
        "note": "",
        "member": member,
        "now": NOW,
    }
    return covers.add_covers(**values | changes)


def cover_entry(cover: Cover, **changes: Any) -> CoverEntry:
    values: dict[str, Any] = {
        "label": cover.label,
        "kind_id": cover.class_id,
        "owner_id": cover.owner_id,
        "lending": cover.lending,
        "place_id": cover.place_id,
        "condition": "worn",
        "is_usable": True,
        "note": "",
    }
    return CoverEntry(**values | changes)


def put_out(make: Factory, cover: Cover) -> None:
    plot = make.plot()
    db.session.add(
        Deployment(
            night_of=date(2026, 11, 24),
            plot_id=plot.id,
            treatment="x",
            put_on_at=NOW,
            covers=[CoverUse(cover_id=cover.id)],
        )
    )
    db.session.commit()


def test_many_covers_are_added_at_once_with_numbered_labels(make: Factory) -> None:
    vera = make.member()

    labels = add(make.cover_kind(), vera, first_number=7)

    assert labels == ("Tote 7", "Tote 8", "Tote 9")
    assert covers.next_numbers(prefix="Tote") == 10


def test_the_same_form_sent_twice_adds_nothing_more(make: Factory) -> None:
    kind, vera = make.cover_kind(), make.member()
    add(kind, vera)

    with pytest.raises(FieldRefused, match="already a Tote 1") as refusal:
        add(kind, vera)

    assert refusal.value.field == "first_number"
    assert len(db.session.scalars(select(Cover)).all()) == 3


def test_one_label_taken_adds_none_of_them(make: Factory) -> None:
    kind, vera = make.cover_kind(), make.member()
    make.cover(kind, label="Tote 3")

    with pytest.raises(FieldRefused, match="Tote 3"):
        add(kind, vera)

    assert [c.label for c in db.session.scalars(select(Cover))] == ["Tote 3"]


@pytest.mark.parametrize("how_many", [0, -1, 61])
def test_the_number_added_at_once_is_bounded(make: Factory, how_many: int) -> None:
    with pytest.raises(FieldRefused):
        add(make.cover_kind(), make.member(), how_many=how_many)


def test_members_add_covers_of_their_own_only(make: Factory) -> None:
    kind, vera, wes = make.cover_kind(), make.member(), make.member()

    with pytest.raises(NotAllowed):
        add(kind, vera, owner_id=wes.id)
    with pytest.raises(NotAllowed):
        add(kind, vera, owner_id=None)
    add(kind, make.coordinator(), owner_id=wes.id)
    add(kind, make.coordinator("Ada"), owner_id=None, prefix="G")

    owners = set(db.session.scalars(select(Cover.owner_id)))
    assert owners == {wes.id, None}


def test_the_gardens_own_covers_are_lent_to_the_whole_garden(make: Factory) -> None:
    with pytest.raises(FieldRefused) as refusal:
        add(make.cover_kind(), make.coordinator(), owner_id=None, lending="own plots")

    assert refusal.value.field == "lending"


def test_only_owner_and_coordinator_change_a_cover(make: Factory) -> None:
    vera, wes = make.member(), make.member()
    cover = make.cover(owner_id=vera.id)

    with pytest.raises(NotAllowed):
        covers.change_cover(cover_id=cover.id, entry=cover_entry(cover), member=wes, now=NOW)
    with pytest.raises(NotAllowed):
        covers.get_cover(cover_id=cover.id, member=wes)
    covers.change_cover(cover_id=cover.id, entry=cover_entry(cover), member=vera, now=NOW)

    assert covers.get_cover(cover_id=cover.id, member=vera).condition == "worn"


def test_an_owner_cannot_give_a_cover_away(make: Factory) -> None:
    vera, wes = make.member(), make.member()
    cover = make.cover(owner_id=vera.id)

    with pytest.raises(NotAllowed):
        covers.change_cover(
            cover_id=cover.id, entry=cover_entry(cover, owner_id=wes.id), member=vera, now=NOW
        )


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        pytest.param({"condition": "broken"}, "is_usable", id="broken but ready"),
        pytest.param({"condition": "fine"}, "condition", id="unknown condition"),
        pytest.param({"lending": "anyone"}, "lending", id="unknown lending"),
        pytest.param({"place_id": 99}, "place_id", id="unknown place"),
        pytest.param({"label": "Taken"}, "label", id="label taken"),
    ],
)
def test_a_cover_must_make_sense(make: Factory, changes: dict[str, Any], field: str) -> None:
    vera = make.member()
    make.cover(label="Taken")
    cover = make.cover(owner_id=vera.id)

    with pytest.raises(FieldRefused) as refusal:
        covers.change_cover(
            cover_id=cover.id, entry=cover_entry(cover, **changes), member=vera, now=NOW
        )

    assert refusal.value.field == field


def test_a_cover_out_on_a_bed_keeps_its_kind(make: Factory) -> None:
    odile, cover, other = make.coordinator(), make.cover(), make.cover_kind()
    put_out(make, cover)

    with pytest.raises(FieldRefused) as refusal:
        covers.change_cover(
            cover_id=cover.id, entry=cover_entry(cover, kind_id=other.id), member=odile, now=NOW
        )

    assert refusal.value.field == "kind_id"


def test_the_list_counts_usable_worn_and_out(make: Factory) -> None:
    kind, vera = make.cover_kind("tote"), make.member()
    out = make.cover(kind, label="T 10", condition="worn")
    make.cover(kind, label="T 2", is_usable=False)
    make.cover(kind, label="T 3", owner_id=vera.id)
    put_out(make, out)

    group = covers.list_covers(member=vera)[0]

    assert (group.usable, group.out, group.worn) == (2, 1, 1)
    assert [line.label for line in group.covers] == ["T 2", "T 3", "T 10"]


def test_the_list_can_be_cut_to_mine_or_to_a_place(make: Factory) -> None:
    vera, shed = make.member(), make.place("shed")
    make.cover(label="A", owner_id=vera.id)
    make.cover(label="B", place_id=shed.id)

    mine = covers.list_covers(member=vera, only_mine=True)
    there = covers.list_covers(member=vera, place_id=shed.id)

    assert [line.label for group in mine for line in group.covers] == ["A"]
    assert [line.label for group in there for line in group.covers] == ["B"]


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        pytest.param({"outer_length_cm": 79.0}, "outer_length_cm", id="shorter outside"),
        pytest.param({"outer_width_cm": 39.9}, "outer_width_cm", id="narrower outside"),
        pytest.param({"inner_height_cm": None}, "inner_height_cm", id="stiff without height"),
    ],
)
def test_a_kind_must_fit_into_itself(make: Factory, changes: dict[str, Any], field: str) -> None:
    with pytest.raises(FieldRefused) as refusal:
        covers.create_kind(entry=kind_entry(sizes(**changes)), member=make.coordinator(), now=NOW)

    assert refusal.value.field == field


@pytest.mark.parametrize("gust_limit_mps", [-0.1, 40.1])
def test_a_gust_limit_lies_between_calm_and_hurricane(make: Factory, gust_limit_mps: float) -> None:
    with pytest.raises(FieldRefused) as refusal:
        covers.create_kind(
            entry=kind_entry(gust_limit_mps=gust_limit_mps), member=make.coordinator(), now=NOW
        )

    assert refusal.value.field == "gust_limit_mps"


def test_a_sheet_has_no_height_and_may_be_as_big_outside_as_inside(make: Factory) -> None:
    odile = make.coordinator()
    flat = sizes(inner_height_cm=None, outer_length_cm=80.0, outer_width_cm=40.0)

    kind_id = covers.create_kind(entry=kind_entry(flat, is_rigid=False), member=odile, now=NOW)

    kind = covers.get_kind(kind_id=kind_id, member=odile)
    assert kind.inner_height_cm is None
    assert kind.status == "ours"
    assert [c.key for c in kind.cautions]


def test_a_member_copies_a_kind_in_another_size_and_its_lift_is_taken_over(
    make: Factory,
) -> None:
    vera = make.member()
    kind = make.cover_kind(clear_mean_k=1.7, status="memory", reference_key="tote")

    copy_id = covers.copy_kind(kind_id=kind.id, sizes=sizes(), member=vera, now=NOW)

    copy = covers.get_kind(kind_id=copy_id, member=vera)
    assert (copy.clear_mean_k, copy.status, copy.inner_length_cm) == (1.7, "memory", 80.0)
    assert kind.name in copy.why
    assert copy.evidence
    assert not copy.is_published


def test_a_copy_of_a_sheet_stays_a_sheet(make: Factory) -> None:
    sheet = make.cover_kind(inner_height_cm=None, is_rigid=False)

    with pytest.raises(FieldRefused) as refusal:
        covers.copy_kind(kind_id=sheet.id, sizes=sizes(), member=make.member(), now=NOW)

    assert refusal.value.field == "inner_height_cm"


def test_members_neither_create_nor_change_kinds(make: Factory) -> None:
    kind, vera = make.cover_kind(), make.member()

    with pytest.raises(NotAllowed):
        covers.create_kind(entry=kind_entry(), member=vera, now=NOW)
    with pytest.raises(NotAllowed):
        covers.change_kind(kind_id=kind.id, entry=kind_entry(), member=vera, now=NOW)


def test_a_published_kind_changed_here_is_ours_and_stays_so(make: Factory) -> None:
    odile = make.coordinator()
    with write_transaction() as session:
        seed_catalogue(session)
    kind = db.session.scalar(select(CoverKind).where(CoverKind.reference_key == "tote"))
    assert kind is not None
    assert covers.get_kind(kind_id=kind.id, member=odile).cautions

    covers.change_kind(kind_id=kind.id, entry=kind_entry(clear_mean_k=0.4), member=odile, now=NOW)
    with write_transaction() as session:
        loaded = seed_catalogue(session)

    found = covers.get_kind(kind_id=kind.id, member=odile)
    assert (found.clear_mean_k, found.status, found.sources) == (0.4, "ours", ())
    assert loaded.left_alone == ("Long tote",)
    assert loaded.kinds_added == 0


def test_changing_only_a_size_keeps_the_lifts_source(make: Factory) -> None:
    odile = make.coordinator()
    with write_transaction() as session:
        seed_catalogue(session)
    kind = db.session.scalar(select(CoverKind).where(CoverKind.reference_key == "tote"))
    assert kind is not None
    before = kind.source_ids

    covers.change_kind(
        kind_id=kind.id,
        entry=kind_entry(
            clear_mean_k=kind.clear_mean_k,
            clear_sd_k=kind.clear_sd_k,
            cloudy_mean_k=kind.cloudy_mean_k,
            cloudy_sd_k=kind.cloudy_sd_k,
        ),
        member=odile,
        now=NOW,
    )

    assert kind.source_ids == before
    assert kind.status == "derived"


def test_the_shelter_is_no_cover_to_own(make: Factory) -> None:
    shelter = make.cover_kind(construction="shelter")

    with pytest.raises(NotAllowed):
        add(shelter, make.coordinator())
    with pytest.raises(NotAllowed):
        covers.copy_kind(kind_id=shelter.id, sizes=sizes(), member=make.coordinator(), now=NOW)


def test_places_are_the_coordinators(make: Factory) -> None:
    odile = make.coordinator()
    place_id = covers.create_place(label="porch", note="", member=odile, now=NOW)

    with pytest.raises(NotAllowed):
        covers.create_place(label="barn", note="", member=make.member(), now=NOW)
    with pytest.raises(FieldRefused):
        covers.create_place(label="porch", note="", member=odile, now=NOW)
    covers.change_place(place_id=place_id, label="back porch", note="", member=odile, now=NOW)

    assert [place.label for place in covers.list_places()] == ["back porch"]


def test_unknown_things_are_not_found(make: Factory) -> None:
    odile = make.coordinator()

    for ask in (
        lambda: covers.get_kind(kind_id=9, member=odile),
        lambda: covers.get_cover(cover_id=9, member=odile),
        lambda: covers.get_place(place_id=9),
    ):
        with pytest.raises(NotFound):
            ask()


def test_changing_a_cover_on_its_form_writes_what_must_have_happened(make: Factory) -> None:
    boss = make.coordinator()
    shed, box = make.place("shed"), make.place("box")
    tote = make.cover(place_id=shed.id)
    entry = covers.CoverEntry(
        label="Tote 1",
        kind_id=tote.class_id,
        owner_id=None,
        lending="garden",
        place_id=box.id,
        condition="broken",
        is_usable=False,
        note="",
    )

    covers.change_cover(cover_id=tote.id, entry=entry, member=boss, now=NOW)

    assert actions(tote.id) == ["acquired", "moved", "damaged"]
    say(thing(tote.id), boss, "mended", condition="sound", note="new lid")
    assert fresh(tote.id).is_usable
    assert ledger.differences() == []
