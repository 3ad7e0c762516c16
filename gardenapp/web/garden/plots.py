"""Plots and what grows in them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response
from wtforms import BooleanField, ValidationError

from gardenapp.errors import FieldRefused, NotAllowed
from gardenapp.services.clockwork import garden_zone, get_garden
from gardenapp.services.garden import hardened, plants, plots, weather
from gardenapp.services.garden.plants import (
    MIND_LABELS,
    POT_LABELS,
    STATE_LABELS,
    WORTH_PER_LABELS,
    PlantingDetail,
    PlantingEntry,
    StageChoice,
)
from gardenapp.services.garden.plots import USUAL_OFFSETS, Offset, PlotDetail
from gardenapp.web.access import board_readers, coordinators, current_member, members
from gardenapp.web.access import signed_in_member as signed_in
from gardenapp.web.clock import now
from gardenapp.web.fields import (
    Choice,
    DayField,
    GardenForm,
    MeasureField,
    NumberField,
    OnceForm,
    PickField,
    TextBox,
    TextLine,
    TicksField,
    measure,
    row_id,
)
from gardenapp.web.formats import difference, temperature
from gardenapp.words import _, later, said

blueprint = Blueprint("plots", __name__)

KEY = "<int(max=2147483647):plot_id>"
PLANTING = "/plantings/<int(max=2147483647):planting_id>"
OWN_OFFSET = "own"
SEARCH_LENGTH = 80
# Plantings saved one after the other, told below the form they were typed into.
SITTING, MOST_OF_A_SITTING = "sown", 40


@blueprint.app_template_filter("distance")
def distance(value_m: float) -> str:
    """A distance on foot in the reader's unit: `35 m`."""
    unit = measure("distance")
    return f"{unit.from_si(value_m):.0f}\N{NARROW NO-BREAK SPACE}{unit.sign}"


def search_words() -> str:
    """What was typed to search for, cut to a sensible length."""
    return request.args.get("q", "")[:SEARCH_LENGTH].strip()


def _offset_choices() -> list[Choice]:
    usual = [
        Choice(
            spot.key,
            f"{spot.label}: {difference(spot.mean_k, signed=True)} ± {difference(spot.sd_k)}",
        )
        for spot in USUAL_OFFSETS
    ]
    return [*usual, Choice(OWN_OFFSET, _("Our own figure, typed below"))]


class PlotForm(GardenForm):
    """A plot, as the coordinator sees it."""

    label = TextLine(later("Label"), maximum=40)
    length_cm = MeasureField(
        later("Length"), kind="length", minimum=10, maximum=100_000, required=False
    )
    width_cm = MeasureField(
        later("Width"), kind="length", minimum=10, maximum=100_000, required=False
    )
    distance_m = MeasureField(
        later("Walk from the shed"), kind="distance", minimum=0, maximum=5_000
    )
    bed_width_cm = MeasureField(
        later("Width of a bed"), kind="length", minimum=10, maximum=100_000, required=False
    )
    offset_choice = PickField(later("What the spot is like"), _offset_choices)
    offset_k = MeasureField(
        later("Our own figure: warmer (+) or colder (−) than the forecast"),
        kind="difference",
        minimum=-15,
        maximum=15,
        required=False,
    )
    offset_sd_k = MeasureField(
        later("Give or take"), kind="difference", minimum=0.1, maximum=10, required=False
    )
    offset_reason = TextLine(later("How you know"), maximum=200, required=False)
    is_mixed = BooleanField(later("Its plants grow mixed in one bed"))
    note = TextBox(later("Note"), required=False)

    def offset(self) -> Offset:
        return plots.offset_from(
            choice=self.offset_choice.data,
            offset_k=self.offset_k.data,
            offset_sd_k=self.offset_sd_k.data,
            reason=self.offset_reason.data or "",
        )


class OwnPlotForm(PlotForm):
    """A plot as its holder sees it, without what only the coordinator changes."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        del self.label, self.length_cm, self.width_cm, self.distance_m


class HoldersForm(GardenForm):
    """Who holds a plot."""

    def __init__(self, plot: PlotDetail) -> None:
        super().__init__(data={"holders": plot.holder_ids})

    holders = TicksField(later("Holders"), ())


@blueprint.get("/plots")
@board_readers
def plots_page() -> str:
    member = current_member()
    return render_template("plots/plots.html", plots=plots.list_plots(member=member))


WEATHER_DAYS = 45
WEATHER_SOURCES = {
    "readings": later("thermometer"),
    "record": later("record"),
    "forecast": later("forecast"),
    "low": later("a forecast’s low alone, the mean guessed"),
}


@blueprint.get("/weather")
@board_readers
def weather_page() -> str:
    days = weather.list_days(until=now().astimezone(garden_zone()).date(), days=WEATHER_DAYS)
    return render_template(
        "plots/weather.html",
        days=days,
        known=sum(line.day is not None for line in days),
        sources=WEATHER_SOURCES,
    )


@blueprint.route("/plots/new", methods=["GET", "POST"])
@coordinators
def new_plot() -> Response | str | tuple[str, int]:
    form = PlotForm(data={"offset_choice": "open", "distance_m": 0.0})
    if form.validate_on_submit():
        try:
            plot_id = plots.create_plot(
                label=form.label.data,
                length_cm=form.length_cm.data,
                width_cm=form.width_cm.data,
                bed_width_cm=form.bed_width_cm.data,
                distance_m=float(form.distance_m.data or 0.0),
                offset=form.offset(),
                note=form.note.data,
                is_mixed=form.is_mixed.data,
                member=signed_in(),
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Plot added. Say who holds it, then what grows in it."))
            return redirect(url_for(".plot_page", plot_id=plot_id), 303)
    return _shown(
        "plots/plot_form.html", form, plot=None, is_whole=True, usual_offsets=USUAL_OFFSETS
    )


@blueprint.route(f"/plots/{KEY}/edit", methods=["GET", "POST"])
@members
def edit_plot(plot_id: int) -> Response | str | tuple[str, int]:
    member = signed_in()
    plot = plots.get_plot(plot_id=plot_id, member=member)
    if not plot.may_change:
        raise NotAllowed(_("Only those who hold this plot and coordinators can change it."))
    values = {name: getattr(plot, name) for name in PlotDetail.__dataclass_fields__}
    if plot.offset_choice:
        # The usual figures stand in the list already; a copy of them below would look typed.
        values["offset_k"] = values["offset_sd_k"] = None
    else:
        values["offset_choice"] = OWN_OFFSET
    form = PlotForm(data=values) if member.is_coordinator else OwnPlotForm(data=values)
    if form.validate_on_submit():
        try:
            own: dict[str, Any] = {
                "plot_id": plot_id,
                "bed_width_cm": form.bed_width_cm.data,
                "offset": form.offset(),
                "note": form.note.data,
                "is_mixed": form.is_mixed.data,
                "member": member,
                "now": now(),
            }
            if member.is_coordinator:
                plots.change_plot(
                    label=form.label.data,
                    length_cm=form.length_cm.data,
                    width_cm=form.width_cm.data,
                    distance_m=float(form.distance_m.data or 0.0),
                    **own,
                )
            else:
                plots.change_own_plot(**own)
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Plot saved."))
            return redirect(url_for(".plot_page", plot_id=plot_id), 303)
    return _shown(
        "plots/plot_form.html",
        form,
        plot=plot,
        is_whole=member.is_coordinator,
        usual_offsets=USUAL_OFFSETS,
    )


@blueprint.route(f"/plots/{KEY}/holders", methods=["GET", "POST"])
@coordinators
def plot_holders(plot_id: int) -> Response | str | tuple[str, int]:
    plot = plots.get_plot(plot_id=plot_id, member=signed_in())
    form = HoldersForm(plot)
    form.holders.choices = tuple(
        Choice(str(number), name) for number, name in plots.member_choices(also=plot.holder_ids)
    )
    if form.validate_on_submit():
        plots.set_holders(
            plot_id=plot_id,
            member_ids=[int(value) for value in form.holders.data],
            member=signed_in(),
            now=now(),
        )
        flash(_("Holders saved."))
        return redirect(url_for(".plot_page", plot_id=plot_id), 303)
    return _shown("plots/holders.html", form, plot=plot)


def _stage_picks(found: tuple[StageChoice, ...]) -> list[Choice]:
    first = Choice("", _("Choose a crop") if found else _("Nothing found: search for another word"))
    return [first] + [
        Choice(
            str(line.id),
            f"{said(line.crop)}, {said(line.stage)} ({temperature(line.threshold_c)})",
            line.group,
        )
        for line in found
    ]


class PlantingForm(OnceForm):
    """What grows in a plot. The crops to choose from are those of the search."""

    crop = TextLine(
        later("Crop"),
        maximum=80,
        required=False,
        render_kw={"list": "crops", "autocomplete": "off"},
    )
    stage_id = PickField(later("Crop and stage"), advice=later("Choose a crop from the list."))
    count = NumberField(later("How many plants"), minimum=1, maximum=5_000, whole=True)
    height_cm = MeasureField(
        later("Height of a plant"), kind="length", minimum=1, maximum=1_000, required=False
    )
    spread_cm = MeasureField(
        later("Width of a plant"), kind="length", minimum=1, maximum=1_000, required=False
    )
    in_pot = BooleanField(later("In pots"))
    is_movable = BooleanField(later("The pots can be carried in"))
    pot_l = NumberField(later("Litres of a pot"), minimum=0.1, maximum=1_000, required=False)
    pot_material = PickField(
        later("What the pot is made of"), [Choice(key, label) for key, label in POT_LABELS.items()]
    )
    pot_is_raised = BooleanField(later("The pot stands raised, with air under it"))
    mind = PickField(
        later("How much you would mind losing it"),
        [Choice(key, label) for key, label in MIND_LABELS.items()],
    )
    worth_per = PickField(
        later("This counts for"),
        [Choice(key, label) for key, label in WORTH_PER_LABELS.items()],
    )
    state = PickField(
        later("How hardened off it is"),
        [Choice("", later("as the weather says"))]
        + [Choice(key, label) for key, label in STATE_LABELS.items()],
    )
    state_on = DayField(later("It was like that on"), required=False)
    name = TextLine(later("Your own name for it"), maximum=80, required=False)
    note = TextBox(later("Note"), required=False)

    def __init__(
        self, values: dict[str, Any] | PlantingDetail, *, q: str, keep: int | None
    ) -> None:
        is_there = isinstance(values, PlantingDetail)
        super().__init__(obj=values if is_there else None, data=None if is_there else values)
        self.stage_id.choices = _stage_picks(plants.stage_choices(q=q, keep=keep))

    def entry(self) -> PlantingEntry:
        return PlantingEntry(
            stage_id=int(self.stage_id.data),
            name=self.name.data or "",
            count=int(self.count.data or 0),
            height_cm=self.height_cm.data,
            spread_cm=self.spread_cm.data,
            in_pot=self.in_pot.data,
            is_movable=self.is_movable.data,
            mind=self.mind.data,
            worth_per=self.worth_per.data,
            state=self.state.data or "",
            state_on=self.state_on.data,
            pot_l=self.pot_l.data,
            pot_material=self.pot_material.data or "",
            pot_is_raised=self.pot_is_raised.data,
            note=self.note.data or "",
        )

    def validate_stage_id(self, field: PickField) -> None:
        crop = getattr(self, "crop", None)
        if not field.data and not (crop is not None and crop.data):
            raise ValidationError(_("Choose a crop from the list."))

    def settle_crop(self) -> plants.CropMeant | None:
        """Find the crop that was typed, and its stage where none was chosen; None: not needed."""
        if self.stage_id.data or not self.crop.data:
            return None
        garden = get_garden()
        meant = plants.crop_meant(
            text=self.crop.data,
            on=now().astimezone(garden_zone()).date(),
            latitude=garden.latitude,
            in_pot=self.in_pot.data or None,
        )
        if meant.stage_id is None:
            nearest = ", ".join(meant.choices[:3])
            self.crop.errors = [
                _("Do you mean %(names)s? Type it so, or choose it below.", names=nearest)
                if nearest
                else _("We don’t know that crop. Choose one from the list below.")
            ]
            return meant
        self.stage_id.data = str(meant.stage_id)
        if not self.name.data:
            self.name.data = meant.beside
        return meant


def _typed_stage() -> int | None:
    """The crop that was chosen in the form sent, so that it stays in a list cut by a search."""
    return row_id(request.form.get("stage_id", ""))


@blueprint.route(f"/plots/{KEY}/plantings/new", methods=["GET", "POST"])
@members
def new_planting(plot_id: int) -> Response | str | tuple[str, int]:
    member = signed_in()
    plot = plots.get_plot(plot_id=plot_id, member=member)
    if not plot.may_change:
        raise NotAllowed(_("Only those who hold this plot and coordinators can plant in it."))
    q = search_words()
    like = row_id(request.args.get("like", ""))
    values: dict[str, Any] | PlantingDetail = {
        "mind": "much",
        "worth_per": "plant",
        "pot_is_raised": True,
    }
    if like is not None:
        values = plants.get_planting(planting_id=like)
        if values.plot_id != plot_id:
            raise NotAllowed(_("Copy a planting of the same plot."))
    asked = row_id(request.args.get("stage", ""))
    if isinstance(values, dict) and asked is not None:
        values["stage_id"] = asked
    keep = _typed_stage() or (values.stage_id if isinstance(values, PlantingDetail) else asked)
    form = PlantingForm(values, q=q, keep=keep)
    if form.validate_on_submit():
        form.settle_crop()
    if request.method == "POST" and not form.errors:
        try:
            planting_id = plants.add_planting(
                plot_id=plot_id,
                entry=form.entry(),
                form_key=str(form.form_key.data),
                member=member,
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            if request.form.get("do") == "next":
                session[SITTING] = [*_sitting(plot_id), (plot_id, planting_id)][-MOST_OF_A_SITTING:]
                return redirect(url_for(".new_planting", plot_id=plot_id), 303)
            flash(_("Planting added. It counts in plans from now on."))
            return redirect(url_for(".plot_page", plot_id=plot_id), 303)
    return _shown(
        "plots/planting_form.html",
        form,
        plot=plot,
        planting=None,
        q=q,
        by_weather=None,
        crop_names=plants.crop_names(),
        sown=_sown(plot_id),
    )


def _sitting(plot_id: int) -> list[tuple[int, int]]:
    """What was saved for a plot one after the other in this sitting: pairs of plot and planting."""
    kept = session.get(SITTING, [])
    return [(plot, planting) for plot, planting in kept if plot == plot_id]


def _sown(plot_id: int) -> list[PlantingDetail]:
    """The plantings of this sitting that are still there, the newest first."""
    wanted = [planting for _plot, planting in _sitting(plot_id)]
    if not wanted:
        return []
    there = {p.id: p for p in plants.list_plantings(plot_id=plot_id) if p.ended_at is None}
    return [there[number] for number in reversed(wanted) if number in there]


@blueprint.route(f"{PLANTING}/edit", methods=["GET", "POST"])
@members
def edit_planting(planting_id: int) -> Response | str | tuple[str, int]:
    member = signed_in()
    planting = plants.get_planting(planting_id=planting_id)
    plot = plots.get_plot(plot_id=planting.plot_id, member=member)
    if not plot.may_change:
        raise NotAllowed(_("Only those who hold this plot and coordinators can change it."))
    q = search_words()
    today = hardened.today_in(plot_id=plot.id, now=now()).get(planting_id)
    if today is not None:
        planting = replace(planting, stage_id=today.stage_id)
    form = PlantingForm(planting, q=q, keep=_typed_stage() or planting.stage_id)
    del form.crop
    if form.validate_on_submit():
        try:
            plants.change_planting(
                planting_id=planting_id, entry=form.entry(), member=member, now=now()
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Planting saved."))
            return redirect(url_for(".plot_page", plot_id=planting.plot_id), 303)
    by_weather = None
    if today is not None and today.is_moved:
        by_weather = today.bears_c if today.by_weather_c is None else today.by_weather_c
    return _shown(
        "plots/planting_form.html", form, plot=plot, planting=planting, q=q, by_weather=by_weather
    )


@blueprint.post(f"{PLANTING}/end")
@members
def end_planting(planting_id: int) -> Response:
    plot_id = plants.end_planting(planting_id=planting_id, member=signed_in(), now=now())
    if request.form.get("do") == "back":
        return redirect(url_for(".new_planting", plot_id=plot_id), 303)
    flash(_("Planting ended. You can bring it back at the foot of this page."))
    return redirect(url_for(".plot_page", plot_id=plot_id), 303)


@blueprint.post(f"{PLANTING}/restore")
@members
def restore_planting(planting_id: int) -> Response:
    plot_id = plants.restore_planting(planting_id=planting_id, member=signed_in(), now=now())
    flash(_("Planting brought back."))
    return redirect(url_for(".plot_page", plot_id=plot_id), 303)


def _shown(template: str, form: GardenForm, **context: Any) -> str | tuple[str, int]:
    """The form's page: 422 where something was refused, with everything that was typed."""
    page = render_template(template, form=form, **context)
    return (page, 422) if form.errors else page
