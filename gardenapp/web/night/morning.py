"""The morning's pages: covers off, lows read, damage seen."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response
from wtforms import HiddenField

from gardenapp.errors import FieldRefused, NotFound, OutOfRange
from gardenapp.models.covers import CONDITIONS
from gardenapp.models.trials import DAMAGES
from gardenapp.services.night import learning, morning, outcomes, past_night, tonight
from gardenapp.services.store.covers import CONDITION_LABELS
from gardenapp.web.access import members, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, MeasureField, PickField
from gardenapp.web.hardiness_words import DAMAGE_WORDS
from gardenapp.web.night.past import draw
from gardenapp.web.places import PLACE_WORDS, UNKNOWN
from gardenapp.words import _, later

blueprint = Blueprint("morning", __name__)


class LowForm(GardenForm):
    """A low read in the garden's screen."""

    night_of = HiddenField()
    low = MeasureField(later("Official low"), kind="temperature", minimum=-60, maximum=45)


def _night() -> date | None:
    """The night in the address or the form; None for the last one. Raises NotFound."""
    typed = request.values.get("night_of") or request.args.get("night", "")
    if not typed:
        return None
    try:
        return date.fromisoformat(typed)
    except ValueError:
        raise NotFound(_("We can’t find that night.")) from None


@blueprint.get("/morning")
@members
def morning_page() -> str:
    at = now()
    page = morning.morning_page(member=signed_in_member(), now=at, night_of=_night())
    form = LowForm(data={"low": page.screen_low_c, "night_of": page.night_of.isoformat()})
    return _shown(page, form, at)


def _shown(page: morning.MorningPage, form: LowForm, at: datetime) -> str:
    return render_template(
        "morning/morning.html",
        page=page,
        form=form,
        now=at,
        has_picture=past_night.is_said(page.night_of, now=at),
    )


@blueprint.post("/morning/jobs/<int(max=2147483647):job_id>/off")
@members
def off(job_id: int) -> Response:
    conditions = {
        int(name.removeprefix("cover-")): value
        for name, value in request.form.items()
        if name.startswith("cover-")
        and name[6:].isascii()
        and name[6:].isdigit()
        and len(name) < 16
        and value
    }
    changed = morning.bring_back(
        job_id=job_id, conditions=conditions, member_id=signed_in_member().id, now=now()
    )
    flash(
        _("Marked as off and back in its place. Its condition is saved.")
        if changed
        else _("Marked as off and back in its place.")
    )
    return redirect(url_for(".morning_page"), 303)


@blueprint.post("/morning/jobs/<int(max=2147483647):job_id>/undo")
@members
def undo(job_id: int) -> Response:
    tonight.undo_off(job_id=job_id, member=signed_in_member(), now=now())
    flash(_("Taken back: its covers stand there still."))
    return redirect(url_for(".morning_page"), 303)


@blueprint.get("/morning/jobs/<int(max=2147483647):job_id>/condition")
@members
def condition(job_id: int) -> str:
    return render_template(
        "morning/condition.html",
        job=morning.find_job(job_id=job_id, now=now()),
        conditions=[(key, CONDITION_LABELS[key]) for key in CONDITIONS],
    )


@blueprint.post("/morning/screen")
@members
def screen() -> Response | tuple[str, int]:
    form = LowForm()
    at = now()
    if form.validate_on_submit():
        try:
            learning.record_low(
                night_of=_night() or morning.last_night(at),
                plot_id=None,
                low_c=float(form.low.data or 0.0),
                member=signed_in_member(),
                now=at,
            )
        except OutOfRange as refusal:
            form.take(FieldRefused("low", refusal.message))
        else:
            flash(_("The low is saved."))
            return redirect(url_for(".morning_page", night=form.night_of.data or None), 303)
    page = morning.morning_page(member=signed_in_member(), now=at, night_of=_night())
    return _shown(page, form, at), 422


def _plot_form(page: morning.PlotMorning) -> Any:
    class PlotForm(GardenForm):
        """A plot's low and what the night did to each planting."""

        night_of = HiddenField()
        low = MeasureField(
            later("Lowest read at the plot"),
            kind="temperature",
            minimum=-60,
            maximum=45,
            required=False,
        )
        place = PickField(
            later("Where it was read"),
            [
                Choice("", later("choose")),
                *(Choice(key, words) for key, words in PLACE_WORDS.items()),
                Choice(UNKNOWN, later("nobody knows")),
            ],
        )

    for line in page.plantings:
        setattr(
            PlotForm,
            f"damage_{line.planting_id}",
            PickField(
                f"{line.count} × {line.name}",
                [
                    Choice("", _("not looked")),
                    *(Choice(key, DAMAGE_WORDS[key]) for key in DAMAGES),
                ],
            ),
        )
    values: dict[str, Any] = {f"damage_{line.planting_id}": line.damage for line in page.plantings}
    low_c = page.low_c
    if low_c is None and page.logger_low is not None:
        low_c = page.logger_low.low_c
    return PlotForm(
        data={**values, "low": low_c, "place": page.place, "night_of": page.night_of.isoformat()}
    )


@blueprint.route("/morning/plots/<int(max=2147483647):plot_id>", methods=["GET", "POST"])
@members
def plot_morning(plot_id: int) -> Response | str | tuple[str, int]:
    at, member = now(), signed_in_member()
    page = morning.plot_morning(plot_id=plot_id, member=member, now=at, night_of=_night())
    form = _plot_form(page)
    if form.validate_on_submit():
        damages = {
            line.planting_id: form[f"damage_{line.planting_id}"].data
            for line in page.plantings
            if form[f"damage_{line.planting_id}"].data
        }
        offered = page.logger_low
        is_loggers = offered is not None and form.low.data == offered.low_c
        try:
            if form.low.data is not None and not form.place.data:
                raise FieldRefused(
                    "place",
                    _(
                        "Say where: on a clear night grass is several degrees colder than the "
                        "official air temperature."
                    ),
                )
            place = "" if form.place.data == UNKNOWN else form.place.data
            morning.save_plot_morning(
                night_of=page.night_of,
                plot_id=plot_id,
                low_c=form.low.data,
                place=place,
                low_source=f"logger {offered.label}" if offered and is_loggers else "read",
                damages=damages,
                member=member,
                now=at,
            )
        except FieldRefused as refusal:
            form.take(refusal)
        except OutOfRange as refusal:
            form.take(FieldRefused(refusal.about or "low", refusal.message))
        else:
            if form.low.data is not None and learning.is_doubted(
                night_of=page.night_of, plot_id=plot_id, low_c=form.low.data, place=place
            ):
                flash(
                    _(
                        "That is far from the forecast. It is saved, but the app does not learn "
                        "from it. Change it if it was a slip."
                    ),
                    "warn",
                )
            flash(_("Saved for plot %(page)s.", page=page.label))
            return redirect(url_for(".morning_page", night=page.night_of.isoformat()), 303)
    shown = render_template("morning/plot.html", page=page, form=form)
    return (shown, 422) if form.errors else shown


@blueprint.get("/calibration")
@members
def calibration() -> str:
    return render_template("calibration/calibration.html", page=outcomes.calibration(now=now()))


@blueprint.get("/calibration/nights/<string(length=10):evening>")
@members
def past(evening: str) -> str:
    try:
        night_of = date.fromisoformat(evening)
    except ValueError:
        raise NotFound(_("We can’t find that night.")) from None
    at = now()
    page = past_night.past_night(night_of=night_of, now=at)
    return render_template(
        "calibration/night.html",
        page=page,
        p=draw(page),
        nights=past_night.nights_said(now=at)[:14],
        damages=DAMAGE_WORDS,
    )
