"""What the store holds for building, in the words that designs and cut plans use.

Only what may go near food beds, is not broken, and is the garden's or the member's own is
counted. Where each number came from is kept, so that building can take it from there.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import joinedload

from gardenapp.extensions import db
from gardenapp.models.builds import UnitPrice
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry, Lot
from gardenapp.science.covers.film import Roll
from gardenapp.science.designs.design import OnHand
from gardenapp.science.timber.cutting import LONGEST_MM, Stock
from gardenapp.services.store.subjects import may_handle

ONE = 1_000
USUAL_FILM_UM = 150.0
_NUMBERS = re.compile(r"\d{1,5}(?:[.,]\d{1,3})?")
_PER_MM = {"mm": 1.0, "cm": 10.0, "m": 1_000.0, "in": 25.4}

# Small things a design counts, and words by which the store may know them. Nobody writes down
# every screw: what is short of these does not stop a build, it is said.
FIXINGS: dict[str, tuple[str, ...]] = {
    "screw": ("screw",),
    "staple": ("staple",),
    "hinge": ("hinge",),
    "hook and eye": ("hook",),
    "prop": ("prop", "stay"),
    "end peg": ("peg",),
    "film clip": ("clip",),
    "tie": ("tie", "string"),
    "ridge string, m": ("string", "twine"),
    "strap or rope, 3 m": ("strap", "rope"),
}
_METRES_EACH = {"ridge string, m": 1.0, "strap or rope, 3 m": 3.0, "tie": 0.3}


@dataclass(frozen=True)
class Held:
    """One lot as building sees it. `sizes_mm` are the numbers of its section."""

    lot_id: int
    name: str
    sort: str
    unit: str
    place: str
    on_hand_milli: int
    length_mm: float | None
    width_mm: float | None
    thickness_um: float | None
    sizes_mm: tuple[float, ...]
    is_offcut: bool

    @property
    def whole(self) -> int:
        """Whole pieces."""
        return self.on_hand_milli // ONE


@dataclass(frozen=True)
class Price:
    """What a material costs: money for a metre, a square metre or one."""

    what: str
    price: float
    sold_length_mm: float | None


@dataclass(frozen=True)
class Taking:
    """So much of a lot that an item could come from: `milli_each` for one of the item."""

    lot_id: int
    name: str
    milli_each: int
    free_milli: int


@dataclass(frozen=True)
class Materials:
    """The store, ready for designs. Boards and rolls are named by their lot's id."""

    held: Mapping[int, Held]
    boards: tuple[Stock, ...]
    rolls: tuple[tuple[Roll, str], ...]  # with the lot's sort
    items: Mapping[str, tuple[Taking, ...]]
    prices: Mapping[str, Price] = field(default_factory=dict)

    def rolls_for(self, shape: str) -> tuple[Roll, ...]:
        """Film for film; a lean-to's sheet may as well be fleece or any cloth."""
        sorts = {"film", "fleece", "other"} if shape == "pallet_lean_to" else {"film"}
        return tuple(roll for roll, sort in self.rolls if sort in sorts)

    def on_hand(self, shape: str, *, kerf_mm: float) -> OnHand:
        """What there is, as a design asks for it. Which tools there are is not asked."""
        return OnHand(
            stock=self.boards,
            rolls=self.rolls_for(shape),
            items={
                name: sum(take.free_milli // take.milli_each for take in takings)
                for name, takings in self.items.items()
            },
            prices={what: price.price for what, price in self.prices.items()},
            kerf_mm=kerf_mm,
        )

    def for_sale(self) -> tuple[Stock, ...]:
        """Boards that can be bought: those with a price and a length."""
        return tuple(
            Stock(
                name=f"new {price.what}",
                length_mm=price.sold_length_mm,
                section=price.what,
                price=price.price * price.sold_length_mm / 1_000.0,
            )
            for price in self.prices.values()
            if price.sold_length_mm is not None
        )

    def of_sort(self, *sorts: str) -> tuple[Held, ...]:
        """The lots of these sorts, most first."""
        found = [held for held in self.held.values() if held.sort in sorts]
        return tuple(sorted(found, key=lambda held: (-held.on_hand_milli, held.lot_id)))


def sizes_in(text: str) -> tuple[float, ...]:
    """The numbers of "38 × 38 mm" or "2 x 4 in", in mm; without a unit they are mm.

    Examples
    --------
    >>> sizes_in("48 × 40 in"), sizes_in("20 mm"), sizes_in("odd")
    ((1219.2, 1016.0), (20.0,), ())
    """
    numbers = [float(found.replace(",", ".")) for found in _NUMBERS.findall(text)]
    unit = re.search(r"(mm|cm|in|m)\b", re.sub(r"[\d.,×x]", " ", text.casefold()))
    per_mm = _PER_MM[unit[1]] if unit else 1.0
    return tuple(round(number * per_mm, 3) for number in numbers[:3] if number > 0)


def section_of(held: Held) -> str:
    """A lot's section as designs write it: "38 x 38", "pipe 20", "wire 2.5"; empty if unknown."""
    if not held.sizes_mm:
        return ""
    if held.sort == "hoop":
        word = "wire" if "wire" in held.name.casefold() else "pipe"
        return f"{word} {held.sizes_mm[0]:g}"
    if held.sort == "timber" and len(held.sizes_mm) >= 2:
        thin, wide = sorted(held.sizes_mm[:2])
        return f"{thin:g} x {wide:g}"
    return ""


def find_materials(*, member: Member) -> Materials:
    """Everything in the store that this member may build with, and what things cost."""
    rows = db.session.scalars(
        select(Lot)
        .where(Lot.on_hand_milli > 0, Lot.is_for_beds.is_(True), Lot.condition != "broken")
        .options(joinedload(Lot.place))
        .order_by(Lot.id)
    )
    lots = [lot for lot in rows if may_handle(lot, member)]
    cut = set(
        db.session.scalars(
            select(LedgerEntry.lot_id).where(
                LedgerEntry.number == 1,
                LedgerEntry.action == "made",
                LedgerEntry.lot_id.in_([lot.id for lot in lots]),
            )
        )
    )
    held = {lot.id: held_as(lot, is_offcut=lot.id in cut) for lot in lots}
    return Materials(
        held=held,
        boards=tuple(board for one in held.values() if (board := _board(one)) is not None),
        rolls=tuple((roll, one.sort) for one in held.values() if (roll := _roll(one)) is not None),
        items=_items(held.values()),
        prices=find_prices(),
    )


def held_as(lot: Lot, *, is_offcut: bool) -> Held:
    """A lot's row as building sees it."""
    return Held(
        lot_id=lot.id,
        name=lot.name,
        sort=lot.sort,
        unit=lot.unit,
        place=lot.place.label if lot.place else "",
        on_hand_milli=lot.on_hand_milli,
        length_mm=lot.length_mm,
        width_mm=None if lot.width_cm is None else lot.width_cm * 10.0,
        thickness_um=lot.thickness_um,
        sizes_mm=sizes_in(lot.section),
        is_offcut=is_offcut,
    )


def find_prices() -> dict[str, Price]:
    """What materials cost here, by what they are called."""
    return {
        row.what: Price(row.what, row.price_hundredths / 100.0, row.sold_length_mm)
        for row in db.session.scalars(select(UnitPrice).order_by(UnitPrice.what))
    }


def _board(held: Held) -> Stock | None:
    section = section_of(held)
    if not section:
        return None
    name = str(held.lot_id)
    if held.unit == "piece" and held.length_mm and held.whole:
        return Stock(
            name,
            min(held.length_mm, LONGEST_MM),
            count=held.whole,
            section=section,
            is_offcut=held.is_offcut,
        )
    if held.unit == "m":  # a coil: one long piece
        return Stock(name, min(float(held.on_hand_milli), LONGEST_MM), count=1, section=section)
    return None


def _roll(held: Held) -> Roll | None:
    if held.sort not in {"film", "fleece", "other"} or not held.width_mm:
        return None
    if held.unit == "m":
        length = float(held.on_hand_milli)
    elif held.unit == "m2":
        length = held.on_hand_milli * 1_000.0 / held.width_mm
    elif held.unit == "piece" and held.length_mm and held.whole:
        length = held.length_mm
    else:
        return None
    return Roll(str(held.lot_id), held.width_mm, length, held.thickness_um or USUAL_FILM_UM)


def _items(held: Iterable[Held]) -> dict[str, tuple[Taking, ...]]:
    found: dict[str, list[Taking]] = {}

    def add(name: str, one: Held, milli_each: int = ONE) -> None:
        if one.on_hand_milli >= milli_each:
            found.setdefault(name, []).append(
                Taking(one.lot_id, one.name, milli_each, one.on_hand_milli)
            )

    for one in held:
        if one.unit == "piece":
            for name in dict.fromkeys(_names_of(one)):
                add(name, one)
        for name, words in FIXINGS.items():
            if not any(word in one.name.casefold() for word in words):
                continue
            if one.unit == "piece" and name not in _METRES_EACH and one.sort in {"other", "tool"}:
                add(name, one)
            elif one.unit == "m" and name in _METRES_EACH and one.sort in {"string", "other"}:
                add(name, one, round(_METRES_EACH[name] * ONE))
    return {name: tuple(takings) for name, takings in found.items()}


def _names_of(one: Held) -> list[str]:
    """What designs call a counted lot, whichever way round it is used."""
    sizes = one.sizes_mm
    if one.sort in {"pallet", "glass"} and len(sizes) >= 2:
        word = "pallet" if one.sort == "pallet" else "window"
        a, b = sizes[:2]
        return [f"{word} {a:g} x {b:g} mm", f"{word} {b:g} x {a:g} mm"]
    if one.sort == "bag":
        flat = bag_mm(one)
        return [] if flat is None else [f"clear bag {flat[0]:g} x {flat[1]:g} mm"]
    if one.sort == "box" and len(sizes) == 3:
        a, b, c = sizes
        return [f"{word} {a:g} x {b:g} x {c:g} mm" for word in ("tote", "food box")]
    if one.sort == "box" and len(sizes) == 2 and "bottle" in one.name.casefold():
        a, b = sizes
        return [f"bottle {a:g} x {a:g} x {b:g} mm"]
    return []


def bag_mm(one: Held) -> tuple[float, float] | None:
    """A bag's width and length lying flat."""
    if one.width_mm and one.length_mm:
        return one.width_mm, one.length_mm
    return (one.sizes_mm[0], one.sizes_mm[1]) if len(one.sizes_mm) >= 2 else None


def is_fixing(what: str) -> bool:
    """Whether being short of it does not stop a build."""
    return what in FIXINGS


def usual_bar_mm(materials: Materials) -> float:
    """The thickness of the square timber there is most of; 38 mm without any."""
    lengths: dict[float, float] = {}
    for held in materials.of_sort("timber"):
        section = sorted(held.sizes_mm[:2])
        if len(section) == 2 and math.isclose(section[0], section[1]) and held.length_mm:
            lengths[section[0]] = lengths.get(section[0], 0.0) + held.whole * held.length_mm
    return max(lengths, key=lambda bar: lengths[bar], default=38.0)
