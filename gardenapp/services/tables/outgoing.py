"""The garden's own tables to start from: what goes out comes back as no change.

Headings and words are in the reader's language. Lengths carry their unit, so that no program has
to guess. Text that a spreadsheet might run gets an apostrophe, as in the store's own tables.
"""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.people import Member, PlotHolder
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.models.store import Lot
from gardenapp.services.permission import coordinator_only
from gardenapp.services.store.covers import natural
from gardenapp.services.store.tables import (
    LOT_COLUMNS,
    THING_COLUMNS,
    StoreNames,
    cells_of,
    guard,
    lot_values,
    thing_values,
)
from gardenapp.services.tables.columns import COVERS, GARDEN, HOLDS, MATERIALS, MEMBERS
from gardenapp.words import _, later, said

ALL = "all"
# Every column's heading, by what its table holds.
TITLES: Mapping[str, Mapping[str, str]] = {
    GARDEN: {
        "plot": later("Plot"),
        "length": later("Length"),
        "width": later("Width"),
        "bed_width": later("Bed width"),
        "distance": later("Distance"),
        "holder": later("Holder"),
        "crop": later("Crop"),
        "stage": later("Stage"),
        "variety": later("Variety"),
        "count": later("How many"),
        "height": later("Height"),
        "spread": later("Spacing"),
        "in_pot": later("In pots"),
        "movable": later("Can be carried in"),
        "mind": later("How much you would mind"),
        "per": later("Worth per"),
        "note": later("Note"),
    },
    MEMBERS: {
        "name": later("Name"),
        "plots": later("Plots"),
        "language": later("Language"),
        "role": later("Role"),
    },
    COVERS: {
        "code": later("Code"),
        "label": later("Label"),
        "kind": later("Kind of cover"),
        "count": later("How many"),
        "place": later("Kept in"),
        "owner": later("Owner"),
        "lending": later("Lending"),
        "condition": later("Condition"),
        "origin": later("Origin"),
        "cost": later("Cost"),
        "acquired_on": later("Acquired on"),
        "film_area_m2": later("Film area m2"),
        "film_thickness_um": later("Film thickness um"),
        "resin": later("Resin"),
        "mark": later("Mark"),
        "wood": later("Wood"),
        "off_season_job": later("Off season job"),
        "note": later("Note"),
    },
    MATERIALS: {
        "code": later("Code"),
        "name": later("Name"),
        "sort": later("Kind of material"),
        "unit": later("Unit"),
        "quantity": later("Quantity"),
        "width_cm": later("Width cm"),
        "thickness_um": later("Thickness um"),
        "length_mm": later("Length mm"),
        "section": later("Section"),
        "for_beds": later("For beds"),
        "place": later("Kept in"),
        "owner": later("Owner"),
        "lending": later("Lending"),
        "condition": later("Condition"),
        "origin": later("Origin"),
        "cost": later("Cost"),
        "acquired_on": later("Acquired on"),
        "resin": later("Resin"),
        "mark": later("Mark"),
        "wood": later("Wood"),
        "note": later("Note"),
    },
}
# Those that only some way of typing needs: left out of what goes out.
_NOT_OUT = {COVERS: ("count",)}


def export(*, which: str, member: Member) -> str:
    """One of the garden's tables, or ALL of them below one another, as CSV.

    Raises NotAllowed, NotFound for another name.
    """
    coordinator_only(member)
    if which != ALL and which not in HOLDS:
        raise NotFound(_("There is no such table."))
    rows = {GARDEN: _garden, MEMBERS: _members, COVERS: _covers, MATERIALS: _materials}
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    for number, holds in enumerate(HOLDS if which == ALL else (which,)):
        if number:
            writer.writerow([])
        columns = columns_out(holds)
        writer.writerow([str(TITLES[holds][name]) for name in columns])
        for row in rows[holds]():
            writer.writerow([row.get(name, "") for name in columns])
    return out.getvalue()


def columns_out(holds: str) -> tuple[str, ...]:
    """The columns of a table that goes out."""
    return tuple(name for name in TITLES[holds] if name not in _NOT_OUT.get(holds, ()))


def _size(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.10g} {unit}"


def _yes(value: bool) -> str:
    return _("yes") if value else _("no")


def _garden() -> list[dict[str, str]]:
    session = db.session
    holders = defaultdict(list)
    for plot_id, name in session.execute(
        select(PlotHolder.plot_id, Member.name)
        .join(Member, Member.id == PlotHolder.member_id)
        .where(Member.is_active)
        .order_by(Member.name)
    ):
        holders[plot_id].append(name)
    growing = defaultdict(list)
    for planting in session.scalars(
        select(Planting)
        .where(Planting.ended_at.is_(None))
        .options(joinedload(Planting.stage).joinedload(CropStage.crop))
        .order_by(Planting.id)
    ):
        growing[planting.plot_id].append(planting)
    found = []
    for plot in sorted(session.scalars(select(Plot)), key=lambda row: natural(row.label)):
        of_plot = {
            "plot": guard(plot.label),
            "length": _size(plot.length_cm, "cm"),
            "width": _size(plot.width_cm, "cm"),
            "bed_width": _size(plot.bed_width_cm, "cm"),
            "distance": _size(plot.distance_m, "m") if plot.distance_m else "",
            "holder": guard(", ".join(holders[plot.id])),
        }
        found += [of_plot | _planting(planting) for planting in growing[plot.id]] or [of_plot]
    return found


def _planting(row: Planting) -> dict[str, str]:
    return {
        "crop": guard(str(said(row.stage.crop.name))),
        "stage": guard(str(said(row.stage.name))),
        "variety": guard(row.name),
        "count": str(row.count),
        "height": _size(row.height_cm, "cm"),
        "spread": _size(row.spread_cm, "cm"),
        "in_pot": _yes(row.in_pot),
        "movable": _yes(row.is_movable),
        "mind": row.mind,
        "per": row.worth_per,
        "note": guard(row.note),
    }


def _members() -> list[dict[str, str]]:
    session = db.session
    plots = defaultdict(list)
    for member_id, label in session.execute(
        select(PlotHolder.member_id, Plot.label)
        .join(Plot, Plot.id == PlotHolder.plot_id)
        .order_by(Plot.label)
    ):
        plots[member_id].append(label)
    rows = session.scalars(select(Member).where(Member.is_active).order_by(Member.name))
    return [
        {
            "name": guard(row.name),
            "plots": guard(", ".join(plots[row.id])),
            "language": row.language or "",
            "role": row.role,
        }
        for row in rows
    ]


def _covers() -> list[dict[str, str]]:
    names = StoreNames()
    rows = db.session.scalars(select(Cover).where(Cover.status != "retired"))
    return [
        _store_row(THING_COLUMNS, thing_values(row), names)
        for row in sorted(rows, key=lambda row: natural(row.label))
    ]


def _materials() -> list[dict[str, str]]:
    names = StoreNames()
    rows = db.session.scalars(select(Lot).order_by(Lot.name, Lot.code))
    return [
        _store_row(LOT_COLUMNS, lot_values(row), names)
        for row in rows
        if row.on_hand_milli + row.lent_milli + row.out_milli
    ]


def _store_row(
    columns: tuple[str, ...], values: Mapping[str, Any], names: StoreNames
) -> dict[str, str]:
    return dict(zip(columns, cells_of(columns, values, names), strict=True))
