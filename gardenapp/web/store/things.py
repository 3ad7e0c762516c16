"""The store's list, a label's address, and the pages of things."""

from __future__ import annotations

from typing import Any

from flask import (
    flash,
    redirect,
    render_template,
    request,
    send_from_directory,
)
from werkzeug.wrappers import Response

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.messages import marked
from gardenapp.services.store import acts, covers, lending, lots, photos, things
from gardenapp.services.store.covers import MOST_AT_ONCE, ThingFacts
from gardenapp.services.store.subjects import thing
from gardenapp.services.store.things import (
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    SORT_WORDS,
    STATUS_WORDS,
    WOOD_WORDS,
    StoreChoice,
)
from gardenapp.web.access import members
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, DayField, NumberField, PickField, TextBox, TextLine
from gardenapp.web.signs import sign_of
from gardenapp.web.store.acts import page_of_label, show
from gardenapp.web.store.base import (
    THING_AT,
    StoreForm,
    added,
    asked_id,
    blueprint,
    choices_of,
    cover_kind_choices,
    hundredths,
    me,
    owner_choices,
    page_number,
    page_of,
    place_choices,
    shown,
    to_id,
    today,
)
from gardenapp.web.store.photos import photo_folder
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
        kinds=things.kinds_in_store() if choice == StoreChoice() else (),
        sign_of=sign_of,
        places=things.list_place_names(),
        states={**STATUS_WORDS, "broken": later("broken")},
        kept={name: value for name, value in kept.items() if value is not None},
    )


@blueprint.get("/s/<code>")
@members
def label(code: str) -> Response:
    """Where a printed label's QR code leads."""
    return redirect(page_of(things.find_by_code(code=code[:40])), 303)


@blueprint.get(THING_AT)
@members
def thing_page(cover_id: int) -> str:
    return show(thing(cover_id))


@blueprint.post("/store/entries/<int(max=2147483647):entry_id>/undo")
@members
def undo(entry_id: int) -> Response:
    subject = acts.undo_entry(entry_id=entry_id, member=me(), now=now())
    flash(_("Taken back."))
    return redirect(page_of(subject), 303)


# --- more to say of a thing -------------------------------------------------------------------


class FactsForm(StoreForm):
    """What may be known of a thing, beside its kind and place."""

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

    def check_bed(self, otherwise: str) -> None:
        """Raises FieldRefused where its wood may not go near food beds, with what to do then."""
        refusal = things.bed_refusal(sort="", mark=self.mark.data, wood=self.wood.data)
        if refusal is not None:
            raise FieldRefused(refusal.field, _(otherwise, refusal=refusal))


class EditForm(FactsForm):
    """What is known of a thing that is there."""

    note = TextBox(later("Note"), required=False, maximum=1_900)


class NewThingsForm(FactsForm):
    """New covers: of which kind, how many, where; all else has an answer already."""

    kind_id = PickField(
        later("Kind"), lambda: [Choice("", later("choose one")), *cover_kind_choices()]
    )
    how_many = NumberField(later("How many"), minimum=1, maximum=MOST_AT_ONCE, whole=True)
    place_id = PickField(later("Where it is kept"), place_choices)
    owner_id = PickField(later("Whose"), lambda: owner_choices(me(), present=None))
    prefix = TextLine(later("Label"), maximum=60, required=False)


@blueprint.route(f"{THING_AT}/edit", methods=["GET", "POST"])
@members
def edit_thing(cover_id: int) -> Response | str | tuple[str, int]:
    page = things.get_thing(cover_id=cover_id, member=me())
    if not page.may_own:
        raise NotAllowed(_("Only its owner or a coordinator can change its details."))
    cost = page.facts.cost_hundredths
    values = {**vars(page.facts), "cost": None if cost is None else cost / 100}
    form = EditForm(data=values | {"note": page.note})
    if form.validate_on_submit():
        try:
            form.check_bed(
                marked(
                    "%(refusal)s Retire it as a cover; it can be kept as a material for other use."
                )
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
            return redirect(page_of(page.subject), 303)
    return shown("store/thing_form.html", form, thing=page)


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
    start: dict[str, Any] = {
        "kind_id": asked_id("kind"),
        "how_many": 1,
        "place_id": asked_id("place"),
        "owner_id": "" if member.is_coordinator else member.id,
        "acquired_on": today(),
    }
    form = NewThingsForm(data=start)
    if form.validate_on_submit():
        try:
            labels = _add_things(form)
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(added(labels))
            return redirect(page_of_label(labels[-1]), 303)
    no_kinds = len(form.kind_id.choices) == 1
    return shown("store/new_things.html", form, no_kinds=no_kinds)


def _add_things(form: NewThingsForm) -> tuple[str, ...]:
    if not form.kind_id.data:
        raise FieldRefused("kind_id", _("Choose what it is."))
    kind_id = int(form.kind_id.data)
    form.check_bed(marked("%(refusal)s Add it as a material for other use instead."))
    prefix = form.prefix.data or covers.usual_prefix(kind_id=kind_id)
    return covers.add_covers(
        kind_id=kind_id,
        prefix=prefix,
        first_number=covers.next_numbers(prefix=prefix),
        how_many=int(form.how_many.data or 0),
        owner_id=to_id(form.owner_id.data),
        lending="garden",
        place_id=to_id(form.place_id.data),
        note="",
        member=me(),
        now=now(),
        facts=form.facts(),
        form_key=form.once(me(), "things"),
    )


@blueprint.get("/store/out")
@members
def out_page() -> str:
    return render_template("store/out.html", loans=lending.list_loans(member=me(), today=today()))


# --- pictures ---------------------------------------------------------------------------------


@blueprint.get("/store/photos/<name>")
@members
def photo(name: str) -> Response:
    if not photos.NAME.fullmatch(name) or not things.is_photo(name=name):
        raise NotFound(_("We can’t find that picture."))
    answer = send_from_directory(photo_folder(), name, mimetype="image/jpeg")
    answer.headers["Cache-Control"] = "private, max-age=86400"
    return answer
