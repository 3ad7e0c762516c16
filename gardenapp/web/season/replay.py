"""The coordinator's pages for replaying a past record and for how honest the odds have been."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import Blueprint, Flask, current_app, flash, redirect, render_template, request, url_for
from flask_wtf.file import FileField
from werkzeug.wrappers import Response
from wtforms import ValidationError

from gardenapp.errors import NotFound, OutOfRange, Refused
from gardenapp.readers.records import LineError, UnreadableFile
from gardenapp.services.clockwork import night_at
from gardenapp.services.season import replay as replays
from gardenapp.services.season.replay import ReplayAsked
from gardenapp.web.access import coordinators, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, NumberField, PickField, TextLine
from gardenapp.web.formats import zone
from gardenapp.web.uploads import clean_name
from gardenapp.words import _, later, told

blueprint = Blueprint("replay", __name__)

LARGEST_SEED = 2**31 - 1
SEASONS: dict[str, tuple[str, frozenset[int]]] = {
    "all": (later("all past nights"), frozenset()),
    "mam": (later("March to May"), frozenset({3, 4, 5})),
    "son": (later("September to November"), frozenset({9, 10, 11})),
    "both": (later("March to May and September to November"), frozenset({3, 4, 5, 9, 10, 11})),
    "djf": (later("December to February"), frozenset({12, 1, 2})),
    "jja": (later("June to August"), frozenset({6, 7, 8})),
}
GARDENS = {
    "current": later("this garden as it stands"),
    "invented": later("a small invented garden"),
}
STATUS_WORDS = {
    "running": later("running"),
    "done": later("done"),
    "stopped": later("stopped"),
    "failed": later("failed"),
    "interrupted": later("cut off by a restart"),
}


class ReplayForm(GardenForm):
    """What to replay, and with which covers."""

    file = FileField(later("Past nights"))
    unit = PickField(
        later("The file’s temperatures are in"),
        [
            Choice("", later("as the file says")),
            Choice("C", "°C"),
            Choice("F", "°F"),
            Choice("tenths C", later("tenths of a °C")),
        ],
    )
    daily_low = PickField(
        later("A day’s low fell on"),
        [
            Choice("morning", later("the morning of its date")),
            Choice("evening", later("the night after its date")),
        ],
    )
    station = TextLine(later("Station"), required=False)
    season = PickField(later("Nights"), [Choice(key, words) for key, (words, _) in SEASONS.items()])
    garden = PickField(later("Garden"), [Choice(key, words) for key, words in GARDENS.items()])
    covers = PickField(
        later("Covers"),
        [
            Choice("half", later("half of what would be needed")),
            Choice("all", later("those the garden has")),
            Choice("times", later("those the garden has, times a number")),
        ],
    )
    times = NumberField(later("Times"), minimum=0, maximum=100, required=False)
    seed = NumberField(later("Seed"), minimum=0, maximum=LARGEST_SEED, whole=True)

    def validate_times(self, field: Any) -> None:
        if self.covers.data == "times" and not (field.typed or "").strip():
            raise ValidationError(_("Enter a number, such as 0.5 or 2."))


@dataclass(frozen=True)
class Bar:
    """One bar of a chart, in the drawing's own units."""

    name: str
    kind: str
    y: int
    width: float
    value: float


@blueprint.route("/replay", methods=["GET", "POST"])
@coordinators
def replays_page() -> Response | str | tuple[str, int]:
    at = now()
    form = ReplayForm(
        season="all", garden="current", covers="half", seed=1, daily_low="morning", unit=""
    )
    errors: tuple[LineError, ...] = ()
    if form.validate_on_submit():
        upload = request.files.get("file")
        data = upload.read() if upload is not None and upload.filename else b""
        if upload is None or not upload.filename:
            form.file.errors = [*form.file.errors, _("Choose a file of past nights.")]
        else:
            try:
                run_id = replays.start_run(
                    data=data,
                    filename=clean_name(upload.filename),
                    asked=_asked(form),
                    member_id=signed_in_member().id,
                    now=at,
                    context=_application().app_context,
                    clock=now,  # the thread has the app's context, and with it the app's clock
                )
            except UnreadableFile as error:
                errors = error.errors
            except OutOfRange as error:
                form.file.errors = [*form.file.errors, told(error)]
            except (Refused, NotFound) as error:
                form.garden.errors = [*form.garden.errors, told(error)]
            else:
                return redirect(url_for("replay.run_page", run_id=run_id), 303)
    page = render_template(
        "replay/replays.html",
        form=form,
        errors=errors,
        runs=replays.list_runs(now=at),
        status_words=STATUS_WORDS,
        own=replays.calibration_on_record(before=night_at(at, zone())),
    )
    return page, 422 if form.errors or errors else 200


@blueprint.get("/replay/<int(max=2147483647):run_id>")
@coordinators
def run_page(run_id: int) -> str:
    run = replays.get_run(run_id, now=now())
    return render_template(
        "replay/run.html",
        run=run,
        gardens=GARDENS,
        status_words=STATUS_WORDS,
        bars=_bars(run.result) if run.result else [],
    )


@blueprint.post("/replay/<int(max=2147483647):run_id>/stop")
@coordinators
def stop(run_id: int) -> Response:
    try:
        replays.stop_run(run_id=run_id, member_id=signed_in_member().id, now=now())
    except Refused as error:
        flash(told(error), "bad")
    else:
        flash(_("It stops after the night it is working on."))
    return redirect(url_for("replay.run_page", run_id=run_id), 303)


def _asked(form: ReplayForm) -> ReplayAsked:
    covers = str(form.covers.data)
    if covers == "times":
        covers = f"{form.times.data:g}"
    unit: Any = form.unit.data or None
    garden: Any = form.garden.data
    belongs: Any = form.daily_low.data
    return ReplayAsked(
        garden=garden,
        covers=covers,
        seed=int(form.seed.data or 0),
        unit=unit,
        station=form.station.data or None,
        daily_low_belongs_to=belongs,
        months=SEASONS[str(form.season.data)][1],
    )


BAR_STEP, BAR_ROOM = 44, 300.0


def _bars(result: dict[str, Any]) -> list[Bar]:
    """The losses as bars, longest the worst; kinds tell them apart without colour."""
    policies = result["policies"]
    most = max((p["loss_a_year"] for p in policies), default=0.0) or 1.0
    kinds = {"plan": "plan", "perfect foresight": "best", "nothing covered": "bare"}
    return [
        Bar(
            name=p["name"],
            kind=kinds.get(p["name"], "rule"),
            y=number * BAR_STEP,
            width=round(max(1.0, BAR_ROOM * p["loss_a_year"] / most), 1),
            value=p["loss_a_year"],
        )
        for number, p in enumerate(policies)
    ]


def _application() -> Flask:
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]
    return app
