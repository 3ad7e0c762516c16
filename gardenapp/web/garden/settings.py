"""The garden's settings and the log of changes."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from wtforms import BooleanField, ValidationError

from gardenapp.errors import Refused
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden.settings import GardenSettings
from gardenapp.web.access import coordinators, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, NumberField, PickField, TextLine
from gardenapp.web.formats import length_unit
from gardenapp.web.garden.people import LENGTH_WORDS, TEMPERATURE_WORDS
from gardenapp.web.languages import NAMES, language
from gardenapp.words import _, later

blueprint = Blueprint("garden", __name__)

M_PER_FOOT = 0.3048  # exact since 1959


class PlaceForm(GardenForm):
    """Where the garden is, which is needed before anything else."""

    name = TextLine(later("Name of the garden"))
    latitude = NumberField(later("Latitude"), minimum=-90, maximum=90)
    longitude = NumberField(later("Longitude"), minimum=-180, maximum=180)
    time_zone = TextLine(later("Time zone"))
    elevation_m = NumberField(
        later("Height above the sea"), minimum=-450, maximum=6000, required=False
    )
    temperature_unit = PickField(later("Temperatures in"), TEMPERATURE_WORDS)
    length_unit = PickField(later("Lengths in"), LENGTH_WORDS)
    language = PickField(
        later("Language"),
        [Choice(code, name) for code, name in NAMES.items()],
        default=language,
    )

    def validate_time_zone(self, field: Any) -> None:
        if not field.data:
            return  # that it is missing has been said
        try:
            field.data = gardens.find_zone(field.data or "")
        except Refused as error:
            raise ValidationError(str(error)) from None


class SettingsForm(PlaceForm):
    board_is_open = BooleanField(later("Anybody on the network may read tonight’s board"))
    contact = TextLine(later("Contact for the weather services"), maximum=200, required=False)
    minutes_budget = NumberField(later("Helpers’ time"), minimum=0, maximum=6000, required=False)
    walk_worth = PickField(
        later("Ten minutes of somebody’s evening are worth"),
        [
            Choice("half", later("half a lettuce")),
            Choice("lettuce", later("a lettuce")),
            Choice("two", later("two lettuces")),
            Choice("tomato", later("a tomato plant")),
        ],
        default="lettuce",
    )
    shelter_label = TextLine(later("Shelter for pots"), required=False)
    shelter_spaces = NumberField(later("Pots it holds"), minimum=0, maximum=10_000, whole=True)

    def validate_contact(self, field: Any) -> None:
        if not (field.data or "").isascii():
            raise ValidationError(
                _(
                    "Weather services take plain letters, digits and punctuation only, such as "
                    "an e-mail address."
                )
            )


@blueprint.route("/garden", methods=["GET", "POST"])
@coordinators
def settings_page() -> Any:
    settings = gardens.get_settings()
    in_feet = length_unit() == "inch"
    form = SettingsForm(obj=settings)
    if in_feet:
        height = form.elevation_m
        height.minimum, height.maximum = -1_480, 19_700
        # The limits are set after the field has read what was typed: read it once more.
        form.process(formdata=request.form if request.method == "POST" else None, obj=settings)
        if request.method == "GET":
            height.data = _in_feet(settings.elevation_m)
    if form.validate_on_submit():
        try:
            gardens.change_settings(
                settings=settings_of(form, settings, in_feet=in_feet),
                by_id=signed_in_member().id,
                now=now(),
            )
        except Refused as error:
            form.name.errors = [str(error)]
        else:
            flash(_("The garden’s settings are saved."), "good")
            return redirect(url_for("garden.settings_page"), 303)
    page = render_template("garden/settings.html", form=form, unit="ft" if in_feet else "m")
    return page, 422 if form.errors else 200


@blueprint.get("/garden/log")
@coordinators
def log_page() -> str:
    typed = request.args.get("page", "1")
    number = int(typed) if typed.isascii() and typed.isdigit() and len(typed) < 7 else 1
    return render_template("garden/log.html", log=gardens.read_log(page=number))


def _in_feet(height_m: float | None) -> int | None:
    return None if height_m is None else round(height_m / M_PER_FOOT)


def settings_of(
    form: PlaceForm, before: GardenSettings, *, in_feet: bool = False
) -> GardenSettings:
    """The settings as typed into a form over those of before. [m; feet where `in_feet`]"""
    names = GardenSettings.__dataclass_fields__
    typed = {field.short_name: field.data for field in form if field.short_name in names}
    if in_feet and _in_feet(before.elevation_m) == typed["elevation_m"]:
        typed["elevation_m"] = before.elevation_m  # untouched: keep the metres as they were
    elif in_feet and typed["elevation_m"] is not None:
        typed["elevation_m"] = round(typed["elevation_m"] * M_PER_FOOT, 1)
    return GardenSettings(**before.__dict__ | typed)
