"""The map of the garden: looked at by whoever reads the board, drawn by coordinators."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from markupsafe import Markup
from wtforms import ValidationError
from wtforms.widgets import TextArea

from gardenapp.errors import FieldRefused
from gardenapp.science.garden_map import MOST_CHARACTERS, MapError
from gardenapp.services.garden import map as maps
from gardenapp.services.garden.map import BadMap, MapPage
from gardenapp.web.access import board_readers, coordinators, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, PickField, TextLine
from gardenapp.web.map_drawing import NORTH_WORDS, MapDrawing, draw_map
from gardenapp.words import _, later, told

blueprint = Blueprint("garden_map", __name__)

MOST_ERRORS = 30
"""So many of them at most are listed; somebody pasted something else then."""
BEGUN_ROWS, MOST_TEXT_ROWS = 8, 30


class MapBox(TextLine):
    """The map's text. Its blanks and tabs are kept as typed; the map's reader judges it by line."""

    def process_formdata(self, valuelist: list[Any]) -> None:
        if valuelist:
            self.data = str(valuelist[0]).replace("\r\n", "\n").strip("\n")

    def widget(self, field: Any, **attributes: Any) -> Markup:
        rows = min(MOST_TEXT_ROWS, max(BEGUN_ROWS, (self.data or "").count("\n") + 3))
        return Markup(  # noqa: S704  (the widget's own output, escaped there)
            TextArea()(
                field,
                **{
                    "rows": rows,
                    "wrap": "off",
                    "class": "map-text",
                    "autocapitalize": "off",
                    "autocomplete": "off",
                    "autocorrect": "off",
                    "spellcheck": "false",
                    **attributes,
                },
            )
        )

    def pre_validate(self, form: Any) -> None:
        text = self.data or ""
        if len(text) > MOST_CHARACTERS:
            raise ValidationError(
                _(
                    "Use at most %(maximum)s characters; this has %(text)s.",
                    maximum=MOST_CHARACTERS,
                    text=len(text),
                )
            )
        try:
            text.encode("utf-8")
        except UnicodeEncodeError:
            raise ValidationError(_("One of the characters is broken; type it again.")) from None


class MapForm(GardenForm):
    map_text = MapBox(later("Map"), required=False)
    north = PickField(later("North"), advice=later("Choose one of the list."))

    def __init__(self, *args: Any, north: float | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [Choice("", _("not known"))]
        choices += [Choice(str(45 * n), str(word)) for n, word in enumerate(NORTH_WORDS)]
        kept = _written(north)
        if kept not in {choice.value for choice in choices}:
            # Drawn elsewhere, to the degree: kept as it is unless somebody chooses another.
            choices.append(Choice(kept, _("%(degrees)s° clockwise from the top", degrees=kept)))
        self.north.choices = tuple(choices)

    @property
    def north_degrees(self) -> float | None:
        return float(self.north.data) if self.north.data else None


def _written(north: float | None) -> str:
    return "" if north is None else f"{north:g}"


@blueprint.get("/garden/map")
@board_readers
def map_page() -> str:
    page = maps.get_map()
    links = {
        label: url_for("plots.plot_page", plot_id=plot_id)
        for label, plot_id in page.plot_ids.items()
    }
    return render_template(
        "garden/map.html",
        page=page,
        drawing=draw_map(page.garden_map, links=links, north=page.north) if page.is_drawn else None,
    )


@blueprint.route("/garden/map/change", methods=["GET", "POST"])
@coordinators
def change() -> Any:
    kept = maps.get_map()
    form = MapForm(north=kept.north)
    if request.method == "GET":
        form.map_text.data, form.north.data = kept.text, _written(kept.north)
        if "begin" in request.args:
            form.map_text.data = maps.begin_map()
        return _drawn(form, is_begun="begin" in request.args), 200
    if not form.validate_on_submit():
        return _drawn(form), 422
    if request.form.get("do") == "show":
        return _drawn(form), 200
    try:
        maps.save_map(
            text=form.map_text.data or "",
            north=form.north_degrees,
            member=signed_in_member(),
            now=now(),
        )
    except BadMap:
        return _drawn(form), 422  # which looks at the text again, and tells what is wrong with it
    except FieldRefused as refusal:
        form.take(refusal)
        return _drawn(form), 422
    flash(_("The map of the garden is saved."), "good")
    return redirect(url_for("garden_map.map_page"), 303)


def _drawn(form: MapForm, *, is_begun: bool = False) -> str:
    """The form with what its text draws and with all that is wrong with it beside the field."""
    page: MapPage | None = None
    if not form.map_text.errors:
        north = None if form.north.errors else form.north_degrees
        page, errors = maps.look_at(text=form.map_text.data or "", north=north)
        form.map_text.errors = _error_lines(errors)
    drawing: MapDrawing | None = None
    if page is not None and page.is_drawn:
        drawing = draw_map(page.garden_map, north=page.north)
    return render_template(
        "garden/change_map.html", form=form, page=page, drawing=drawing, is_begun=is_begun
    )


def _error_lines(errors: tuple[MapError, ...]) -> list[str]:
    lines = [str(told(maps.line_words(error))) for error in errors[:MOST_ERRORS]]
    if len(errors) > MOST_ERRORS:
        lines.append(_("And %(more)s more.", more=len(errors) - MOST_ERRORS))
    return lines
