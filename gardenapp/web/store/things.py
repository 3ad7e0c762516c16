"""The store's list, a label's address, and what one thing's page does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import (
    flash,
    redirect,
    render_template,
    request,
    send_from_directory,
    url_for,
)
from werkzeug.wrappers import Response

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.services.store import covers, lending, lots, photos, reuse, things
from gardenapp.services.store.covers import MOST_AT_ONCE, ThingFacts
from gardenapp.services.store.things import (
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    SORT_WORDS,
    STATUS_WORDS,
    WENT_WORDS,
    WOOD_WORDS,
    StoreChoice,
    ThingPage,
)
from gardenapp.web.access import members
from gardenapp.web.clock import now
from gardenapp.web.fields import (
    Choice,
    NumberField,
    PickField,
    TextBox,
    TextLine,
    TicksField,
)
from gardenapp.web.store.base import (
    CONDITION_CHOICES,
    HARM_CHOICES,
    THING,
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
    page_number,
    people_choices,
    place_choices,
    to_id,
    today,
    usual_due,
)
from gardenapp.web.store.photos import PhotoForm, keep_photo, photo_folder
from gardenapp.words import _, later

STATES = ("here", "out", "lent", "missing", "broken", "retired")


@blueprint.get("/store")
@members
def store_page() -> str:
    args = request.args
    what, owner, state = args.get("what", ""), args.get("owner", ""), args.get("state", "")
    choice = StoreChoice(
        q=args.get("q", "").strip()[:80].encode("utf-8", "ignore").decode().replace("\x00", ""),
        place_id=asked_id("place"),
        what=what if what in {"things", "materials", *SORT_WORDS} else "",
        owner=owner if owner in {"mine", "garden"} else "",
        state=state if state in STATES else "",
        page=page_number(),
    )
    kept: dict[str, Any] = {
        "q": choice.q or None,
        "place": choice.place_id,
        "what": choice.what or None,
        "owner": choice.owner or None,
        "state": choice.state or None,
    }
    return render_template(
        "store/store.html",
        choice=choice,
        found=things.list_store(choice=choice, member=me()),
        places=things.list_place_names(),
        states={**STATUS_WORDS, "broken": later("broken")},
        kept={name: value for name, value in kept.items() if value is not None},
    )


@blueprint.get("/s/<code>")
@members
def label(code: str) -> Response:
    """Where a printed label's QR code leads."""
    is_lot, found = things.find_by_code(code=code[:40])
    if is_lot:
        return redirect(url_for(".lot_page", lot_id=found), 303)
    return redirect(url_for(".thing_page", cover_id=found), 303)


# --- one thing's small forms ------------------------------------------------------------------


def lend_form(*, may_choose: bool) -> Any:
    """To whom, until when."""
    people = people_choices() if may_choose else [Choice(str(me().id), me().name)]

    class LendForm(StoreForm):
        to_id = PickField(later("To whom"), people)
        due_on = DayField(later("Back by"), required=True)
        note = TextLine(later("Note"), required=False, maximum=200)

    return LendForm(prefix="lend-", data={"to_id": str(me().id), "due_on": usual_due()})


def back_form(thing: ThingPage) -> Any:
    """It came back: where to, and how it is."""

    class BackForm(StoreForm):
        place_id = PickField(later("Put back at"), place_choices())
        condition = PickField(later("Its condition"), CONDITION_CHOICES)
        note = TextLine(later("Note"), required=False, maximum=200)

    values = {"place_id": thing.place_id, "condition": thing.condition}
    return BackForm(prefix="back-", data=values)


def move_form(place_id: int | None) -> Any:
    """Another home."""

    class MoveForm(StoreForm):
        place_id = PickField(later("Kept at"), place_choices())

    return MoveForm(prefix="move-", data={"place_id": place_id})


class DamageForm(StoreForm):
    """What is wrong with it."""

    condition = PickField(later("It is"), HARM_CHOICES)
    note = TextLine(later("What is wrong"), required=False, maximum=200)


class MendForm(StoreForm):
    """It is sound again."""

    note = TextLine(later("What was done"), required=False, maximum=200)


class AgainForm(StoreForm):
    """More things like this one."""

    how_many = NumberField(later("How many more"), minimum=1, maximum=MOST_AT_ONCE, whole=True)


def retire_form(thing: ThingPage) -> Any:
    """Where it went, and which parts are worth keeping."""
    parts = [
        Choice(str(part.id), f"{things.amount(part.quantity_milli, part.unit)} {part.name}")
        for part in thing.parts
    ]

    class RetireForm(StoreForm):
        went_to = PickField(
            later("Where it went"),
            choices_of(WENT_WORDS, without=() if parts else ("parts",)),
        )
        keep = TicksField(later("Parts that go back to the store"), parts)
        note = TextLine(later("Why"), required=False, maximum=200)

    start = {"went_to": "parts", "keep": [p.value for p in parts]} if parts else {}
    return RetireForm(prefix="retire-", data={"went_to": "recycled", **start})


def part_form() -> Any:
    """It is made of so much of a material."""
    kinds = [
        Choice(
            str(lot_id),
            _("%(name)s (%(there)s there)", name=name, there=things.amount(there, unit)),
        )
        for lot_id, name, unit, there in lots.list_lots(member=me())
    ]

    class PartForm(StoreForm):
        lot_id = PickField(later("Material"), [Choice("", later("choose one")), *kinds])
        quantity = NumberField(later("How much, in its unit"), minimum=0.001, maximum=100_000)

    return PartForm(prefix="part-")


def thing_forms(thing: ThingPage) -> dict[str, Any]:
    """The small forms that this member may send for this thing, as it is now."""
    found: dict[str, Any] = {}
    if thing.may_borrow or thing.may_lend:
        found["lend"] = lend_form(may_choose=thing.may_lend)
    if thing.may_return:
        found["back"] = back_form(thing)
    if thing.status != "retired":
        if thing.condition != "broken":
            found["damage"] = DamageForm(prefix="damage-")
        found["again"] = AgainForm(prefix="again-", data={"how_many": 1})
    if thing.may_handle:
        if thing.condition != "sound":
            found["mend"] = MendForm(prefix="mend-")
        found["move"] = move_form(thing.place_id)
        found["photo"] = PhotoForm(prefix="photo-")
    if thing.may_retire:
        found["retire"] = retire_form(thing)
    if thing.may_retire:
        found["part"] = part_form()
    return found


def show_thing(cover_id: int, name: str = "", sent: Any = None) -> str:
    """The page of a thing, with a form that was sent and could not be taken."""
    thing = things.get_thing(cover_id=cover_id, member=me())
    found = thing_forms(thing)
    if name:
        found[name] = sent
    return render_template(
        "store/thing.html",
        thing=thing,
        small=found,
        form=sent,
        opened=name,
        reuse=reuse.thing_reuse(cover_id=cover_id, now=now()),
    )


def _do(
    cover_id: int, name: str, make: Callable[[ThingPage], Any], do: Callable[[Any], None], done: str
) -> Response | tuple[str, int]:
    thing = things.get_thing(cover_id=cover_id, member=me())
    return act(
        make(thing),
        do,
        done=done,
        go=url_for(".thing_page", cover_id=cover_id),
        again=lambda form: show_thing(cover_id, name, form),
    )


@blueprint.get(THING)
@members
def thing_page(cover_id: int) -> str:
    return show_thing(cover_id)


@blueprint.post(f"{THING}/lend")
@members
def lend_thing(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lending.lend(
            is_lot=False,
            subject_id=cover_id,
            to_id=int(form.to_id.data),
            due_on=form.due_on.data,
            today=today(),
            note=form.note.data or "",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"lend-{cover_id}"),
        )

    def make(thing: ThingPage) -> Any:
        member = me()
        return lend_form(may_choose=member.is_coordinator or thing.owner_id == member.id)

    return _do(
        cover_id, "lend", make, do, _("Lent. It is off the list for tonight until it is back.")
    )


@blueprint.post(f"{THING}/back")
@members
def return_thing(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        lending.give_back(
            is_lot=False,
            subject_id=cover_id,
            from_id=0,
            place_id=to_id(form.place_id.data),
            condition=form.condition.data,
            note=form.note.data or "",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"back-{cover_id}"),
        )

    return _do(cover_id, "back", back_form, do, _("It is back."))


@blueprint.post(f"{THING}/move")
@members
def move_thing(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        things.move_thing(
            cover_id=cover_id,
            place_id=to_id(form.place_id.data),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"move-{cover_id}"),
        )

    return _do(cover_id, "move", lambda thing: move_form(thing.place_id), do, _("Moved."))


@blueprint.post(f"{THING}/damage")
@members
def damage_thing(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        things.damage_thing(
            cover_id=cover_id,
            condition=form.condition.data,
            note=form.note.data or "",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"damage-{cover_id}"),
        )

    return _do(cover_id, "damage", lambda _t: DamageForm(prefix="damage-"), do, _("Written down."))


@blueprint.post(f"{THING}/mend")
@members
def mend_thing(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        things.mend_thing(
            cover_id=cover_id,
            note=form.note.data or "",
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"mend-{cover_id}"),
        )

    return _do(cover_id, "mend", lambda _t: MendForm(prefix="mend-"), do, _("Mended. Thank you."))


@blueprint.post(f"{THING}/retire")
@members
def retire_thing(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        is_parts = form.went_to.data == "parts"
        things.retire_thing(
            cover_id=cover_id,
            went_to=form.went_to.data,
            note=form.note.data or "",
            keep_part_ids=tuple(int(value) for value in form.keep.data or ()) if is_parts else (),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"retire-{cover_id}"),
        )

    return _do(cover_id, "retire", retire_form, do, _("It has left the store. Its history stays."))


@blueprint.post(f"{THING}/parts")
@members
def put_in(cover_id: int) -> Response | tuple[str, int]:
    def do(form: Any) -> None:
        if not form.lot_id.data:
            raise FieldRefused("lot_id", _("Choose a material."))
        lots.put_in(
            cover_id=cover_id,
            lot_id=int(form.lot_id.data),
            quantity_milli=milli(form.quantity.data),
            member=me(),
            now=now(),
            request_key=form.request_key(me(), f"part-{cover_id}"),
        )

    return _do(cover_id, "part", lambda _t: part_form(), do, _("Written down as a part of it."))


@blueprint.post(f"{THING}/again")
@members
def add_like(cover_id: int) -> Response | tuple[str, int]:
    """More like this one. A button with a number is enough: `1` or `5` and nothing to type."""
    if request.form.get("n") in {"1", "5"}:
        form = AgainForm(prefix="again-", data={"how_many": int(request.form["n"])})
        form.how_many.data, form.how_many.typed = int(request.form["n"]), request.form["n"]
        form.how_many.process_errors = []
    else:
        form = AgainForm(prefix="again-")
    labels: list[str] = []

    def do(sent: Any) -> None:
        labels.extend(
            things.add_like(
                cover_id=cover_id,
                how_many=int(sent.how_many.data),
                member=me(),
                now=now(),
                form_key=sent.request_key(me(), "like"),
            )
        )

    if form.validate_on_submit():
        try:
            do(form)
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_added(labels))
            return redirect(_page_of(labels[-1]), 303)
    return show_thing(cover_id, "again", form), 422


def _added(labels: list[str]) -> str:
    if len(labels) == 1:
        return _("Added: %(labels)s. Write the label on it.", labels=labels[0])
    return _(
        "Added: %(labels)s to %(labels2)s. Write the labels on them.",
        labels=labels[0],
        labels2=labels[-1],
    )


def _page_of(label_text: str) -> str:
    found = things.find_by_label(label=label_text)
    return url_for(".thing_page", cover_id=found)


@blueprint.post("/store/entries/<int(max=2147483647):entry_id>/undo")
@members
def undo(entry_id: int) -> Response:
    is_lot, subject = things.undo_entry(entry_id=entry_id, member=me(), now=now())
    flash(_("Taken back."))
    if is_lot:
        return redirect(url_for(".lot_page", lot_id=subject), 303)
    return redirect(url_for(".thing_page", cover_id=subject), 303)


# --- more to say of a thing -------------------------------------------------------------------


def facts_fields() -> type[StoreForm]:
    """What may be known of a thing, beside its kind and place."""

    class FactsForm(StoreForm):
        origin = PickField(later("Where it came from"), choices_of(ORIGIN_WORDS))
        cost = NumberField(later("What it cost"), minimum=0, maximum=100_000, required=False)
        acquired_on = DayField(later("When it came"))
        resin = PickField(later("Plastic"), choices_of(RESIN_WORDS))
        film_area_m2 = NumberField(
            later("Area of the plastic, m²"), minimum=0, maximum=10_000, required=False
        )
        film_thickness_um = NumberField(
            later("Thickness of the plastic, µm"), minimum=0, maximum=20_000, required=False
        )
        wood = PickField(later("Wood"), choices_of(WOOD_WORDS))
        mark = PickField(later("Pallet mark"), choices_of(MARK_WORDS))
        off_season_job = TextLine(later("Its job out of season"), required=False, maximum=200)

        def facts(self) -> ThingFacts:
            return ThingFacts(
                origin=self.origin.data,
                cost_hundredths=hundredths(self.cost.data),
                acquired_on=self.acquired_on.data,
                film_area_m2=self.film_area_m2.data,
                film_thickness_um=self.film_thickness_um.data,
                resin=self.resin.data,
                mark=self.mark.data,
                wood=self.wood.data,
                off_season_job=self.off_season_job.data or "",
            )

    return FactsForm


@blueprint.route(f"{THING}/edit", methods=["GET", "POST"])
@members
def edit_thing(cover_id: int) -> Response | str | tuple[str, int]:
    thing = things.get_thing(cover_id=cover_id, member=me())
    if not (me().is_coordinator or thing.owner_id == me().id):
        raise NotAllowed(_("Only its owner and a coordinator change what is known of it."))

    class Whole(facts_fields()):  # type: ignore[misc]
        note = TextBox(later("Note"), required=False, maximum=1_900)

    cost = thing.facts.cost_hundredths
    values = {**vars(thing.facts), "cost": None if cost is None else cost / 100}
    form = Whole(data=values | {"note": thing.note})
    if form.validate_on_submit():
        try:
            refusal = things.bed_refusal(sort="", mark=form.mark.data, wood=form.wood.data)
            if refusal is not None:
                raise FieldRefused(
                    refusal.field,
                    _(
                        "%(refusal)s Retire it as a cover; it can be kept as a material for other "
                        "use.",
                        refusal=refusal,
                    ),
                )
            things.change_facts(
                cover_id=cover_id,
                facts=form.facts(),
                note=form.note.data or "",
                member=me(),
                now=now(),
            )
        except FieldRefused as refused:
            form.take(refused)
        else:
            flash(_("Saved."))
            return redirect(url_for(".thing_page", cover_id=cover_id), 303)
    page = render_template("store/thing_form.html", form=form, thing=thing)
    return (page, 422) if form.is_submitted() else page


@blueprint.get("/store/add")
@members
def add_page() -> str:
    """What to add: a kind of cover or a material, the common ones first."""
    kinds = [kind for kind in covers.list_kinds() if kind.construction != covers.SHELTER]
    kinds.sort(key=lambda kind: (-kind.covers, kind.name.casefold()))
    return render_template("store/add.html", kinds=kinds, presets=lots.PRESETS)


@blueprint.route("/store/things/new", methods=["GET", "POST"])
@members
def new_things() -> Response | str | tuple[str, int]:
    """Add covers: kind, how many, where. All else has an answer already."""
    member = me()
    kinds = [
        Choice(str(kind.id), kind.name)
        for kind in covers.list_kinds()
        if kind.construction != covers.SHELTER
    ]

    class ThingsForm(facts_fields()):  # type: ignore[misc]
        kind_id = PickField(later("Kind"), [Choice("", later("choose one")), *kinds])
        how_many = NumberField(later("How many"), minimum=1, maximum=MOST_AT_ONCE, whole=True)
        place_id = PickField(later("Kept at"), place_choices())
        owner_id = PickField(later("Whose"), owner_choices(member, present=None))
        prefix = TextLine(later("Label"), maximum=60, required=False)

    start: dict[str, Any] = {
        "kind_id": asked_id("kind"),
        "how_many": 1,
        "place_id": asked_id("place"),
        "owner_id": "" if member.is_coordinator else member.id,
        "acquired_on": today(),
    }
    form = ThingsForm(data=start)
    if form.validate_on_submit():
        try:
            labels = _add_things(form)
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_added(list(labels)))
            return redirect(_page_of(labels[-1]), 303)
    page = render_template("store/new_things.html", form=form, no_kinds=not kinds)
    return (page, 422) if form.is_submitted() else page


def _add_things(form: Any) -> tuple[str, ...]:
    if not form.kind_id.data:
        raise FieldRefused("kind_id", _("Choose what it is."))
    kind_id = int(form.kind_id.data)
    refusal = things.bed_refusal(sort="", mark=form.mark.data, wood=form.wood.data)
    if refusal is not None:
        raise FieldRefused(
            refusal.field,
            _("%(refusal)s Write it down as a material for other use instead.", refusal=refusal),
        )
    prefix = form.prefix.data or covers.usual_prefix(kind_id=kind_id)
    return covers.add_covers(
        kind_id=kind_id,
        prefix=prefix,
        first_number=covers.next_numbers(prefix=prefix),
        how_many=int(form.how_many.data),
        owner_id=to_id(form.owner_id.data),
        lending="garden",
        place_id=to_id(form.place_id.data),
        note="",
        member=me(),
        now=now(),
        facts=form.facts(),
        form_key=form.request_key(me(), "things"),
    )


@blueprint.get("/store/out")
@members
def out_page() -> str:
    return render_template("store/out.html", loans=lending.list_loans(member=me(), today=today()))


# --- pictures ---------------------------------------------------------------------------------


@blueprint.post(f"{THING}/photo")
@members
def thing_photo(cover_id: int) -> Response | tuple[str, int]:
    return _do(
        cover_id,
        "photo",
        lambda _t: PhotoForm(prefix="photo-"),
        lambda form: keep_photo(False, cover_id, form),
        _("Picture kept."),
    )


@blueprint.get("/store/photos/<name>")
@members
def photo(name: str) -> Response:
    if not photos.NAME.fullmatch(name) or not things.is_photo(name=name):
        raise NotFound(_("There is no such picture."))
    answer = send_from_directory(photo_folder(), name, mimetype="image/jpeg")
    answer.headers["Cache-Control"] = "private, max-age=86400"
    return answer
