"""The pages of materials: add one, look at it, change what is known of it."""

from __future__ import annotations

from flask import flash, redirect, request
from werkzeug.wrappers import Response
from wtforms import BooleanField

from gardenapp.errors import FieldRefused
from gardenapp.services.store import lots
from gardenapp.services.store.covers import LENDING_LABELS
from gardenapp.services.store.lots import PRESETS, LotEntry
from gardenapp.services.store.subjects import material
from gardenapp.services.store.things import (
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    SORT_WORDS,
    WOOD_WORDS,
)
from gardenapp.web.access import members
from gardenapp.web.clock import now
from gardenapp.web.fields import DayField, MeasureField, NumberField, PickField, TextBox, TextLine
from gardenapp.web.store.acts import show
from gardenapp.web.store.base import (
    LOT_AT,
    StoreForm,
    asked_id,
    blueprint,
    choices_of,
    hundredths,
    me,
    milli,
    owner_choices,
    page_of,
    place_choices,
    shown,
    to_id,
    today,
)
from gardenapp.words import _, later

UNIT_CHOICES = {
    "piece": later("pieces"),
    "m": later("metres"),
    "m2": later("square metres"),
    "kg": later("kilograms"),
    "l": later("litres"),
}


class LotForm(StoreForm):
    """What is known of a material; a new one also says how much of it there is, and where."""

    name = TextLine(later("What it is"), maximum=80)
    quantity = NumberField(later("How much"), minimum=0.001, maximum=1_000_000)
    unit = PickField(later("Counted in"), choices_of(UNIT_CHOICES))
    place_id = PickField(later("Where it is kept"), place_choices)
    sort = PickField(later("Sort"), choices_of(SORT_WORDS))
    mark = PickField(later("Pallet mark"), choices_of(MARK_WORDS))
    wood = PickField(later("Wood"), choices_of(WOOD_WORDS))
    is_for_beds = BooleanField(later("May go near food beds"))
    width_cm = MeasureField(
        later("Width"), kind="length", minimum=0.1, maximum=10_000, required=False
    )
    thickness_um = NumberField(later("Thickness, µm"), minimum=1, maximum=20_000, required=False)
    length_cm = MeasureField(
        later("Length of each"), kind="length", minimum=0.5, maximum=2_000, required=False
    )
    section = TextLine(later("Section or size"), required=False, maximum=80)
    resin = PickField(later("Plastic"), choices_of(RESIN_WORDS))
    origin = PickField(later("Where it came from"), choices_of(ORIGIN_WORDS))
    cost = NumberField(later("What it cost"), minimum=0, maximum=100_000, required=False)
    acquired_on = DayField(later("When it came"))
    owner_id = PickField(later("Whose"))
    lending = PickField(later("Who may use it"), choices_of(LENDING_LABELS))
    note = TextBox(later("Note"), required=False, maximum=1_900)

    def __init__(self, values: LotEntry, *, is_new: bool, place_id: int | None = None) -> None:
        cost = values.cost_hundredths
        start = {
            **vars(values),
            "cost": None if cost is None else cost / 100,
            "length_cm": None if values.length_mm is None else values.length_mm / 10,
            "place_id": place_id,
        }
        super().__init__(data=start)
        self.was = values
        self.owner_id.choices = owner_choices(me(), present=values.owner_id)
        if not is_new:  # where and how much is the ledger's to say, and it is in one unit
            del self.quantity, self.unit, self.place_id

    def entry(self) -> LotEntry:
        length_cm = self.length_cm.data
        return LotEntry(
            name=self.name.data or "",
            sort=self.sort.data,
            unit=self.unit.data if self.unit is not None else self.was.unit,
            width_cm=self.width_cm.data,
            thickness_um=self.thickness_um.data,
            length_mm=None if length_cm is None else round(length_cm * 10, 1),
            section=self.section.data or "",
            resin=self.resin.data,
            mark=self.mark.data,
            wood=self.wood.data,
            is_for_beds=self.is_for_beds.data,
            owner_id=to_id(self.owner_id.data),
            lending=self.lending.data,
            origin=self.origin.data,
            cost_hundredths=hundredths(self.cost.data),
            acquired_on=self.acquired_on.data,
            note=self.note.data or "",
        )

    def take(self, refusal: FieldRefused) -> None:
        """Beside the field too that this form calls by another name than the service."""
        names = {"length_mm": "length_cm"}
        super().take(FieldRefused(names.get(refusal.field, refusal.field), refusal.message))


@blueprint.route("/store/materials/new", methods=["GET", "POST"])
@members
def new_lot() -> Response | str | tuple[str, int]:
    wanted = request.args.get("like", "")
    preset = next((one for one in PRESETS if one.key == wanted), None)
    values = preset.lot if preset is not None else LotEntry("")
    form = LotForm(values, is_new=True, place_id=asked_id("place"))
    if request.method == "GET":
        form.acquired_on.data = today()
    if form.validate_on_submit():
        try:
            lot_id = lots.add_lot(
                entry=form.entry(),
                quantity_milli=milli(form.quantity.data),
                place_id=to_id(form.place_id.data),
                member=me(),
                now=now(),
                form_key=form.once(me(), "lot"),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Saved."))
            return redirect(page_of(material(lot_id)), 303)
    return shown("store/lot_form.html", form, lot=None, is_new=True)


@blueprint.route(f"{LOT_AT}/edit", methods=["GET", "POST"])
@members
def edit_lot(lot_id: int) -> Response | str | tuple[str, int]:
    lot = lots.get_lot(lot_id=lot_id, member=me(), today=today())
    lots.check_may_handle(lot_id=lot_id, member=me())
    form = LotForm(lot.entry, is_new=False)
    if form.validate_on_submit():
        try:
            lots.change_lot(lot_id=lot_id, entry=form.entry(), member=me(), now=now())
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Saved."))
            return redirect(page_of(material(lot_id)), 303)
    return shown("store/lot_form.html", form, lot=lot, is_new=False)


@blueprint.get(LOT_AT)
@members
def lot_page(lot_id: int) -> str:
    return show(material(lot_id))
