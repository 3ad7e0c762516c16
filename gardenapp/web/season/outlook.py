"""The season's outlook: everybody who reads the board may look, coordinators bring nights in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask_wtf.file import FileField
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response

from gardenapp.readers.records import LineError, UnreadableFile
from gardenapp.science.season.outlook import ChanceByDate, DateQuantile, NightsBelow
from gardenapp.services.season import outlook as season
from gardenapp.web.access import board_readers, coordinators, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, MeasureField, PickField, TextLine
from gardenapp.web.formats import temperature_unit
from gardenapp.web.uploads import clean_name
from gardenapp.words import _, later, month_of, told

blueprint = Blueprint("season", __name__)


LEFT, RIGHT, TOP, BOTTOM = 34.0, 384.0, 12.0, 172.0
_USUAL_C = -2.0
TABLE_DAYS = (1, 15)


class ImportForm(GardenForm):
    """A file of past nights."""

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


@dataclass(frozen=True)
class Tick:
    """A mark along an axis."""

    at: float
    label: str


@dataclass(frozen=True)
class ChanceChart:
    """The chance by date as lines; `rows` hold the same in figures."""

    lines: tuple[tuple[str, str], ...]  # class, points
    months: tuple[Tick, ...]
    levels: tuple[Tick, ...]
    rows: tuple[tuple[str, tuple[float | None, ...]], ...]


@dataclass(frozen=True)
class CountBar:
    """One winter's nights below a threshold."""

    name: str
    count: int
    x: float
    y: float
    width: float
    height: float


class ThresholdForm(GardenForm):
    """Below which low to show the chances. Sent as an address, so without a token."""

    class Meta:
        csrf = False

    threshold_c = MeasureField(
        later("Chance of a low below"), kind="temperature", minimum=-40, maximum=20
    )


def _threshold_form() -> ThresholdForm:
    sent = request.args if "threshold_c" in request.args else MultiDict()
    return ThresholdForm(sent, threshold_c=_USUAL_C)


@blueprint.get("/season")
@board_readers
def season_page() -> str | tuple[str, int]:
    form = _threshold_form()
    is_fine = "threshold_c" not in request.args or form.validate()
    threshold_c = float(form.threshold_c.data or 0.0) if is_fine else _USUAL_C
    page = season.get_season(threshold_c=threshold_c, now=now())
    outlook = page.outlook
    values: dict[str, Any] = {"form": form, "page": page, "o": outlook}
    if outlook is not None:
        thresholds = list(dict.fromkeys([season.AIR_FROST_C, threshold_c]))
        chances = [c for t in thresholds for c in outlook.chances if c.threshold_c == t]
        values |= {
            "thresholds": thresholds,
            "chart": _chance_chart(chances[: len(thresholds)]),
            "frosts": [f for t in thresholds for f in outlook.frosts if f.threshold_c == t],
            "nights": [n for t in thresholds for n in outlook.nights if n.threshold_c == t],
            "bars": _bars(outlook.nights[0]) if outlook.nights else (),
            "shown": shown_date,
        }
    return render_template("season/season.html", **values), 200 if is_fine else 422


@blueprint.route("/season/import", methods=["GET", "POST"])
@coordinators
def import_page() -> Response | str | tuple[str, int]:
    form = ImportForm(unit="", daily_low="morning")
    errors: tuple[LineError, ...] = ()
    if form.validate_on_submit():
        upload = request.files.get("file")
        if upload is None or not upload.filename:
            form.file.errors = [*form.file.errors, _("Choose a file of past nights.")]
        else:
            unit: Any = form.unit.data or None
            try:
                done = season.import_climate(
                    data=upload.read(),
                    filename=clean_name(upload.filename),
                    unit=unit,
                    station=form.station.data or None,
                    lows_belong_to=str(form.daily_low.data),
                    member=signed_in_member(),
                    now=now(),
                )
            except UnreadableFile as error:
                errors = error.errors
            else:
                flash(_("%(nights)s nights are saved.", nights=done.nights))
                for note in done.notes:
                    flash(told(note))
                return redirect(url_for("season.season_page"), 303)
    page = render_template("season/import.html", form=form, errors=errors)
    return page, 422 if form.errors or errors else 200


@blueprint.post("/season/forget")
@coordinators
def forget() -> Response:
    count = season.forget_climate(member=signed_in_member(), now=now())
    flash(_("%(count)s past nights are deleted.", count=count))
    return redirect(url_for("season.season_page"), 303)


def shown_date(quantile: DateQuantile) -> str:
    """A date of the season, or that it does not come to that."""
    if quantile.month is None or quantile.day is None:
        return _("not in so many winters")
    return _day_and_month(quantile.day, quantile.month)


def _chance_chart(chances: list[ChanceByDate]) -> ChanceChart:
    days = chances[0].months_days
    step = (RIGHT - LEFT) / (len(days) - 1)

    def height(value: float) -> float:
        return round(BOTTOM - (BOTTOM - TOP) * value, 1)

    lines = []
    for number, chance in enumerate(chances):
        run: list[str] = []
        for place in range(0, len(days), 2):
            value = float(chance.chance[place])
            if math.isnan(value):  # nothing recorded at that time of year: a gap, no guess
                if len(run) > 1:
                    lines.append((_line_class(number), " ".join(run)))
                run = []
                continue
            run.append(f"{LEFT + place * step:.1f},{height(value)}")
        if len(run) > 1:
            lines.append((_line_class(number), " ".join(run)))
    months = tuple(
        Tick(round(LEFT + place * step, 1), month_of(date(2000, month, 1))[:3])
        for place, (month, day) in enumerate(days)
        if day == 1
    )
    rows = tuple(
        (
            _day_and_month(day, month),
            tuple(
                None if math.isnan(value := float(chance.chance[place])) else value
                for chance in chances
            ),
        )
        for place, (month, day) in enumerate(days)
        if day in TABLE_DAYS
    )
    levels = tuple(Tick(height(v), f"{v * 100:.0f}") for v in (0.0, 0.25, 0.5, 0.75, 1.0))
    return ChanceChart(tuple(lines), months, levels, rows)


def _line_class(number: int) -> str:
    return "second" if number else "chance"


def _bars(nights: NightsBelow) -> tuple[CountBar, ...]:
    most = max((count for _, count in nights.by_season), default=0) or 1
    step = (RIGHT - LEFT) / max(1, len(nights.by_season))
    return tuple(
        CountBar(
            name=winter_name(year),
            count=count,
            x=round(LEFT + number * step + 0.1 * step, 1),
            y=round(BOTTOM - (BOTTOM - TOP) * count / most, 1),
            width=round(0.8 * step, 1),
            height=round((BOTTOM - TOP) * count / most, 1),
        )
        for number, (year, count) in enumerate(nights.by_season)
    )


@blueprint.app_template_filter("winter")
def winter_name(year: int) -> str:
    """A season by the year it begins in: `2014/15`."""
    return f"{year}/{(year + 1) % 100:02d}"


@blueprint.app_template_filter("day_and_year")
def day_and_year(day: date) -> str:
    """`24 November 2014`."""
    return f"{_day_and_month(day.day, day.month)} {day.year}"


@blueprint.context_processor
def _units() -> dict[str, str]:
    return {"degree": f"°{temperature_unit()}"}


def _day_and_month(day: int, month: int) -> str:
    name = month_of(date(2000, month, 1))
    return _("%(day)s %(month)s", day=day, month=name)
