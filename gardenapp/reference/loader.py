"""Reads the package's tables once each and hands out frozen records.

The files are part of the package, so a wrong cell is our mistake and not a member's: it
raises ValueError with the file and the line, and the tests load every file.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from importlib import resources
from io import StringIO
from types import MappingProxyType
from typing import TypeVar, cast, get_args

from gardenapp.reference.records import (
    STATUS_ORDER,
    STATUSES,
    Caution,
    Chilling,
    ConstructionDefault,
    CropName,
    CurveKind,
    CurveSource,
    Evidence,
    EvidenceKind,
    Hardened,
    Hardens,
    Harm,
    LiftEvidence,
    Material,
    NightValue,
    PublishedUnit,
    RefersTo,
    Source,
    StageDefault,
    StageHeat,
    Status,
    Term,
    UsualOffset,
)

_T = TypeVar("_T")


class _Row:
    """One line of a table, with readers that name the cell when it is wrong."""

    def __init__(self, file_name: str, line: int, cells: Mapping[str, str]) -> None:
        self._where = f"{file_name}, line {line}"
        self._cells = cells

    def wrong(self, message: str) -> ValueError:
        return ValueError(f"{self._where}: {message}")

    def text(self, column: str) -> str:
        try:
            return self._cells[column]
        except KeyError:
            raise self.wrong(f"there is no column {column!r}") from None

    def one_of(self, column: str, allowed: frozenset[str]) -> str:
        value = self.text(column)
        if value not in allowed:
            raise self.wrong(f"{column} is {value!r}, not one of {sorted(allowed)}")
        return value

    def number(self, column: str) -> float:
        value = self.number_or_none(column)
        if value is None:
            raise self.wrong(f"{column} is empty")
        return value

    def number_or_none(self, column: str) -> float | None:
        value = self.text(column)
        if value == "":
            return None
        try:
            return float(value)
        except ValueError:
            raise self.wrong(f"{column} is {value!r}, not a number") from None

    def flag(self, column: str) -> bool:
        return self.one_of(column, frozenset({"yes", "no"})) == "yes"

    def words(self, column: str) -> tuple[str, ...]:
        return tuple(self.text(column).split())

    def status(self, column: str = "status") -> Status:
        return cast(Status, self.one_of(column, STATUSES))

    def refers_to(self) -> RefersTo:
        return cast(RefersTo, self.one_of("refers_to", frozenset(get_args(RefersTo))))


def _rows(file_name: str) -> Iterator[_Row]:
    table = resources.files("gardenapp.reference").joinpath(file_name)
    text = table.read_text(encoding="utf-8")
    reader = csv.DictReader(StringIO(text, newline=""), strict=True)
    for cells in reader:
        if None in cells or None in cells.values():
            raise ValueError(f"{file_name}, line {reader.line_num}: wrong number of cells")
        yield _Row(file_name, reader.line_num, cells)


def _table(file_name: str, make: Callable[[_Row], _T]) -> tuple[_T, ...]:
    return tuple(make(row) for row in _rows(file_name))


def _weakest(*statuses: Status) -> Status:
    return max(statuses, key=STATUS_ORDER.index)


@cache
def load_sources() -> Mapping[str, Source]:
    """Every publication a value was taken from, by its id.

    Raises ValueError when the table is damaged or an id stands twice.
    """
    sources: dict[str, Source] = {}
    for row in _rows("sources.csv"):
        source = Source(
            id=row.text("id"),
            author=row.text("author"),
            year=row.text("year"),
            title=row.text("title"),
            publisher=row.text("publisher"),
            address=row.text("address"),
            licence=row.text("licence"),
        )
        if source.id in sources:
            raise row.wrong(f"source {source.id} stands twice")
        sources[source.id] = source
    return MappingProxyType(sources)


_HARDENED = frozenset(get_args(Hardened))
_EVIDENCE_KINDS = frozenset(get_args(EvidenceKind))
_UNITS = frozenset(get_args(PublishedUnit))


def _evidence(row: _Row) -> Evidence:
    return Evidence(
        crop=row.text("crop"),
        scientific_name=row.text("scientific_name"),
        part=row.text("part"),
        hardened=cast(Hardened, row.one_of("hardened", _HARDENED)),
        kind=cast(EvidenceKind, row.one_of("kind", _EVIDENCE_KINDS)),
        temp_c=row.number_or_none("temp_c"),
        as_published=row.text("as_published"),
        published_unit=cast(PublishedUnit, row.one_of("published_unit", _UNITS)),
        source_id=row.text("source_id"),
        location=row.text("location"),
        status=row.status(),
        note=row.text("note"),
        refers_to=row.refers_to(),
    )


@cache
def load_evidence() -> tuple[Evidence, ...]:
    """Everything found about crops and cold, both sides of each disagreement. [°C]

    Read `kind` and `note` before use: some rows are class bounds or storage limits.
    Raises ValueError when the table is damaged.
    """
    return _table("evidence.csv", _evidence)


_CURVE_KINDS = frozenset(get_args(CurveKind))


def _curve(row: _Row) -> CurveSource:
    t10_c = row.number_or_none("t10_c")
    t90_c = row.number_or_none("t90_c")
    if (t10_c is None) != (t90_c is None):
        raise row.wrong("t10_c and t90_c come together or not at all")
    return CurveSource(
        kind=cast(CurveKind, row.one_of("kind", _CURVE_KINDS)),
        threshold_c=row.number("threshold_c"),
        t10_c=t10_c,
        t90_c=t90_c,
        spread_k=row.number_or_none("spread_k"),
        source_id=row.text("source_id"),
        location=row.text("location"),
        status=row.status(),
        refers_to=row.refers_to(),
        note=row.text("note"),
    )


def _chilling(row: _Row) -> Chilling:
    return Chilling(
        threshold_c=row.number("threshold_c"),
        hours_for_half=row.number_or_none("hours_for_half"),
        source_id=row.text("source_id"),
        location=row.text("location"),
        status=row.status(),
        note=row.text("note"),
    )


_ROLES = frozenset(
    {"unhardened", "hardened", "death_unhardened", "death_hardened", "root_kill", "chilling"}
)
_HARMS = frozenset(get_args(Harm))
_HARDENS = frozenset(get_args(Hardens))


@cache
def load_stages() -> tuple[StageDefault, ...]:
    """The crops and stages a form offers, each with the thresholds assumed for it. [°C, cm]

    Joins `stages.csv` (one line a stage) with `thresholds.csv` (one line a threshold).
    Raises ValueError when a table is damaged, a stage stands twice or has no threshold for
    plants that are not hardened off.
    """
    curves: dict[tuple[str, str, str], CurveSource] = {}
    chilling: dict[tuple[str, str], Chilling] = {}
    for row in _rows("thresholds.csv"):
        crop, stage = row.text("crop"), row.text("stage")
        role = row.one_of("role", _ROLES)
        if (crop, stage, role) in curves or (role == "chilling" and (crop, stage) in chilling):
            raise row.wrong(f"{crop}, {stage}: {role} stands twice")
        if role == "chilling":
            chilling[crop, stage] = _chilling(row)
        else:
            curves[crop, stage, role] = _curve(row)

    stages: dict[tuple[str, str], StageDefault] = {}
    for row in _rows("stages.csv"):
        crop, stage = row.text("crop"), row.text("stage")
        if (crop, stage) in stages:
            raise row.wrong(f"{crop}, {stage} stands twice")
        if (crop, stage, "unhardened") not in curves:
            raise row.wrong(f"{crop}, {stage} has no line for unhardened plants in thresholds.csv")
        stages[crop, stage] = StageDefault(
            crop=crop,
            scientific_name=row.text("scientific_name"),
            group=row.text("group"),
            stage=stage,
            unhardened=curves.pop((crop, stage, "unhardened")),
            hardened=curves.pop((crop, stage, "hardened"), None),
            death_unhardened=curves.pop((crop, stage, "death_unhardened"), None),
            death_hardened=curves.pop((crop, stage, "death_hardened"), None),
            harm=cast(Harm, row.one_of("harm", _HARMS)),
            hardens=cast(Hardens, row.one_of("hardens", _HARDENS)),
            chilling=chilling.pop((crop, stage), None),
            root_kill=curves.pop((crop, stage, "root_kill"), None),
            heat_max_c=row.number_or_none("heat_max_c"),
            heat_source_id=row.text("heat_source_id"),
            heat_status=row.status("heat_status") if row.text("heat_max_c") else None,
            why=row.text("why"),
            default_height_cm=row.number("default_height_cm"),
            default_spread_cm=row.number("default_spread_cm"),
        )
    left_over = sorted({key[:2] for key in curves} | set(chilling))
    if left_over:
        raise ValueError(f"thresholds.csv has lines for stages that do not exist: {left_over}")
    return tuple(stages.values())


@cache
def load_crop_names() -> tuple[CropName, ...]:
    """Other common names of the crops, English and Spanish. Raises ValueError when damaged."""
    languages = frozenset({"en", "es"})

    def make(row: _Row) -> CropName:
        return CropName(row.text("crop"), row.one_of("language", languages), row.text("name"))

    return _table("crop_names.csv", make)


@cache
def load_stage_heat() -> tuple[StageHeat, ...]:
    """The warmth at which fruit blossom reaches its stages, by crop and in order.

    Raises ValueError when the table is damaged or names a stage that `stages.csv` does not have.
    """
    known = {(stage.crop, stage.stage) for stage in load_stages()}

    def make(row: _Row) -> StageHeat:
        if (row.text("crop"), row.text("stage")) not in known:
            raise row.wrong("no such crop and stage in stages.csv")
        return StageHeat(
            crop=row.text("crop"),
            stage=row.text("stage"),
            degree_days_k=row.number("degree_days_k"),
            base_c=row.number("base_c"),
            upper_c=row.number("upper_c"),
            status=row.status(),
            source_id=row.text("source_id"),
            location=row.text("location"),
            note=row.text("note"),
        )

    return _table("stage_heat.csv", make)


@cache
def load_constructions() -> tuple[ConstructionDefault, ...]:
    """The ways of building a cover, each with its prior lift on two kinds of night. [K, cm, m/s]

    Joins `constructions.csv` (one line a way of building) with `lift_priors.csv` (one line a
    way and kind of night). Raises ValueError when a table is damaged or a prior is missing.
    """
    priors = {(row.text("key"), row.text("night")): row for row in _rows("lift_priors.csv")}

    def make(row: _Row) -> ConstructionDefault:
        key = row.text("key")
        try:
            clear, cloudy = priors[key, "clear"], priors[key, "cloudy"]
        except KeyError:
            raise row.wrong(f"{key} needs a clear and a cloudy line in lift_priors.csv") from None
        source_ids = dict.fromkeys(clear.words("source_ids") + cloudy.words("source_ids"))
        return ConstructionDefault(
            key=key,
            label=row.text("label"),
            construction=row.text("construction"),
            material=row.text("material"),
            film=row.text("film"),
            layers=int(row.number("layers")),
            is_rigid=row.flag("is_rigid"),
            drapes=row.flag("drapes"),
            may_touch=row.flag("may_touch"),
            inner_length_cm=row.number("inner_length_cm"),
            inner_width_cm=row.number("inner_width_cm"),
            inner_height_cm=row.number("inner_height_cm"),
            outer_length_cm=row.number("outer_length_cm"),
            outer_width_cm=row.number("outer_width_cm"),
            minutes=row.number("minutes"),
            mass_kg=row.number_or_none("mass_kg"),
            gust_limit_mps=row.number("gust_limit_mps"),
            gust_source=row.text("gust_source"),
            clear_mean_k=clear.number("mean_k"),
            clear_sd_k=clear.number("sd_k"),
            cloudy_mean_k=cloudy.number("mean_k"),
            cloudy_sd_k=cloudy.number("sd_k"),
            leaf_shield=row.number("leaf_shield"),
            leaf_shield_source_id=row.text("leaf_shield_source_id"),
            leaf_shield_status=row.status("leaf_shield_status"),
            source_ids=tuple(source_ids),
            status=_weakest(clear.status(), cloudy.status()),
            why=f"Clear calm night: {clear.text('why')} "
            f"Cloudy or windy night: {cloudy.text('why')}",
            day_gain_k=row.number_or_none("day_gain_k"),
            day_gain_source_id=row.text("day_gain_source_id"),
            cautions=row.words("cautions"),
        )

    return _table("constructions.csv", make)


@cache
def load_lift_evidence() -> tuple[LiftEvidence, ...]:
    """Everything found about what covers gain at night, negative gains included. [K]

    Raises ValueError when the table is damaged.
    """

    def make(row: _Row) -> LiftEvidence:
        return LiftEvidence(
            cover=row.text("cover"),
            layers=row.text("layers"),
            material=row.text("material"),
            conditions=row.text("conditions"),
            night_gain_low_k=row.number_or_none("night_gain_low_k"),
            night_gain_high_k=row.number_or_none("night_gain_high_k"),
            day_gain_k=row.number_or_none("day_gain_k"),
            source_id=row.text("source_id"),
            location=row.text("location"),
            status=row.status(),
            note=row.text("note"),
            is_open_air=row.flag("is_open_air"),
            constructions=row.words("constructions"),
        )

    return _table("lift_evidence.csv", make)


@cache
def load_cautions() -> tuple[Caution, ...]:
    """Dangers to name beside the task they belong to, and who decides.

    Raises ValueError when the table is damaged.
    """

    def make(row: _Row) -> Caution:
        return Caution(
            key=row.text("key"),
            text=row.text("text"),
            source_ids=row.words("source_ids"),
            status=row.status(),
            defer_to=row.text("defer_to"),
        )

    return _table("cautions.csv", make)


@cache
def load_materials() -> tuple[Material, ...]:
    """Densities, sizes, marks and codes of what covers are made of, each in its own unit.

    Raises ValueError when the table is damaged.
    """

    def make(row: _Row) -> Material:
        return Material(
            material=row.text("material"),
            property=row.text("property"),
            value=row.text("value"),
            unit=row.text("unit"),
            low=row.number_or_none("low"),
            high=row.number_or_none("high"),
            source_id=row.text("source_id"),
            location=row.text("location"),
            status=row.status(),
        )

    return _table("materials.csv", make)


@cache
def load_night_values() -> Mapping[str, NightValue]:
    """What every night is reckoned with, by the step it belongs to.

    Raises ValueError when the table is damaged.
    """

    def make(row: _Row) -> NightValue:
        return NightValue(
            step=row.text("step"),
            subject=row.text("subject"),
            value=row.text("value"),
            source_id=row.text("source_id"),
            location=row.text("location"),
            status=row.status(),
            note=row.text("note"),
        )

    return MappingProxyType({value.step: value for value in _table("night.csv", make)})


@cache
def load_offsets() -> tuple[UsualOffset, ...]:
    """How much colder or milder usual spots of a garden are than its screen.

    Raises ValueError when the table is damaged.
    """

    def make(row: _Row) -> UsualOffset:
        return UsualOffset(
            key=row.text("key"),
            label=row.text("label"),
            mean_k=row.number("mean_k"),
            sd_k=row.number("sd_k"),
            hint=row.text("hint"),
            status=row.status(),
        )

    return _table("offsets.csv", make)


@cache
def load_terms() -> tuple[Term, ...]:
    """The words the app uses, one plain sentence each.

    Raises ValueError when the table is damaged.
    """

    def make(row: _Row) -> Term:
        return Term(
            term=row.text("term"),
            meaning=row.text("meaning"),
            source_ids=row.words("source_ids"),
            status=row.status(),
        )

    return _table("terms.csv", make)
