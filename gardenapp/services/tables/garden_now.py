"""The garden as it is, read once in plain rows, for a table to be held against."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Garden, Member, PlotHolder
from gardenapp.models.plants import Crop, CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.reference.crop_finding import names_of_crops
from gardenapp.services.garden.stage_guess import guess_stage
from gardenapp.services.matching import Names, plain
from gardenapp.services.store.covers import SHELTER
from gardenapp.words import said, speaking

PLOT_FIELDS = ("length_cm", "width_cm", "bed_width_cm", "distance_m", "note")
# What people call the published kinds of cover, by their keys; two keys: it has to be asked.
KIND_WORDS = {
    "cage_bag": ("cage", "cage and bag", "bag over cage", "bag and cage", "jaula"),
    "food_box": ("food box", "salad box", "caja de ensalada"),
    "tote": ("tote", "totes", "storage tote", "storage box", "clear box", "plastic box", "caja"),
    "pallet_lean_to": ("pallet pair", "pallets", "pallet lean-to", "palés", "palets"),
    "box_frame": ("box frame", "film frame", "timber frame", "marco"),
    "fleece_light": ("fleece", "thin fleece", "light fleece", "velo", "velo fino"),
    "fleece_medium": ("fleece", "medium fleece", "velo", "manta térmica"),
    "fleece_heavy": ("fleece", "thick fleece", "heavy fleece", "velo", "velo grueso"),
    "sheet": ("sheet", "bed sheet", "old sheet", "sábana"),
    "blanket": ("blanket", "blankets", "manta"),
    "cardboard_box": ("carton", "cardboard box", "cardboard", "cartón", "caja de cartón"),
    "cold_frame": ("cold frame", "glass frame", "frame with glass", "cajonera"),
    "cold_frame_pc": ("polycarbonate frame", "wall frame", "cajonera de policarbonato"),
    "hooped_tunnel": ("tunnel", "film tunnel", "hoops and film", "túnel"),
    "hooped_fleece": ("fleece tunnel", "hoops and fleece", "túnel de velo"),
    "bottle": ("bottle", "bottles", "jar", "bell jar", "cloche", "botella", "campana"),
    "straw": ("straw", "straw bale", "paja"),
    "film_sheet": ("film", "film sheet", "plastic sheet", "plástico"),
}
PLANTING_FIELDS = (
    "count",
    "height_cm",
    "spread_cm",
    "in_pot",
    "is_movable",
    "mind",
    "worth_per",
    "note",
)


@dataclass(frozen=True)
class Stage:
    """A crop's stage. [cm]"""

    id: int
    crop_id: int
    name: str
    crop: str
    height_cm: float
    spread_cm: float


@dataclass(frozen=True)
class Row:
    """Something the garden has: its number, what it goes by, and what it says."""

    id: int
    name: str
    values: dict[str, Any]


@dataclass
class GardenNow:
    """Everything a table is held against."""

    on: date
    latitude: float
    length_unit: str
    plots: dict[str, Row] = field(default_factory=dict)
    members: dict[str, Row] = field(default_factory=dict)
    holders: set[tuple[int, int]] = field(default_factory=set)
    plantings: dict[tuple[int, int], list[Row]] = field(default_factory=dict)
    stages: dict[int, Stage] = field(default_factory=dict)
    stages_of: dict[int, list[Stage]] = field(default_factory=dict)
    crops: Names[int] = field(default_factory=lambda: Names([]))
    kinds: Names[int] = field(default_factory=lambda: Names([]))
    kind_names: dict[int, str] = field(default_factory=dict)

    def usual_stage(self, crop_id: int, *, in_pot: bool | None) -> Stage:
        """The stage a crop is probably in today."""
        stages = self.stages_of[crop_id]
        return guess_stage(stages, on=self.on, latitude=self.latitude, in_pot=in_pot)


def load_garden(garden: Garden, on: date) -> GardenNow:
    """The garden on a day of its own calendar; a query a table, whatever its size."""
    session = db.session
    found = GardenNow(on, garden.latitude, garden.length_unit)
    for plot in session.execute(
        select(Plot.id, Plot.label, *(getattr(Plot, name) for name in PLOT_FIELDS))
    ):
        values = {name: getattr(plot, name) for name in PLOT_FIELDS}
        found.plots[plain_label(plot.label)] = Row(plot.id, plot.label, values)
    for member in session.execute(
        select(Member.id, Member.name, Member.language, Member.role, Member.is_active)
    ):
        said_of = {"language": member.language, "role": member.role, "is_active": member.is_active}
        found.members[plain(member.name)] = Row(member.id, member.name, said_of)
    found.holders = {
        (plot_id, member_id)
        for plot_id, member_id in session.execute(select(PlotHolder.plot_id, PlotHolder.member_id))
    }
    _load_plants(found)
    kinds = session.execute(
        select(CoverKind.id, CoverKind.name, CoverKind.reference_key, CoverKind.is_published).where(
            CoverKind.construction != SHELTER
        )
    ).all()
    found.kind_names = {row.id: row.name for row in kinds}
    found.kinds = Names(name for row in kinds for name in _kind_names(row))
    return found


def plain_label(label: str) -> str:
    """A plot's label as it is compared: case and spaces do not count."""
    return "".join(label.casefold().split())


def _load_plants(found: GardenNow) -> None:
    session = db.session
    stages = defaultdict(list)
    latin: dict[str, str] = {}
    for row in session.execute(
        select(
            CropStage.id,
            CropStage.crop_id,
            CropStage.name,
            Crop.name.label("crop"),
            Crop.scientific_name.label("latin"),
            CropStage.usual_height_cm,
            CropStage.usual_spread_cm,
        )
        .join(Crop, Crop.id == CropStage.crop_id)
        .order_by(CropStage.id)
    ):
        stage = Stage(row.id, row.crop_id, row.name, row.crop, *row[5:])
        if row.latin:
            latin[row.crop] = row.latin
        found.stages[stage.id] = stage
        stages[stage.crop_id].append(stage)
    found.stages_of = dict(stages)
    crops = {stage.crop: stage.crop_id for stage in found.stages.values()}
    published = names_of_crops()
    with speaking("es"):
        spanish = {crop: str(said(crop)) for crop in crops}
    found.crops = Names(
        (name, crop_id)
        for crop, crop_id in crops.items()
        for name in (crop, spanish[crop], latin.get(crop, crop), *published.get(crop, ()))
    )
    plantings = defaultdict(list)
    columns = [getattr(Planting, name) for name in PLANTING_FIELDS]
    for planting in session.execute(
        select(Planting.id, Planting.plot_id, Planting.stage_id, Planting.name, *columns)
        .where(Planting.ended_at.is_(None))
        .order_by(Planting.id)
    ):
        values = {name: getattr(planting, name) for name in PLANTING_FIELDS}
        stage = found.stages[planting.stage_id]
        plantings[planting.plot_id, stage.crop_id].append(
            Row(planting.id, planting.name, values | {"stage_id": planting.stage_id})
        )
    found.plantings = dict(plantings)


def _kind_names(kind: Any) -> list[tuple[str, int]]:
    """What a kind goes by: its name in both languages, and what people call a published one."""
    with speaking("es"):
        spanish = str(said(kind.name))
    names = [kind.name, spanish, kind.name.partition(",")[0], spanish.partition(",")[0]]
    if kind.is_published:
        names += KIND_WORDS.get(kind.reference_key, ())
    return [(text, kind.id) for text in dict.fromkeys(names)]
