"""A store with timber, film and boxes in it, and frames to build of them."""

from __future__ import annotations

from typing import Any

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.store import Lot
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry
from gardenapp.services.builds.shapes import Need, usual_sizes
from gardenapp.services.store import lots
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW

INCH = 25.4
FRAME: dict[str, Any] = {
    **usual_sizes("box_frame"),
    "length_mm": 50 * INCH,
    "width_mm": 34 * INCH,
    "height_mm": 24 * INCH,
    "bar_mm": 1.5 * INCH,
}
# Of the checks that are marked so, and of nothing else.
CHECKED_FRAME: dict[str, Any] = FRAME | {
    "length_mm": 56 * INCH,
    "width_mm": 42 * INCH,
    "height_mm": 30 * INCH,
}
NEED = Need(300.0, 250.0, 12, 2_400.0, 48 * INCH)


def stock_up(member: Member, *, boards: int = 6, film_m: float = 20.0) -> dict[str, int]:
    """Timber of 96 in, film, two pallets with a sheet, and totes."""
    entries = {
        "timber": (
            LotEntry("Bars 38", "timber", length_mm=96 * INCH, section="38.1 × 38.1 mm"),
            boards,
        ),
        "film": (LotEntry("Film 4 m", "film", "m", 400.0, 150.0, resin="4"), film_m),
        "pallet": (
            LotEntry("Pallets", "pallet", section="1200 × 800 mm", mark="HT", wood="untreated"),
            2,
        ),
        "sheet": (LotEntry("Old cotton sheet", "other", "m", 240.0), 6),
        "tote": (LotEntry("Clear totes", "box", section="560 × 380 × 350 mm"), 3),
        "screw": (LotEntry("Screws 4 × 60", "other"), 30),
    }
    return {
        name: lots.add_lot(
            entry=entry,
            quantity_milli=round(count * 1000),
            place_id=None,
            member=member,
            now=NOW,
        )
        for name, (entry, count) in entries.items()
        if count
    }


def add(member: Member, **changes: Any) -> int:
    values: dict[str, Any] = {"shape": "box_frame", "sizes": FRAME, "need": NEED}
    return designing.add_plan(entry=PlanEntry(**values | changes), member=member, now=NOW)


def on_hand(lot_id: int) -> int:
    db.session.expire_all()
    lot = db.session.get(Lot, lot_id)
    assert lot is not None
    return lot.on_hand_milli
