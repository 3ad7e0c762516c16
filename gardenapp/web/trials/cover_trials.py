"""Trials of covers: the form for two loggers' files, the result, what it taught."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask_wtf.file import FileField
from werkzeug.datastructures import FileStorage
from werkzeug.wrappers import Response
from wtforms import BooleanField

from gardenapp.config import MAX_LOGGER_UPLOAD_BYTES
from gardenapp.errors import FieldRefused, NotFound, Refused
from gardenapp.messages import marked
from gardenapp.readers.logger import LoggerOptions
from gardenapp.science.trials.analysis import nights_between
from gardenapp.science.units import c_to_f, difference_k_to_f
from gardenapp.services.clockwork import tonight
from gardenapp.services.notices.planned import replan_if_needed
from gardenapp.services.store.covers import list_kinds
from gardenapp.services.trials import cover_trials
from gardenapp.web.access import current_garden, current_member, members, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, MeasureField, OnceForm, PickField, TextBox, TextLine
from gardenapp.web.formats import chance, decimals, difference, shortest, temperature_unit, zone
from gardenapp.web.trials import chart
from gardenapp.words import _, later, n_

blueprint = Blueprint("trials", __name__)

SIDES = ("inside", "outside")
SKY_WORDS = {
    "clear": later("clear and calm"),
    "cloudy": later("cloudy or windy"),
    "mixed": later("some of each"),
    "unknown": later("not saved"),
}
STATE_WORDS = {
    "kept": later("in use"),
    "doubted": later("doubted, not in use"),
    "left out": later("left out"),
}


@blueprint.url_value_preprocessor
def _allow_logger_files(endpoint: str | None, values: dict[str, Any] | None) -> None:
    """Loggers' files are larger than forms, and only a signed-in member may send them.

    It has to happen here: the check of the form's token, which comes before the view, already
    reads the whole form.
    """
    if endpoint == "trials.new_trial" and current_member() is not None:
        request.max_content_length = MAX_LOGGER_UPLOAD_BYTES


@blueprint.app_context_processor
def _kind_story() -> dict[str, Any]:
    return {"trials_of_kind": lambda kind_id: cover_trials.kind_story(kind_id=kind_id)}


@blueprint.app_template_filter("short_day")
def short_day(day: date | str) -> str:
    """`Fri 20 Nov`, for tables."""
    at = date.fromisoformat(day) if isinstance(day, str) else day
    return f"{at:%a} {at.day} {at:%b}"


class _SideField(PickField):
    """Something to say about the file of one side, inside or outside."""

    def __init__(self, side: str, label: str, choices: Sequence[Choice], **kwargs: Any) -> None:
        super().__init__(_(label, capitalize=side.capitalize()), choices, **kwargs)


def _zone_field(side: str) -> PickField:
    return _SideField(
        side,
        marked("%(capitalize)s: times are in"),
        [
            Choice("", later("the garden’s time, or as the file says")),
            Choice("UTC", later("UTC (GMT)")),
        ],
    )


def _unit_field(side: str) -> PickField:
    return _SideField(
        side,
        marked("%(capitalize)s: temperatures are in"),
        [Choice("", later("as the file says")), Choice("C", "°C"), Choice("F", "°F")],
    )


def _dates_field(side: str) -> PickField:
    return _SideField(
        side,
        marked("%(capitalize)s: dates are written"),
        [
            Choice("", later("as the file seems to")),
            Choice("YMD", later("year, month, day")),
            Choice("DMY", later("day, month, year")),
            Choice("MDY", later("month, day, year")),
        ],
    )


def _letters_field(side: str) -> PickField:
    return _SideField(
        side,
        marked("%(capitalize)s: text encoding"),
        [Choice("", "UTF-8"), Choice("cp1252", "Windows-1252")],
    )


class TrialForm(OnceForm):
    """Two loggers' files and what was around them."""

    kind_id = PickField(
        later("Kind of cover"),
        lambda: [
            Choice("", later("choose")),
            *(Choice(str(kind.id), kind.name) for kind in list_kinds()),
        ],
        advice=later("Choose the kind of cover that was tried."),
    )
    cover_id = PickField(
        later("Which cover of that kind"),
        lambda: [
            Choice("", later("none in particular")),
            *(Choice(str(c.id), c.label, c.kind) for c in cover_trials.covers_to_try()),
        ],
    )
    place = TextLine(later("Where it stood"), maximum=200, required=False)
    is_sealed = BooleanField(later("It stood closed all round, no gap at the rim"))
    sky = PickField(
        later("The nights were"), [Choice(key, text) for key, text in SKY_WORDS.items()]
    )
    inside = FileField(later("File of the logger inside"))
    outside = FileField(later("File of the logger outside"))
    heat_max = MeasureField(
        later("Hottest your crop can take"),
        kind="temperature",
        minimum=10,
        maximum=50,
        required=False,
    )
    note = TextBox(later("Note"), required=False)
    inside_zone = _zone_field("inside")
    inside_unit = _unit_field("inside")
    inside_dates = _dates_field("inside")
    inside_letters = _letters_field("inside")
    inside_column = TextLine(later("Inside: heading of the temperatures"), required=False)
    outside_zone = _zone_field("outside")
    outside_unit = _unit_field("outside")
    outside_dates = _dates_field("outside")
    outside_letters = _letters_field("outside")
    outside_column = TextLine(later("Outside: heading of the temperatures"), required=False)

    def options(self, side: str) -> LoggerOptions:
        """What was said about one of the files."""
        column = self[f"{side}_column"].data or ""
        return LoggerOptions(
            columns={"temperature": column} if column else None,
            temperature_unit=self[f"{side}_unit"].data or None,
            csv_time_zone=ZoneInfo("UTC") if self[f"{side}_zone"].data == "UTC" else None,
            date_order=self[f"{side}_dates"].data or None,
            encoding=self[f"{side}_letters"].data or None,
        )


@blueprint.get("/trials")
@members
def trials_page() -> str:
    return render_template(
        "trials/trials.html", trials=cover_trials.list_trials(), states=STATE_WORDS
    )


@blueprint.route("/trials/new", methods=["GET", "POST"])
@members
def new_trial() -> Response | str | tuple[str, int]:
    form = TrialForm(
        data={"kind_id": request.args.get("kind", "")[:12], "sky": "unknown", "is_sealed": True}
    )
    faults: dict[str, Any] = {}
    if form.validate_on_submit():
        try:
            trial_id = cover_trials.keep_trial(
                entry=cover_trials.TrialEntry(
                    kind_id=int(form.kind_id.data) if form.kind_id.data else 0,
                    cover_id=int(form.cover_id.data) if form.cover_id.data else None,
                    place=form.place.data or "",
                    is_sealed=bool(form.is_sealed.data),
                    sky=form.sky.data,
                    note=form.note.data or "",
                    heat_max_c=form.heat_max.data,
                ),
                inside=_file(form, "inside"),
                outside=_file(form, "outside"),
                form_key=str(form.form_key.data),
                member=signed_in_member(),
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        except NotFound as refusal:
            form.take(FieldRefused("kind_id", refusal.message))
        except cover_trials.UnreadableTrial as refusal:
            faults = refusal.faults
        else:
            _plan_again()
            return redirect(url_for(".trial_page", trial_id=trial_id), 303)
    page = render_template(
        "trials/new.html",
        form=form,
        faults=faults,
        names={side: _shown_name(form[side].data) for side in SIDES},
    )
    return (page, 422) if form.errors or faults else page


def _file(form: Any, side: str) -> cover_trials.LoggerFile:
    sent = form[side].data
    if not isinstance(sent, FileStorage) or not sent.filename:
        raise FieldRefused(side, _("Choose the file of the logger %(side)s.", side=side))
    return cover_trials.LoggerFile(_shown_name(sent), sent.read(), form.options(side))


def _shown_name(sent: Any) -> str:
    name = sent.filename if isinstance(sent, FileStorage) else ""
    return "".join(c for c in name or "" if c.isprintable())[:120]


def _plan_again() -> None:
    """Let tonight's plan know what the trial taught."""
    at = now()
    try:
        made = replan_if_needed(nights=[tonight(at)], member_id=signed_in_member().id, now=at)
    except NotFound:
        return
    except Refused as refusal:
        flash(
            _(
                "The trial is saved, but we could not plan tonight again: %(refusal)s",
                refusal=refusal,
            ),
            "bad",
        )
        return
    if made:
        flash(_("We planned tonight again with it."))


@blueprint.get("/trials/<int(max=2147483647):trial_id>")
@members
def trial_page(trial_id: int) -> str:
    page = cover_trials.get_trial(trial_id=trial_id, member=signed_in_member())
    story = cover_trials.kind_story(kind_id=page.line.kind_id)
    is_f = temperature_unit() == "F"
    return render_template(
        "trials/trial.html",
        page=page,
        r=page.result,
        story=story,
        weights={
            night.night_of.isoformat(): night
            for night in (story.lift.nights if story.lift else ())
            if night.trial_id == trial_id
        },
        chart=chart.draw(
            page.result["chart"],
            _nights(page.first_at, page.last_at),
            zone=zone(),
            shown=c_to_f if is_f else float,
            shown_difference=difference_k_to_f if is_f else float,
        ),
        unit=f"°{temperature_unit()}",
        sky_words=SKY_WORDS,
        states=STATE_WORDS,
        flag_words=flag_words,
    )


def _nights(first_at: datetime, last_at: datetime) -> list[tuple[datetime, datetime]]:
    garden = current_garden()
    assert garden is not None  # the access check sends visitors to the first steps otherwise
    nights = nights_between(
        int(first_at.timestamp()),
        int(last_at.timestamp()),
        latitude=garden.latitude,
        longitude=garden.longitude,
        time_zone=zone(),
    )
    return [(night.sunset_at, night.sunrise_at) for night in nights]


def flag_words(flag: dict[str, Any]) -> str:
    """A reason for doubt, with differences in the reader's unit."""
    p = flag["params"]
    if flag["code"] == "swapped":
        return _(
            "The inside is cooler by day (%(day_k)s) and by night (%(night_k)s): are the "
            "two files swapped?",
            day_k=difference(p["day_k"], signed=True),
            night_k=difference(p["night_k"], signed=True),
        )
    if flag["code"] == "touching_film":
        return _(
            "The inside is warmer by day (%(day_k)s) and colder by night (%(night_k)s). "
            "Thin bare polyethylene does this on clear nights; so does a logger that "
            "touches the film. Look before you trust it.",
            day_k=difference(p["day_k"], signed=True),
            night_k=difference(p["night_k"], signed=True),
        )
    return _other_flag(flag["code"], p) or str(flag["words"])


def _other_flag(code: str, p: Mapping[str, Any]) -> str | None:
    if code == "overlap_small":
        return _("The two records have only %(hours)s hours in common.", hours=decimals(p["hours"]))
    if code == "too_short":
        return _(
            "No night is whole in both records, so there is nothing to learn from. Let the "
            "loggers hang for at least one night, better for ten."
        )
    if code == "stuck":
        hours = decimals(p["hours"], 0)
        if p["which"] == "inside":
            return _(
                "The logger inside shows the same value for %(hours)s hours while the other "
                "moves: check its battery, its memory and its sensor.",
                hours=hours,
            )
        return _(
            "The logger outside shows the same value for %(hours)s hours while the other "
            "moves: check its battery, its memory and its sensor.",
            hours=hours,
        )
    if code == "same_readings":
        return _(
            "Both loggers read the same for %(share)s of the time: were they side by side, or "
            "is one file there twice?",
            share=chance(p["share"]),
        )
    if code == "sensor_in_sun":
        return n_(
            "On %(num)s day the logger outside warms faster than air does: it seems to hang in "
            "the sun. Its day figures are then too small; shade it on all sides.",
            "On %(num)s days the logger outside warms faster than air does: it seems to hang in "
            "the sun. Its day figures are then too small; shade it on all sides.",
            int(p["days"]),
        )
    if code == "gaps":
        return n_(
            "%(num)s gap of %(hours)s hours; nothing is filled in there.",
            "%(num)s gaps of %(hours)s hours in all; nothing is filled in there.",
            int(p["count"]),
            hours=decimals(p["hours"]),
        )
    if code == "different_steps":
        return _(
            "The loggers measure every %(inside)s inside and every %(outside)s outside; both "
            "are compared at the longer step.",
            inside=_step(p["inside_s"]),
            outside=_step(p["outside_s"]),
        )
    if code == "clock_offset":
        by = _step(abs(p["offset_s"]))
        if p["offset_s"] > 0:
            return _(
                "The clock of the logger inside is about %(by)s slow against the one outside; "
                "its times are moved by that.",
                by=by,
            )
        return _(
            "The clock of the logger inside is about %(by)s fast against the one outside; "
            "its times are moved by that.",
            by=by,
        )
    if code == "humidity_one_sided":
        return _("Humidity is known from one logger only, so it cannot be compared.")
    if code == "no_sunset":
        return _(
            "On some of these dates the sun did not both set and rise; 18:00 to 06:00 by the "
            "sun is called the night there."
        )
    return None


def _step(seconds: float) -> str:
    return f"{shortest(seconds)} s" if seconds < 60 else f"{decimals(seconds / 60, 0)} min"


@blueprint.get("/trials/<int(max=2147483647):trial_id>/readings.csv")
@members
def readings_csv(trial_id: int) -> Response:
    name, lines = cover_trials.cleaned_csv(trial_id=trial_id)
    response = Response(lines, content_type="text/csv; charset=utf-8")
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@blueprint.post("/trials/<int(max=2147483647):trial_id>/use")
@members
def use(trial_id: int) -> Response:
    cover_trials.use_trial(trial_id=trial_id, is_used=True, member=signed_in_member(), now=now())
    flash(_("In use: the kind learns from it."))
    _plan_again()
    return redirect(url_for(".trial_page", trial_id=trial_id), 303)


@blueprint.post("/trials/<int(max=2147483647):trial_id>/leave-out")
@members
def leave_out(trial_id: int) -> Response:
    cover_trials.use_trial(trial_id=trial_id, is_used=False, member=signed_in_member(), now=now())
    flash(_("Left out. Its readings stay saved, and you can use it again."))
    _plan_again()
    return redirect(url_for(".trial_page", trial_id=trial_id), 303)
