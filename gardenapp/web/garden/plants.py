"""The plant catalogue: what each crop bears, where that is published, and crops of our own."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from gardenapp.errors import FieldRefused
from gardenapp.services.garden import crop_learning, plants
from gardenapp.services.garden.plants import OWN_GROUP, OwnStage
from gardenapp.web.access import board_readers, coordinators, current_member, members
from gardenapp.web.access import signed_in_member as signed_in
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, MeasureField, PickField, TextBox, TextLine
from gardenapp.web.garden.plots import search_words
from gardenapp.web.hardiness_words import DAMAGE_WORDS
from gardenapp.words import _, later

blueprint = Blueprint("plants", __name__)


def _groups() -> list[Choice]:
    """What a new crop can stand with in the catalogue."""
    return [*(Choice(name, name) for name in plants.group_names()), Choice("", OWN_GROUP)]


class OwnCropForm(GardenForm):
    """A crop of the garden's own with a first stage and what it bears."""

    name = TextLine(later("Crop"), maximum=80)
    group = PickField(later("Stands with"), _groups)
    stage = TextLine(later("Part or stage"), maximum=80)
    kind = PickField(
        later("What the temperature does"),
        [Choice("damage", later("damage begins")), Choice("kill", later("about half is dead"))],
    )
    threshold_c = MeasureField(later("Temperature"), kind="temperature", minimum=-40, maximum=20)
    hardened_threshold_c = MeasureField(
        later("The same, hardened off"),
        kind="temperature",
        minimum=-40,
        maximum=20,
        required=False,
    )
    why = TextBox(later("Source"), maximum=600)
    usual_height_cm = MeasureField(later("Usual height"), kind="length", minimum=1, maximum=1_000)
    usual_spread_cm = MeasureField(later("Usual width"), kind="length", minimum=1, maximum=1_000)

    def own(self) -> OwnStage:
        return OwnStage(
            stage=self.stage.data or "",
            kind=self.kind.data,
            threshold_c=float(self.threshold_c.data or 0.0),
            hardened_threshold_c=self.hardened_threshold_c.data,
            why=self.why.data or "",
            usual_height_cm=float(self.usual_height_cm.data or 0.0),
            usual_spread_cm=float(self.usual_spread_cm.data or 0.0),
        )


class OwnStageForm(OwnCropForm):
    """A stage of the garden's own, of a crop that there is."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        del self.name, self.group


EMPTY: dict[str, Any] = {
    "stage": "plant",
    "kind": "damage",
    "usual_height_cm": 30.0,
    "usual_spread_cm": 30.0,
}


@blueprint.get("/plants")
@board_readers
def plants_page() -> str:
    q = search_words()
    groups = plants.list_catalogue(q=q)
    return render_template(
        "plants/plants.html", groups=groups, q=q, found=sum(len(group.crops) for group in groups)
    )


@blueprint.get("/plants/<int(max=2147483647):crop_id>")
@board_readers
def crop_page(crop_id: int) -> str:
    crop = plants.get_crop(crop_id=crop_id, member=current_member())
    return render_template(
        "plants/crop.html",
        crop=crop,
        learnt=crop_learning.learnt_of(crop_id=crop_id),
        damages=DAMAGE_WORDS,
    )


@blueprint.post("/plants/mornings/<int(max=2147483647):outcome_id>")
@coordinators
def leave_out(outcome_id: int) -> Response:
    crop_id = crop_learning.leave_out(
        outcome_id=outcome_id,
        is_left_out=request.form.get("left_out") == "yes",
        member=signed_in(),
        now=now(),
    )
    flash(_("Saved. It counts in plans from now on."))
    return redirect(url_for(".crop_page", crop_id=crop_id), 303)


@blueprint.route("/plants/new", methods=["GET", "POST"])
@members
def new_crop() -> Response | str | tuple[str, int]:
    form = OwnCropForm(data=EMPTY)
    if form.validate_on_submit():
        try:
            crop_id = plants.add_own_crop(
                name=form.name.data,
                group=form.group.data,
                own=form.own(),
                member=signed_in(),
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Crop added, marked as ours."))
            return redirect(url_for(".crop_page", crop_id=crop_id), 303)
    return _shown(form, heading=_("Add a crop of our own"), back=url_for(".plants_page"))


@blueprint.route("/plants/<int(max=2147483647):crop_id>/stages/new", methods=["GET", "POST"])
@members
def new_stage(crop_id: int) -> Response | str | tuple[str, int]:
    crop = plants.get_crop(crop_id=crop_id, member=signed_in())
    form = OwnStageForm(data=EMPTY | {"stage": ""})
    if form.validate_on_submit():
        try:
            plants.add_own_stage(crop_id=crop_id, own=form.own(), member=signed_in(), now=now())
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Stage added, marked as ours."))
            return redirect(url_for(".crop_page", crop_id=crop_id), 303)
    return _shown(
        form,
        heading=_("Add our own figure for %(name)s", name=crop.name),
        back=url_for(".crop_page", crop_id=crop_id),
    )


@blueprint.route("/plants/stages/<int(max=2147483647):stage_id>/edit", methods=["GET", "POST"])
@members
def edit_stage(stage_id: int) -> Response | str | tuple[str, int]:
    crop_id, crop_name, own = plants.get_own_stage(stage_id=stage_id, member=signed_in())
    form = OwnStageForm(data=vars(own))
    if form.validate_on_submit():
        try:
            plants.change_own_stage(
                stage_id=stage_id, own=form.own(), member=signed_in(), now=now()
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Our own figure is saved."))
            return redirect(url_for(".crop_page", crop_id=crop_id), 303)
    return _shown(
        form,
        heading=_("Change our own figure for %(crop_name)s", crop_name=crop_name),
        back=url_for(".crop_page", crop_id=crop_id),
    )


def _shown(form: GardenForm, *, heading: str, back: str) -> str | tuple[str, int]:
    page = render_template("plants/own_stage.html", form=form, heading=heading, back=back)
    return (page, 422) if form.errors else page
