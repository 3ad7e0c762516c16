"""The pages of materials: add, look, more, less, cut, lend."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response
from wtforms import BooleanField

from gardenapp.errors import FieldRefused
from gardenapp.services.store import lending, lots
from gardenapp.services.store.covers import LENDING_LABELS
from gardenapp.services.store.lots import PRESETS, USUAL_KERF_MM, LotEntry, LotPage
from gardenapp.services.store.things import (
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    SORT_WORDS,
    WENT_WORDS,
    WOOD_WORDS,
)
from gardenapp.web.access import members
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, MeasureField, NumberField, PickField, TextBox, TextLine
from gardenapp.web.store.base import (
    CONDITION_CHOICES,
    LOT,
    DayField,
    StoreForm,
    act,
    asked_id,
    blueprint,
    choices_of,
    hundredths,
    me,
    milli,
    owner_choices,
    people_choices,
    place_choices,
    quantity_field,
    to_id,
    today,
    usual_due,
)
from gardenapp.web.store.photos import PhotoForm, keep_photo
from gardenapp.words import _, later

UNIT_CHOICES = {
    "piece": later("pieces"),
    "m": later("metres"),
    "m2": later("square metres"),
    "kg": later("kilograms"),
    "l": later("litres"),
}


def lot_form(values: LotEntry, *, is_new: bool, place_id: int | None = None) -> Any:
    """The form of a material; a new one also says how much and where."""
    member = me()

    class LotForm(StoreForm):
        name = TextLine(later("What it is"), maximum=80)
        if is_new:
            quantity = NumberField(later("How much"), minimum=0.001, maximum=1_000_000)
            unit = PickField(later("Counted in"), choices_of(UNIT_CHOICES))
            place_id = PickField(later("Kept at"), place_choices())
        sort = PickField(later("Sort"), choices_of(SORT_WORDS))
        mark = PickField(later("Pallet mark"), choices_of(MARK_WORDS))
        wood = PickField(later("Wood"), choices_of(WOOD_WORDS))
        is_for_beds = BooleanField(later("May go near food beds"))
        width_cm = MeasureField(
            later("Width"), kind="length", minimum=0.1, maximum=10_000, required=False
        )
        thickness_um = NumberField(
            later("Thickness, µm"), minimum=1, maximum=20_000, required=False
        )
        length_cm = MeasureField(
            later("Length of each"), kind="length", minimum=0.5, maximum=2_000, required=False
        )
        section = TextLine(later("Section or size"), required=False, maximum=80)
        resin = PickField(later("Plastic"), choices_of(RESIN_WORDS))
        origin = PickField(later("Where it came from"), choices_of(ORIGIN_WORDS))
        cost = NumberField(later("What it cost"), minimum=0, maximum=100_000, required=False)
        acquired_on = DayField(later("When it came"))
        owner_id = PickField(later("Whose"), owner_choices(member, present=values.owner_id))
        lending = PickField(later("Who may use it"), choices_of(LENDING_LABELS))
        note = TextBox(later("Note"), required=False, maximum=1_900)

        def entry(self) -> LotEntry:
            length_cm = self.length_cm.data
            return LotEntry(
                name=self.name.data or "",
                sort=self.sort.data,
                unit=self.unit.data if is_new else values.unit,
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

    cost = values.cost_hundredths
    start = {
        **vars(values),
        "cost": None if cost is None else cost / 100,
        "length_cm": None if values.length_mm is None else values.length_mm / 10,
        "place_id": place_id,
    }
    return LotForm(data=start)


@blueprint.route("/store/materials/new", methods=["GET", "POST"])
@members
def new_lot() -> Response | str | tuple[str, int]:
    wanted = request.args.get("like", "")
    preset = next((one for one in PRESETS if one.key == wanted), None)
    values = preset.lot if preset is not None else LotEntry("")
    form = lot_form(values, is_new=True, place_id=asked_id("place"))
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
                form_key=form.request_key(me(), "lot"),
            )
        except FieldRefused as refusal:
            form.take(_on_form(refusal))
        else:
            flash(_("Written down."))
            return redirect(url_for(".lot_page", lot_id=lot_id), 303)
    page = render_template(
        "store/lot_form.html", form=form, lot=None, is_new=True, presets=PRESETS, preset=preset
    )
    return (page, 422) if form.is_submitted() else page


@blueprint.route(f"{LOT}/edit", methods=["GET", "POST"])
@members
def edit_lot(lot_id: int) -> Response | str | tuple[str, int]:
    lot = lots.get_lot(lot_id=lot_id, member=me(), today=today())
    lots.check_may_handle(lot_id=lot_id, member=me())
    form = lot_form(lot.entry, is_new=False)
    if form.validate_on_submit():
        try:
            lots.change_lot(lot_id=lot_id, entry=form.entry(), member=me(), now=now())
        except FieldRefused as refusal:
            form.take(_on_form(refusal))
        else:
            flash(_("Saved."))
            return redirect(url_for(".lot_page", lot_id=lot_id), 303)
    page = render_template("store/lot_form.html", form=form, lot=lot, is_new=False)
    return (page, 422) if form.is_submitted() else page


def _on_form(refusal: FieldRefused) -> FieldRefused:
    """The same words beside the field that this form calls by another name."""
    names = {"length_mm": "length_cm"}
    return FieldRefused(names.get(refusal.field, refusal.field), refusal.message)


# --- one material's small forms ---------------------------------------------------------------


def amount_form(prefix: str, label: str, unit: str, **values: Any) -> Any:
    """How much."""

    class AmountForm(StoreForm):
        quantity = quantity_field(label, unit=unit, minimum=0 if prefix == "count-" else 0.001)

    return AmountForm(prefix=prefix, data=values)


def use_form(unit: str) -> Any:
    """How much left, and where it went."""

    class UseForm(StoreForm):
        quantity = quantity_field(later("How much"), unit=unit, minimum=0.001)
        went_to = PickField(later("Where it went"), choices_of(WENT_WORDS, without=("parts",)))
        note = TextLine(later("Note"), required=False, maximum=200)

    return UseForm(prefix="use-", data={"went_to": "used up"})


def lot_lend_form(lot: LotPage) -> Any:
    """How much, to whom, until when."""
    people = people_choices() if lot.may_own else [Choice(str(me().id), me().name)]

    class LotLendForm(StoreForm):
        quantity = quantity_field(later("How much"), unit=lot.entry.unit, minimum=0.001)
        to_id = PickField(later("To whom"), people)
        due_on = DayField(later("Back by"), required=True)

    return LotLendForm(prefix="lend-", data={"to_id": str(me().id), "due_on": usual_due()})


def lot_back_form(lot: LotPage) -> Any:
    """How much came back, and from whom."""
    people = [
        Choice(
            str(loan.member_id),
            _(
                "%(member)s has %(quantity_milli)s",
                member=loan.member,
                quantity_milli=f"{loan.quantity_milli / 1000:g}",
            ),
        )
        for loan in lot.loans
        if loan.may_return
    ]

    class LotBackForm(StoreForm):
        from_id = PickField(later("From whom"), people)
        quantity = quantity_field(later("How much"), unit=lot.entry.unit, minimum=0.001)

    first = next((loan for loan in lot.loans if loan.may_return), None)
    start = {"from_id": first.member_id, "quantity": first.quantity_milli / 1000} if first else {}
    return LotBackForm(prefix="back-", data=start)


def out_form(lot: LotPage) -> Any:
    """Used on a plot for a while, or back from there."""
    places = [Choice(str(plot_id), name) for plot_id, name in lots.plot_choices()]

    class OutForm(StoreForm):
        way = PickField(
            later("What happened"),
            [Choice("out", later("taken to")), Choice("back", later("back from"))],
        )
        plot_id = PickField(later("Plot"), [Choice("", later("choose one")), *places])
        quantity = quantity_field(later("How much"), unit=lot.entry.unit, minimum=0.001)

    return OutForm(prefix="out-", data={"way": "out"})


def cut_form(lot: LotPage) -> Any:
    """Pieces from lengths of timber, or from a roll."""
    is_roll = lot.entry.unit == "m"

    class CutForm(StoreForm):
        if is_roll:
            pieces = NumberField(later("Pieces"), minimum=1, maximum=1_000, whole=True)
            piece = MeasureField(
                later("Of what length"), kind="distance", minimum=0.05, maximum=500
            )
        else:
            lengths = NumberField(later("Lengths to cut"), minimum=1, maximum=1_000, whole=True)
            each = NumberField(later("Pieces from each"), minimum=1, maximum=200, whole=True)
            piece = MeasureField(later("Of what length"), kind="length", minimum=1, maximum=2_000)
            kerf_mm = NumberField(later("Saw cut, mm"), minimum=0, maximum=10)
            keep_offcut = BooleanField(later("Keep the offcuts"))

    start = {"lengths": 1, "kerf_mm": USUAL_KERF_MM, "keep_offcut": True, "pieces": 1}
    return CutForm(prefix="cut-", data=start)


def condition_form(lot: LotPage) -> Any:
    """How the lot is."""

    class ConditionForm(StoreForm):
        condition = PickField(later("It is"), CONDITION_CHOICES)
        note = TextLine(later("Note"), required=False, maximum=200)

    return ConditionForm(prefix="condition-", data={"condition": lot.condition})


def move_lot_form(lot: LotPage) -> Any:
    """Another home."""

    class MoveForm(StoreForm):
        place_id = PickField(later("Kept at"), place_choices())

    return MoveForm(prefix="move-", data={"place_id": lot.place_id})


def lot_forms(lot: LotPage) -> dict[str, Any]:
    """The small forms that this member may send for this material, as it is now."""
    found: dict[str, Any] = {}
    unit = lot.entry.unit
    some = lot.on_hand_milli > 0
    if lot.may_handle:
        found["more"] = amount_form("more-", _("How much more"), unit)
        if some:
            found["use"] = use_form(unit)
        found["count"] = amount_form(
            "count-", _("So much is there"), unit, quantity=lot.on_hand_milli / 1000
        )
        if some and (unit == "m" or lot.entry.length_mm is not None):
            found["cut"] = cut_form(lot)
        found["out"] = out_form(lot)
        found["move"] = move_lot_form(lot)
        found["photo"] = PhotoForm(prefix="photo-")
    if some and lot.may_borrow:
        found["lend"] = lot_lend_form(lot)
    if any(loan.may_return for loan in lot.loans):
        found["back"] = lot_back_form(lot)
    found["condition"] = condition_form(lot)
    return found


def show_lot(lot_id: int, name: str = "", sent: Any = None) -> str:
    """The page of a material, with a form that was sent and could not be taken."""
    lot = lots.get_lot(lot_id=lot_id, member=me(), today=today())
    found = lot_forms(lot)
    if name:
        found[name] = sent
    return render_template("store/lot.html", lot=lot, small=found, form=sent, opened=name)


def _do(
    lot_id: int, name: str, make: Callable[[LotPage], Any], do: Callable[[Any], None], done: str
) -> Response | tuple[str, int]:
    lot = lots.get_lot(lot_id=lot_id, member=me(), today=today())
    return act(
        make(lot),
        do,
        done=done,
        go=url_for(".lot_page", lot_id=lot_id),
        again=lambda form: show_lot(lot_id, name, form),
    )


@blueprint.get(LOT)
@members
def lot_page(lot_id: int) -> str:
    return show_lot(lot_id)


def _with_button(form: Any) -> Any:
    """A button with a number stands for the field: `+1` and `+5` need no typing."""
    number = request.form.get("n", "")
    if number in {"1", "5"}:
        form.quantity.data, form.quantity.typed = int(number), number
        form.quantity.process_errors = []
    return form


@blueprint.post(f"{LOT}/more")
@members
def more_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lots.add_more(
            lot_id=lot_id,
            quantity_milli=milli(form.quantity.data),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"more-{lot_id}"),
        )

    return _do(
        lot_id,
        "more",
        lambda lot: _with_button(amount_form("more-", _("How much more"), lot.entry.unit)),
        do,
        _("Written down."),
    )


@blueprint.post(f"{LOT}/use")
@members
def use_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lots.use_up(
            lot_id=lot_id,
            quantity_milli=milli(form.quantity.data),
            went_to=form.went_to.data,
            note=form.note.data or "",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"use-{lot_id}"),
        )

    return _do(
        lot_id, "use", lambda lot: _with_button(use_form(lot.entry.unit)), do, _("Written down.")
    )


@blueprint.post(f"{LOT}/count")
@members
def count_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lots.count_lot(
            lot_id=lot_id,
            quantity_milli=milli(form.quantity.data),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"count-{lot_id}"),
        )

    return _do(
        lot_id,
        "count",
        lambda lot: amount_form("count-", _("So much is there"), lot.entry.unit),
        do,
        _("Counted."),
    )


@blueprint.post(f"{LOT}/cut")
@members
def cut_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        key = form.request_key(me(), f"cut-{lot_id}")
        if "pieces" in form:
            lots.cut_from_roll(
                lot_id=lot_id,
                piece_m=round(float(form.piece.data), 3),
                pieces=int(form.pieces.data),
                member=me(),
                now=now(),
                request_key=key,
            )
            return
        lots.cut_lengths(
            lot_id=lot_id,
            lengths=int(form.lengths.data),
            piece_mm=round(float(form.piece.data) * 10, 1),
            each=int(form.each.data),
            kerf_mm=float(form.kerf_mm.data),
            keep_offcut=form.keep_offcut.data,
            member=me(),
            now=now(),
            request_key=key,
        )

    return _do(lot_id, "cut", cut_form, do, _("Cut. The pieces are materials of their own now."))


@blueprint.post(f"{LOT}/lend")
@members
def lend_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lending.lend(
            is_lot=True,
            subject_id=lot_id,
            quantity_milli=milli(form.quantity.data),
            to_id=int(form.to_id.data),
            due_on=form.due_on.data,
            today=today(),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"lend-lot-{lot_id}"),
        )

    return _do(lot_id, "lend", lot_lend_form, do, _("Lent."))


@blueprint.post(f"{LOT}/back")
@members
def return_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lending.give_back(
            is_lot=True,
            subject_id=lot_id,
            from_id=int(form.from_id.data),
            quantity_milli=milli(form.quantity.data),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"back-lot-{lot_id}"),
        )

    return _do(lot_id, "back", lot_back_form, do, _("It is back."))


@blueprint.post(f"{LOT}/out")
@members
def out_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        if not form.plot_id.data:
            raise FieldRefused("plot_id", _("Choose a plot."))
        lots.put_out(
            lot_id=lot_id,
            plot_id=int(form.plot_id.data),
            quantity_milli=milli(form.quantity.data),
            is_back=form.way.data == "back",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"out-lot-{lot_id}"),
        )

    return _do(lot_id, "out", out_form, do, _("Written down."))


@blueprint.post(f"{LOT}/condition")
@members
def condition_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lots.condition_lot(
            lot_id=lot_id,
            condition=form.condition.data,
            note=form.note.data or "",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"condition-lot-{lot_id}"),
        )

    return _do(lot_id, "condition", condition_form, do, _("Written down."))


@blueprint.post(f"{LOT}/move")
@members
def move_lot(lot_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lots.move_lot(
            lot_id=lot_id,
            place_id=to_id(form.place_id.data),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"move-lot-{lot_id}"),
        )

    return _do(lot_id, "move", move_lot_form, do, _("Moved."))


@blueprint.post(f"{LOT}/photo")
@members
def lot_photo(lot_id: int) -> Response | tuple[str, int]:
    return _do(
        lot_id,
        "photo",
        lambda _lot: PhotoForm(prefix="photo-"),
        lambda form: keep_photo(True, lot_id, form),
        _("Picture kept."),
    )
