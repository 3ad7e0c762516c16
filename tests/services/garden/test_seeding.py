"""The published tables go into the database, and members' own rows are safe from them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import func, select

from gardenapp import reference
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.plants import Crop, CropStage
from gardenapp.science.designs.design import wider
from gardenapp.science.estimate import Estimate
from gardenapp.services.garden.seeding import Loaded, seed_catalogue
from gardenapp.services.store import covers
from gardenapp.services.store.covers import KindSizes
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory


def load(**changes: object) -> Loaded:
    with write_transaction() as session:
        return seed_catalogue(session, **changes)  # type: ignore[arg-type]


def find_stage(crop: str, stage: str) -> CropStage:
    found = db.session.scalar(
        select(CropStage).join(Crop).where(Crop.name == crop, CropStage.name == stage)
    )
    assert found is not None
    return found


def test_every_published_stage_and_kind_is_loaded_with_its_values(make: Factory) -> None:
    make.garden()

    load()

    for stage in reference.load_stages():
        row = find_stage(stage.crop, stage.stage)
        assert row.threshold_c == stage.unhardened.threshold_c
        assert (row.t10_c, row.t90_c) == (stage.unhardened.t10_c, stage.unhardened.t90_c)
        assert row.status == stage.unhardened.status
        assert row.source_id == stage.unhardened.source_id
        if stage.hardened is not None:
            assert row.hardened_threshold_c == stage.hardened.threshold_c
            assert row.hardened_status == stage.hardened.status
        if stage.chilling is not None:
            assert row.chilling_c == stage.chilling.threshold_c
            assert row.chilling_status == stage.chilling.status
        if stage.root_kill is not None:
            assert row.root_kill_c == stage.root_kill.threshold_c
            assert row.root_kill_status == stage.root_kill.status
        assert row.heat_max_c == stage.heat_max_c
    kinds = {k.reference_key: k for k in db.session.scalars(select(CoverKind))}
    for built in reference.load_constructions():
        kind = kinds[built.key]
        assert (kind.clear_mean_k, kind.cloudy_sd_k) == (built.clear_mean_k, built.cloudy_sd_k)
        assert kind.status == built.status
        assert (kind.inner_height_cm is None) == built.drapes
    assert kinds["tote"].is_sealed
    assert not kinds["tote_unsealed"].is_sealed


@pytest.mark.outside(
    "Longstroth (MSU Extension), Critical spring temperatures for tree fruit, table, apple block"
)
def test_apple_in_full_bloom_keeps_its_published_pair(make: Factory) -> None:
    """28 °F hurts a tenth of the blossom and 25 °F nine tenths."""
    make.garden()

    load()

    row = find_stage("apple", "full bloom")
    assert row.t10_c == pytest.approx((28 - 32) * 5 / 9, abs=0.06)
    assert row.t90_c == pytest.approx((25 - 32) * 5 / 9, abs=0.06)


def test_a_value_from_memory_says_so_in_its_source_line(make: Factory) -> None:
    make.garden()
    stage = reference.load_stages()[0]
    recalled = replace(stage, unhardened=replace(stage.unhardened, status="memory"))

    load(stages=[recalled], constructions=[])

    assert "from memory" in find_stage(stage.crop, stage.stage).source_text


def test_loading_again_adds_nothing(make: Factory) -> None:
    make.garden()
    first = load()

    second = load()

    assert first.stages_added == len(reference.load_stages())
    assert (second.crops_added, second.stages_added, second.kinds_added) == (0, 0, 0)
    assert second.left_alone == ()
    count = db.session.scalar(select(func.count()).select_from(CropStage))
    assert count == len(reference.load_stages())


def test_a_corrected_table_brings_published_rows_up_to_date(make: Factory) -> None:
    make.garden()
    stage, built = reference.load_stages()[0], reference.load_constructions()[0]
    load(stages=[stage], constructions=[built])

    load(
        stages=[replace(stage, unhardened=replace(stage.unhardened, threshold_c=-9.5))],
        constructions=[replace(built, label="Renamed", clear_mean_k=7.25)],
    )

    assert find_stage(stage.crop, stage.stage).threshold_c == -9.5
    kinds = db.session.scalars(select(CoverKind)).all()
    assert [(k.name, k.clear_mean_k) for k in kinds] == [("Renamed", 7.25)]


def test_what_members_added_or_changed_is_left_alone(make: Factory) -> None:
    make.garden()
    stages, built = reference.load_stages(), reference.load_constructions()
    load(stages=stages[1:], constructions=built[1:])
    own_crop = Crop(name=stages[0].crop + " of ours", is_ours=True)
    db.session.add(own_crop)
    changed = find_stage(stages[5].crop, stages[5].stage)
    changed.is_ours, changed.threshold_c = True, 3.0
    kind = db.session.scalar(select(CoverKind).where(CoverKind.reference_key == built[2].key))
    assert kind is not None
    kind.is_edited, kind.clear_mean_k = True, 5.5
    own_kind = make.cover_kind(built[0].label, clear_mean_k=1.25)
    db.session.commit()

    said = load(stages=[replace(stages[0], crop=own_crop.name), *stages[1:]], constructions=built)

    assert find_stage(stages[5].crop, stages[5].stage).threshold_c == 3.0
    assert not db.session.scalars(select(CropStage).where(CropStage.crop_id == own_crop.id)).all()
    assert kind.clear_mean_k == 5.5
    assert own_kind.clear_mean_k == 1.25
    assert set(said.left_alone) == {
        own_crop.name,
        f"{stages[5].crop}, {stages[5].stage}",
        kind.name,
        own_kind.name,
    }


def test_a_copy_that_still_believes_its_original_follows_it(make: Factory) -> None:
    make.garden()
    built = next(b for b in reference.load_constructions() if b.key == "tote")
    old = replace(built, clear_mean_k=3.0, clear_sd_k=0.9, why="Old words.", status="memory")
    load(stages=[], constructions=[old])
    kind = db.session.scalars(select(CoverKind)).one()
    sizes = KindSizes("Long tote", 80.0, 40.0, 35.0, 84.0, 44.0, 3.0)
    member = make.coordinator()
    copies = [
        covers.copy_kind(kind_id=kind.id, sizes=replace(sizes, name=name), member=member, now=NOW)
        for name in ("Follows", "Own figures", "Edited")
    ]
    follows, own, edited = (db.session.get_one(CoverKind, number) for number in copies)
    own.clear_mean_k, edited.is_edited = 4.0, True
    made_here = make.cover_kind(
        "Made here", reference_key="tote", status="derived", why="Built here. Old words.",
        clear_mean_k=3.0, clear_sd_k=wider(Estimate(3.0, 0.9)).sd,
        cloudy_mean_k=old.cloudy_mean_k,
        cloudy_sd_k=wider(Estimate(old.cloudy_mean_k, old.cloudy_sd_k)).sd,
    )  # fmt: skip
    db.session.commit()

    said = load(stages=[], constructions=[built])

    assert (follows.clear_mean_k, follows.clear_sd_k) == (built.clear_mean_k, built.clear_sd_k)
    assert follows.why.startswith("Copied from") and follows.why.endswith(built.why)
    assert "Old words" not in follows.why and follows.status == built.status
    assert made_here.clear_mean_k == built.clear_mean_k
    assert made_here.clear_sd_k == wider(Estimate(0.0, built.clear_sd_k)).sd
    assert made_here.why == f"Built here. {built.why}"
    assert own.clear_mean_k == 4.0 and edited.clear_mean_k == 3.0
    assert set(said.kinds_changed) == {built.label, "Follows", "Made here"}
    assert load(stages=[], constructions=[built]).kinds_changed == ()


def test_day_gains_reach_every_kind_because_no_member_ever_typed_one(make: Factory) -> None:
    make.garden()
    built = next(b for b in reference.load_constructions() if b.key == "tote")
    load(stages=[], constructions=[replace(built, day_gain_k=1.0, day_gain_source_id="")])
    kind = db.session.scalars(select(CoverKind)).one()
    kind.is_edited, kind.clear_mean_k = True, 5.5
    copy = make.cover_kind("Copy", reference_key="tote", day_gain_k=1.0)
    other = make.cover_kind("Nobody's", day_gain_k=1.0)
    db.session.commit()

    said = load(stages=[], constructions=[built])

    assert kind.clear_mean_k == 5.5
    for found in (kind, copy):
        assert (found.day_gain_k, found.day_gain_source_id) == (built.day_gain_k, "UMDHEAT")
    assert other.day_gain_k == 1.0
    assert set(said.kinds_changed) == {kind.name, "Copy"}


def test_a_failure_halfway_leaves_nothing_behind(make: Factory) -> None:
    make.garden()

    with pytest.raises(AttributeError):
        load(constructions=[object()])

    assert db.session.scalar(select(func.count()).select_from(Crop)) == 0
