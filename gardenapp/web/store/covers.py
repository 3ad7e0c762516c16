"""Kinds of cover, the covers there are, and the places they are kept."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response
from wtforms import BooleanField

from gardenapp.errors import FieldRefused, NotAllowed
from gardenapp.models.people import Member
from gardenapp.services.garden.plots import member_choices
from gardenapp.services.night.day_gains import kind_by_day
from gardenapp.services.store import covers
from gardenapp.services.store.covers import (
    CONDITION_LABELS,
    GUST_LIMIT_MAX_MPS,
    LENDING_LABELS,
    MOST_AT_ONCE,
    CoverEntry,
    KindDetail,
    KindEntry,
    KindSizes,
)
from gardenapp.web.access import coordinators, members
from gardenapp.web.access import signed_in_member as signed_in
from gardenapp.web.clock import now
from gardenapp.web.fields import (
    Choice,
    GardenForm,
    MeasureField,
    NumberField,
    PickField,
    TextBox,
    TextLine,
    measure,
)
from gardenapp.web.store.base import added, cover_kind_choices, place_choices, to_id
from gardenapp.words import _, later

blueprint = Blueprint("covers", __name__)

KIND = "/covers/kinds/<int(max=2147483647):kind_id>"
PLACE = "/covers/places/<int(max=2147483647):place_id>"


@blueprint.app_template_filter("gust")
def gust(value_mps: float) -> str:
    """A wind in the reader's unit: `11 m/s`."""
    unit = measure("wind")
    return f"{unit.from_si(value_mps):.0f}\N{NARROW NO-BREAK SPACE}{unit.sign}"


def _size(label: str, *, required: bool = True) -> MeasureField:
    return MeasureField(label, kind="length", minimum=1, maximum=3_000, required=required)


class KindForm(GardenForm):
    """A kind of cover: its sizes, and what is believed of how it is built."""

    name = TextLine(later("Name"), maximum=80)
    construction = TextLine(later("How it is built"), maximum=80)
    material = TextLine(later("Made of"), maximum=200, required=False)
    layers = NumberField(later("Layers"), minimum=1, maximum=10, whole=True)
    inner_length_cm = _size(later("Length inside"))
    inner_width_cm = _size(later("Width inside"))
    inner_height_cm = _size(later("Height inside"), required=False)
    outer_length_cm = _size(later("Length on the ground"))
    outer_width_cm = _size(later("Width on the ground"))
    minutes = NumberField(later("Minutes to put one on"), minimum=0, maximum=240)
    is_rigid = BooleanField(later("Stiff: keeps its own shape"))
    is_sealed = BooleanField(later("Closes at the ground all round"))
    may_touch = BooleanField(later("May lie on the leaves"))
    goes_under = BooleanField(later("Fits under another cover"))
    mass_kg = MeasureField(
        later("Weight of one"), kind="mass", minimum=0.1, maximum=300, required=False
    )
    gust_limit_mps = MeasureField(
        later("Strongest gust it holds in"),
        kind="wind",
        minimum=0,
        maximum=GUST_LIMIT_MAX_MPS,
        required=False,
    )
    clear_mean_k = MeasureField(
        later("Warmer by, on a clear calm night"), kind="difference", minimum=-5, maximum=20
    )
    clear_sd_k = MeasureField(later("Give or take"), kind="difference", minimum=0.1, maximum=10)
    cloudy_mean_k = MeasureField(
        later("Warmer by, on a cloudy or windy night"),
        kind="difference",
        minimum=-5,
        maximum=20,
    )
    cloudy_sd_k = MeasureField(later("Give or take"), kind="difference", minimum=0.1, maximum=10)
    leaf_shield = NumberField(later("Share of the open sky it blocks"), minimum=0, maximum=1)
    why = TextBox(later("Source"), maximum=2_000)

    def sizes(self) -> KindSizes:
        return KindSizes(
            name=self.name.data or "",
            inner_length_cm=float(self.inner_length_cm.data or 0),
            inner_width_cm=float(self.inner_width_cm.data or 0),
            inner_height_cm=self.inner_height_cm.data,
            outer_length_cm=float(self.outer_length_cm.data or 0),
            outer_width_cm=float(self.outer_width_cm.data or 0),
            minutes=float(self.minutes.data or 0),
        )

    def entry(self) -> KindEntry:
        return KindEntry(
            sizes=self.sizes(),
            construction=self.construction.data or "",
            material=self.material.data or "",
            layers=int(self.layers.data or 1),
            is_rigid=self.is_rigid.data,
            is_sealed=self.is_sealed.data,
            may_touch=self.may_touch.data,
            goes_under=self.goes_under.data,
            mass_kg=self.mass_kg.data,
            gust_limit_mps=self.gust_limit_mps.data,
            clear_mean_k=float(self.clear_mean_k.data or 0),
            clear_sd_k=float(self.clear_sd_k.data or 0),
            cloudy_mean_k=float(self.cloudy_mean_k.data or 0),
            cloudy_sd_k=float(self.cloudy_sd_k.data or 0),
            leaf_shield=float(self.leaf_shield.data or 0),
            why=self.why.data or "",
        )


class CopyKindForm(KindForm):
    """The same kind in another size: asked for a name, sizes and minutes, and nothing else."""

    KEPT = frozenset(
        {
            "name",
            "inner_length_cm",
            "inner_width_cm",
            "inner_height_cm",
            "outer_length_cm",
            "outer_width_cm",
            "minutes",
            "csrf_token",
        }
    )

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        for name in set(self._fields) - self.KEPT:
            del self[name]


def _owner_choices(member: Member, *, present: int | None) -> list[Choice]:
    """Who may be named as owner: anyone for a coordinator, nobody else for a member."""
    if member.is_coordinator:
        also = () if present is None else (present,)
        people = [Choice(str(number), name) for number, name in member_choices(also=also)]
        return [Choice("", _("the garden")), *people]
    return [Choice(str(member.id), member.name)]


LENDING_CHOICES = [Choice(key, label) for key, label in LENDING_LABELS.items()]
CONDITION_CHOICES = [Choice(key, label) for key, label in CONDITION_LABELS.items()]


class AddCoversForm(GardenForm):
    """Covers of one kind to add, one or many at once."""

    how_many = NumberField(later("How many"), minimum=1, maximum=MOST_AT_ONCE, whole=True)
    prefix = TextLine(later("Label"), maximum=60)
    first_number = NumberField(later("First number"), minimum=0, maximum=999_999, whole=True)
    owner_id = PickField(later("Whose"), lambda: _owner_choices(signed_in(), present=None))
    lending = PickField(later("Who may use them"), LENDING_CHOICES)
    place_id = PickField(later("Where they are kept"), place_choices)
    note = TextBox(later("Note"), required=False)


class CoverForm(GardenForm):
    """One cover."""

    label = TextLine(later("Label"), maximum=80)
    condition = PickField(later("Condition"), CONDITION_CHOICES)
    is_usable = BooleanField(later("Ready to use"))
    kind_id = PickField(later("Kind"), cover_kind_choices)
    owner_id = PickField(later("Whose"))
    lending = PickField(later("Who may use it"), LENDING_CHOICES)
    place_id = PickField(later("Where it is kept"), place_choices)
    note = TextBox(later("Note"), required=False)

    def __init__(self, cover: covers.CoverDetail) -> None:
        super().__init__(obj=cover)
        self.owner_id.choices = _owner_choices(signed_in(), present=cover.owner_id)

    def entry(self) -> CoverEntry:
        return CoverEntry(
            label=self.label.data or "",
            kind_id=int(self.kind_id.data),
            owner_id=to_id(self.owner_id.data),
            lending=self.lending.data,
            place_id=to_id(self.place_id.data),
            condition=self.condition.data,
            is_usable=self.is_usable.data,
            note=self.note.data or "",
        )


class PlaceForm(GardenForm):
    """A place to keep things."""

    label = TextLine(later("Name"), maximum=80)
    note = TextBox(later("How to get in, who has the key"), required=False, maximum=1_000)


@blueprint.get("/covers")
@members
def covers_page() -> str:
    member = signed_in()
    only_mine = request.args.get("mine") == "1"
    place_text = request.args.get("place", "")
    known = {str(place.id): place for place in covers.list_places()}
    place = known.get(place_text)
    return render_template(
        "covers/covers.html",
        groups=covers.list_covers(
            member=member, only_mine=only_mine, place_id=place.id if place else None
        ),
        kinds=covers.list_kinds(),
        places=tuple(known.values()),
        only_mine=only_mine,
        place=place,
    )


@blueprint.get(KIND)
@members
def kind_page(kind_id: int) -> str:
    kind = covers.get_kind(kind_id=kind_id, member=signed_in())
    by_day = None if kind.is_shelter else kind_by_day(kind_id=kind_id, now=now())
    return render_template("covers/kind.html", kind=kind, by_day=by_day)


@blueprint.route("/covers/kinds/new", methods=["GET", "POST"])
@coordinators
def new_kind() -> Response | str | tuple[str, int]:
    start = {"layers": 1, "is_sealed": True, "minutes": 3, "leaf_shield": 0.5}
    form = KindForm(data=start)
    if form.validate_on_submit():
        try:
            kind_id = covers.create_kind(entry=form.entry(), member=signed_in(), now=now())
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Kind of cover added. Now add the covers you have of it."))
            return redirect(url_for(".kind_page", kind_id=kind_id), 303)
    return _shown(
        "covers/kind_form.html",
        form,
        heading=_("Add a kind of cover"),
        is_whole=True,
        kind=None,
        back=url_for(".covers_page"),
    )


@blueprint.route(f"{KIND}/copy", methods=["GET", "POST"])
@members
def copy_kind(kind_id: int) -> Response | str | tuple[str, int]:
    kind = covers.get_kind(kind_id=kind_id, member=signed_in())
    form = CopyKindForm(obj=kind)
    if request.method == "GET":
        form.name.data = ""
    if form.validate_on_submit():
        try:
            new_id = covers.copy_kind(
                kind_id=kind_id, sizes=form.sizes(), member=signed_in(), now=now()
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Kind of cover added. Now add the covers you have of it."))
            return redirect(url_for(".kind_page", kind_id=new_id), 303)
    return _shown(
        "covers/kind_form.html",
        form,
        heading=_("The same kind in another size"),
        is_whole=False,
        kind=kind,
        back=url_for(".kind_page", kind_id=kind_id),
    )


@blueprint.route(f"{KIND}/edit", methods=["GET", "POST"])
@coordinators
def edit_kind(kind_id: int) -> Response | str | tuple[str, int]:
    kind = covers.get_kind(kind_id=kind_id, member=signed_in())
    form = KindForm(obj=kind)
    if form.validate_on_submit():
        try:
            covers.change_kind(kind_id=kind_id, entry=form.entry(), member=signed_in(), now=now())
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Kind of cover saved."))
            return redirect(url_for(".kind_page", kind_id=kind_id), 303)
    return _shown(
        "covers/kind_form.html",
        form,
        heading=_("Change a kind of cover"),
        is_whole=True,
        kind=kind,
        back=url_for(".kind_page", kind_id=kind_id),
    )


@blueprint.route(f"{KIND}/covers/new", methods=["GET", "POST"])
@members
def new_covers(kind_id: int) -> Response | str | tuple[str, int]:
    member = signed_in()
    kind = covers.get_kind(kind_id=kind_id, member=member)
    if kind.is_shelter:
        raise NotAllowed(_("The shelter is set on the garden’s own page, not as a cover."))
    prefix = _usual_prefix(kind)
    form = AddCoversForm(
        data={
            "how_many": 1,
            "prefix": prefix,
            "first_number": covers.next_numbers(prefix=prefix),
            "lending": "garden",
            "owner_id": "" if member.is_coordinator else member.id,
        }
    )
    if form.validate_on_submit():
        try:
            labels = covers.add_covers(
                kind_id=kind_id,
                prefix=form.prefix.data or "",
                first_number=int(form.first_number.data or 0),
                how_many=int(form.how_many.data or 0),
                owner_id=to_id(form.owner_id.data),
                lending=form.lending.data,
                place_id=to_id(form.place_id.data),
                note=form.note.data or "",
                member=member,
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(added(labels))
            return redirect(url_for(".kind_page", kind_id=kind_id), 303)
    return _shown("covers/add.html", form, kind=kind)


def _usual_prefix(kind: KindDetail) -> str:
    """The label of the last cover of the kind without its number, or the name's first words."""
    if kind.covers:
        return kind.covers[-1].label.rstrip("0123456789 ") or kind.covers[-1].label
    return kind.name.partition(",")[0][:40].strip()


@blueprint.route("/covers/<int(max=2147483647):cover_id>/edit", methods=["GET", "POST"])
@members
def edit_cover(cover_id: int) -> Response | str | tuple[str, int]:
    member = signed_in()
    cover = covers.get_cover(cover_id=cover_id, member=member)
    form = CoverForm(cover)
    if form.validate_on_submit():
        try:
            covers.change_cover(cover_id=cover_id, entry=form.entry(), member=member, now=now())
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Cover %(label)s saved.", label=form.label.data))
            return redirect(url_for(".kind_page", kind_id=int(form.kind_id.data)), 303)
    return _shown("covers/cover.html", form, cover=cover)


@blueprint.get("/covers/places")
@members
def places_page() -> str:
    return render_template("covers/places.html", places=covers.list_places())


@blueprint.route("/covers/places/new", methods=["GET", "POST"])
@coordinators
def new_place() -> Response | str | tuple[str, int]:
    form = PlaceForm()
    if form.validate_on_submit():
        try:
            covers.create_place(
                label=form.label.data or "",
                note=form.note.data or "",
                member=signed_in(),
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Place added."))
            return redirect(url_for(".places_page"), 303)
    return _shown("covers/place_form.html", form, place=None)


@blueprint.route(f"{PLACE}/edit", methods=["GET", "POST"])
@coordinators
def edit_place(place_id: int) -> Response | str | tuple[str, int]:
    place = covers.get_place(place_id=place_id)
    form = PlaceForm(obj=place)
    if form.validate_on_submit():
        try:
            covers.change_place(
                place_id=place_id,
                label=form.label.data or "",
                note=form.note.data or "",
                member=signed_in(),
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Place saved."))
            return redirect(url_for(".places_page"), 303)
    return _shown("covers/place_form.html", form, place=place)


def _shown(template: str, form: GardenForm, **context: Any) -> str | tuple[str, int]:
    page = render_template(template, form=form, **context)
    return (page, 422) if form.errors else page
