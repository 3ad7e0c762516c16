"""Covers to be built: choose plants, look at designs, draw one, cut it, build it."""

from __future__ import annotations

import json
import math
import re
from typing import Any

from flask import (
    Blueprint,
    Flask,
    current_app,
    flash,
    redirect,
    render_template,
    request,
    url_for,
)
from markupsafe import Markup
from werkzeug.datastructures import MultiDict
from werkzeug.wrappers import Response
from wtforms import BooleanField, HiddenField

from gardenapp.errors import AlreadyClaimed, FieldRefused, OutOfRange, Refused
from gardenapp.science.designs.design import FIGURES
from gardenapp.science.store.ledger import Impossible
from gardenapp.services.builds import designing, making
from gardenapp.services.builds.designing import PlanEntry, Wanted
from gardenapp.services.builds.shapes import SHAPES, Need
from gardenapp.services.garden.plots import list_plots
from gardenapp.services.season import build_next
from gardenapp.services.store import covers
from gardenapp.web.access import members, signed_in_member
from gardenapp.web.builds.drawing import BAR_MM, draw, draw_boards, draw_film
from gardenapp.web.clock import now
from gardenapp.web.fields import (
    Choice,
    GardenForm,
    MeasureField,
    NumberField,
    OnceForm,
    PickField,
    TextLine,
    row_id,
    row_ids,
)
from gardenapp.web.formats import MM_PER_INCH, SPACE, length_unit, shown_mm
from gardenapp.words import _, later, told

blueprint = Blueprint("builds", __name__)

PLAN = "/builds/<int(max=2147483647):plan_id>"
_MOST_JSON = 4_000
RUN_WORDS = {
    "running": later("running"),
    "done": later("done"),
    "stopped": later("stopped"),
    "failed": later("failed"),
    "interrupted": later("cut off by a restart"),
}
STATUS_WORDS = {
    "seen": later("read at its source"),
    "derived": later("worked out"),
    "practice": later("common practice, no source"),
    "memory": later("from memory"),
}


# --- lengths of the workshop ------------------------------------------------------------------


def area(value_m2: float) -> str:
    """An area in square metres or square feet."""
    if length_unit() == "inch":
        return f"{value_m2 / 0.09290304:.1f}{SPACE}ft²"
    return f"{value_m2:.2f}{SPACE}m²"


def mass(value_kg: float) -> str:
    """A mass: `2.4 kg`, `85 g`, or pounds for readers of inches."""
    if length_unit() == "inch":
        return f"{value_kg / 0.45359237:.1f}{SPACE}lb"
    return f"{value_kg * 1000:.0f}{SPACE}g" if value_kg < 1 else f"{value_kg:.1f}{SPACE}kg"


def quantity(value: float, unit: str) -> str:
    """How much of a material a design needs, in its own unit."""
    if unit == "m":
        if length_unit() == "inch":
            return f"{value / 0.3048:.1f}{SPACE}ft"
        return f"{value:.2f}{SPACE}m"
    return area(value) if unit == "m²" else f"{value:g}"


def shown_section(text: str) -> str:
    """A section: `38 x 38` as 38 × 38 mm, or in inches."""
    numbers = re.findall(r"\d+(?:\.\d+)?", text)
    if not numbers:
        return text
    word = text[: text.index(numbers[0])].strip()
    sizes = " × ".join(shown_mm(float(number)).partition(SPACE)[0] for number in numbers)
    unit = "in" if length_unit() == "inch" else "mm"
    return _(
        "%(word)s %(sizes)s%(space)s%(unit)s", word=word, sizes=sizes, space=SPACE, unit=unit
    ).strip()


for _name, _filter in (
    ("mm", shown_mm),
    ("m2", area),
    ("mass", mass),
    ("section", shown_section),
):
    blueprint.add_app_template_filter(_filter, _name)
blueprint.add_app_template_global(quantity, "build_quantity")


class BenchField(NumberField):
    """A length typed in mm or in inches and kept in mm; what comes back unchanged stays exact."""

    def __init__(self, label: str, *, minimum: float, maximum: float, **kwargs: Any) -> None:
        self.per_unit = MM_PER_INCH if length_unit() == "inch" else 1.0
        self.unit = "in" if length_unit() == "inch" else "mm"
        super().__init__(
            label,
            minimum=math.ceil(minimum / self.per_unit * 100 - 1e-9) / 100,
            maximum=math.floor(maximum / self.per_unit * 100 + 1e-9) / 100,
            **kwargs,
        )
        self.type = "NumberField"  # the page draws it like any other number

    def _shown(self, value_mm: float) -> str:
        return f"{value_mm / self.per_unit:.3f}".rstrip("0").rstrip(".")

    def _value(self) -> str:
        if self.typed is not None:
            return super()._value()
        return "" if self.data is None else self._shown(self.data)

    def process_formdata(self, valuelist: list[Any]) -> None:
        stored = self.object_data
        super().process_formdata(valuelist)
        if not valuelist or self.data is None or self.typed is None:
            return
        if isinstance(stored, int | float) and self.typed.strip() == self._shown(stored):
            self.data = stored
        else:
            self.data = self.data * self.per_unit


# --- forms ------------------------------------------------------------------------------------


class KeyedForm(OnceForm):
    """A button that makes a plan, once."""

    form_key = HiddenField(name="key")  # phones hold pages that call it so


class PickForm(KeyedForm):
    """A design of the list, chosen."""

    design = HiddenField()


class MakeForm(GardenForm):
    """What the new cover is called and where it lives."""

    label = TextLine(later("Its label"), maximum=80)
    place_id = PickField(later("Where it is kept"), [])


class PriceForm(GardenForm):
    """What something costs here."""

    what = TextLine(later("Material"), maximum=80)
    price = NumberField(later("Price"), minimum=0, maximum=100_000, required=False)
    sold_length_mm = BenchField(
        later("Sold in lengths of"), minimum=100, maximum=30_000, required=False
    )


class OwnForm(GardenForm):
    """Plants and ground by their sizes, without a plot. Sent as an address, so without a token."""

    class Meta:
        csrf = False

    height_cm = MeasureField(later("Plants, tallest"), kind="length", minimum=1, maximum=500)
    spread_cm = MeasureField(later("Plants, width"), kind="length", minimum=1, maximum=500)
    count = NumberField(later("How many"), minimum=1, maximum=10_000, whole=True)
    bed_length_cm = MeasureField(
        later("Bed or pot, length"), kind="length", minimum=10, maximum=10_000, required=False
    )
    bed_width_cm = MeasureField(
        later("Bed or pot, width"), kind="length", minimum=10, maximum=10_000, required=False
    )


def _own_form() -> OwnForm:
    sent = request.args if "height_cm" in request.args else MultiDict()
    return OwnForm(sent, height_cm=30.0, spread_cm=25.0, count=6)


def _sizes_form(entry: PlanEntry) -> Any:
    """The sizes of one shape, what stands inside, the gust and the saw."""
    fields: dict[str, Any] = {}
    for size in SHAPES[entry.shape].fields:
        if size.kind == "length":
            fields[size.name] = BenchField(size.label, minimum=size.least, maximum=size.most)
        elif size.kind == "tick":
            fields[size.name] = BooleanField(size.label)
        else:
            fields[size.name] = NumberField(size.label, minimum=size.least, maximum=size.most)
    need = entry.need
    fields |= {
        "plant_height_mm": BenchField(_("Plants, tallest"), minimum=10, maximum=5_000),
        "plant_spread_mm": BenchField(_("Plants, width"), minimum=10, maximum=5_000),
        "plant_count": NumberField(_("How many"), minimum=1, maximum=10_000, whole=True),
        "bed_length_mm": BenchField(_("Bed, length"), minimum=100, maximum=100_000, required=False),
        "bed_width_mm": BenchField(_("Bed, width"), minimum=100, maximum=100_000, required=False),
        "gust_mps": MeasureField(_("Gust it has to hold in"), kind="wind", minimum=0, maximum=60),
        "kerf_mm": BenchField(_("Width of the saw’s cut"), minimum=0, maximum=20),
    }
    form_class = type("SizesForm", (GardenForm,), fields)
    return form_class(
        **entry.sizes,
        plant_height_mm=need.height_mm,
        plant_spread_mm=need.spread_mm,
        plant_count=need.count,
        bed_length_mm=need.bed_length_mm,
        bed_width_mm=need.bed_width_mm,
        gust_mps=entry.gust_mps,
        kerf_mm=entry.kerf_mm,
    )


def _entry_from(form: Any, before: PlanEntry) -> PlanEntry:
    return PlanEntry(
        shape=before.shape,
        sizes={size.name: form[size.name].data for size in SHAPES[before.shape].fields},
        need=Need(
            form.plant_height_mm.data,
            form.plant_spread_mm.data,
            form.plant_count.data,
            form.bed_length_mm.data,
            form.bed_width_mm.data,
        ),
        gust_mps=form.gust_mps.data,
        kerf_mm=form.kerf_mm.data,
        plot_id=before.plot_id,
        planting_ids=before.planting_ids,
    )


SIZE_UNITS = {"film": "µm", "degrees": "°", "gsm": "g/m²"}


# --- choosing ---------------------------------------------------------------------------------


@blueprint.get("/builds")
@members
def builds_page() -> str:
    found = list_plots(member=signed_in_member())
    return render_template(
        "builds/builds.html",
        form=_own_form(),
        plans=designing.list_plans(),
        own=found.own,
        others=found.others,
    )


@blueprint.get("/builds/designs")
@members
def designs_page() -> str | tuple[str, int]:
    member = signed_in_member()
    plot_id = row_id(request.args.get("plot", ""))
    form = _own_form()
    values: dict[str, Any] = {"form": form, "choices": (), "wanted": None, "error": ""}
    status = 200
    wanted: Wanted | None = None
    if plot_id is not None:
        values["choices"] = designing.list_plants(plot_id=plot_id)
        values["plot_id"] = plot_id
        values["ticked"] = set(row_ids(request.args.getlist("planting")[:500]))
        if "go" in request.args or values["ticked"]:
            try:
                wanted = designing.wanted_for(
                    plot_id=plot_id, planting_ids=sorted(values["ticked"])
                )
            except FieldRefused as refusal:
                values["error"], status = told(refusal), 422
    elif "height_cm" in request.args:
        if form.validate():
            wanted = Wanted(
                Need(
                    float(form.height_cm.data or 0) * 10.0,
                    float(form.spread_cm.data or 0) * 10.0,
                    int(form.count.data or 0),
                    _times_ten(form.bed_length_cm.data),
                    _times_ten(form.bed_width_cm.data),
                )
            )
        else:
            status = 422
    if wanted is not None:
        try:
            values["found"] = designing.suggest(wanted=wanted, member=member)
        except OutOfRange as refusal:
            values["error"], status = told(refusal), 422
        else:
            values["wanted"] = wanted
            values["packed"] = [_packed(wanted, one) for one in values["found"]]
            values["pick"] = PickForm(formdata=None)
    return render_template("builds/designs.html", **values), status


def _times_ten(value: float | None) -> float | None:
    return None if value is None else value * 10.0


def _packed(wanted: Wanted, one: designing.Candidate) -> str:
    """A design of the list as its button sends it."""
    need = wanted.need
    return json.dumps(
        {
            "shape": one.shape,
            "sizes": dict(one.sizes),
            "need": [
                need.height_mm,
                need.spread_mm,
                need.count,
                need.bed_length_mm,
                need.bed_width_mm,
            ],
            "plot": wanted.plot_id,
            "plants": list(wanted.planting_ids),
        }
    )


def _unpacked(text: str) -> PlanEntry:
    """The design a button sent, nothing in it believed. Raises FieldRefused."""
    odd = FieldRefused("design", _("Choose a design from the list again."))
    if len(text) > _MOST_JSON:
        raise odd
    try:
        sent = json.loads(text)
        shape = SHAPES[str(sent["shape"])]
        sizes: dict[str, Any] = {}
        for size in shape.fields:
            value = sent["sizes"][size.name]
            if size.kind == "tick":
                sizes[size.name] = value is True
            else:
                sizes[size.name] = float(value)
        height, spread, count, long, wide = sent["need"]
        need = Need(
            float(height),
            float(spread),
            int(count),
            None if long is None else float(long),
            None if wide is None else float(wide),
        )
        plants = [int(number) for number in sent["plants"][:500]]
        plot = sent["plot"]
        if plot is not None:
            wanted = designing.wanted_for(plot_id=int(plot), planting_ids=plants)
            return PlanEntry(
                shape.key,
                sizes,
                wanted.need,
                plot_id=wanted.plot_id,
                planting_ids=wanted.planting_ids,
            )
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError):
        raise odd from None
    return PlanEntry(shape.key, sizes, need)


@blueprint.post("/builds/plans")
@members
def new_plan() -> Response | tuple[str, int]:
    form = PickForm()
    if form.validate_on_submit():
        try:
            plan_id = designing.add_plan(
                entry=_unpacked(str(form.design.data or "")),
                member=signed_in_member(),
                now=now(),
                form_key=str(form.form_key.data),
            )
        except FieldRefused as refusal:
            flash(told(refusal), "bad")
        else:
            return redirect(url_for("builds.plan_page", plan_id=plan_id), 303)
    return builds_page(), 422


# --- one plan ---------------------------------------------------------------------------------


@blueprint.get(PLAN)
@members
def plan_page(plan_id: int) -> str:
    return _plan_page(plan_id, None)


def _make_form(plan_id: int, **values: Any) -> MakeForm:
    form = MakeForm(**values)
    form.place_id.choices = (
        Choice("", _("no fixed place")),
        *(Choice(str(place.id), place.label) for place in covers.list_places()),
    )
    return form


def _plan_page(plan_id: int, form: MakeForm | None) -> str:
    page = designing.get_plan(plan_id=plan_id, member=signed_in_member())
    if form is None:
        form = _make_form(plan_id, label=making.suggest_label(plan_id=plan_id))
    return render_template(
        "builds/plan.html",
        page=page,
        d=page.design,
        form=form,
        drawing=draw(page.design.views, shown_mm),
        bar_mm=BAR_MM,
        figures=FIGURES,
        status_words=STATUS_WORDS,
        again=KeyedForm(formdata=None),
    )


@blueprint.route(f"{PLAN}/change", methods=["GET", "POST"])
@members
def change_plan(plan_id: int) -> Response | str | tuple[str, int]:
    member = signed_in_member()
    entry = designing.get_entry(plan_id=plan_id, member=member)
    form = _sizes_form(entry)
    if form.validate_on_submit():
        try:
            designing.change_plan(
                plan_id=plan_id, entry=_entry_from(form, entry), member=member, now=now()
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            return redirect(url_for("builds.plan_page", plan_id=plan_id), 303)
    page = render_template(
        "builds/change.html",
        form=form,
        plan_id=plan_id,
        shape=SHAPES[entry.shape],
        units=SIZE_UNITS,
    )
    return page, 422 if form.errors else 200


@blueprint.get(f"{PLAN}/cuts")
@members
def cuts_page(plan_id: int) -> str:
    page = designing.get_cuts(plan_id=plan_id, member=signed_in_member())
    return render_template(
        "builds/cuts.html",
        page=page,
        t=page.timber,
        boards=draw_boards(page.timber) if page.timber else (),
        film=draw_film(page.film.plan, page.film.width_mm) if page.film else None,
    )


@blueprint.post(f"{PLAN}/make")
@members
def make(plan_id: int) -> Response | tuple[str, int]:
    member = signed_in_member()
    form = _make_form(plan_id)
    status = 422
    if form.validate_on_submit():
        try:
            built = making.build_cover(
                plan_id=plan_id,
                label=str(form.label.data),
                place_id=int(form.place_id.data) if form.place_id.data else None,
                member=member,
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        except (AlreadyClaimed, Impossible, Refused) as refusal:
            flash(told(refusal), "bad")
            status = 409
        else:
            _tell(built)
            return redirect(url_for("builds.plan_page", plan_id=plan_id), 303)
    return _plan_page(plan_id, form), status


def _tell(built: making.Built) -> None:
    if built.is_planned_again:
        board = url_for("board.tonight")
        flash(
            Markup('{} <a href="{}">{}</a>.').format(
                _(
                    "%(built)s is in the shed, and tonight is planned again with it.",
                    built=built.label,
                ),
                board,
                _("Go to tonight’s board"),
            )
        )
    else:
        flash(_("%(built)s is in the shed.", built=built.label))
    if built.trouble:
        flash(_("We could not plan tonight again: %(trouble)s", trouble=told(built.trouble)), "bad")


@blueprint.post(f"{PLAN}/again")
@members
def again(plan_id: int) -> Response | tuple[str, int]:
    form = KeyedForm()
    if form.validate_on_submit():
        number = designing.copy_plan(
            plan_id=plan_id, member=signed_in_member(), now=now(), form_key=str(form.form_key.data)
        )
        return redirect(url_for("builds.plan_page", plan_id=number), 303)
    return _plan_page(plan_id, None), 422


# --- prices -----------------------------------------------------------------------------------


@blueprint.route("/builds/prices", methods=["GET", "POST"])
@members
def prices() -> Response | str | tuple[str, int]:
    what = request.args.get("what", "")[:80]
    known = {price.what: price for price in designing.list_prices()}
    had = known.get(what)
    form = PriceForm(
        what="".join(c for c in what if c.isprintable()),
        price=had.price if had else None,
        sold_length_mm=had.sold_length_mm if had else None,
    )
    if form.validate_on_submit():
        try:
            designing.set_price(
                what=str(form.what.data),
                price=form.price.data,
                sold_length_mm=form.sold_length_mm.data,
                member=signed_in_member(),
                now=now(),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Saved."))
            return redirect(url_for("builds.prices"), 303)
    page = render_template("builds/prices.html", form=form, known=known.values())
    return page, 422 if form.errors else 200


# --- what to build next -----------------------------------------------------------------------


@blueprint.route("/builds/next", methods=["GET", "POST"])
@members
def next_page() -> Response | str | tuple[str, int]:
    form, trouble = GardenForm(), ""
    if form.validate_on_submit():
        try:
            run_id = build_next.start_ranking(
                member=signed_in_member(),
                now=now(),
                context=_application().app_context,
                clock=now,  # the thread has the app's context, and with it the app's clock
            )
        except (Refused, OutOfRange) as refusal:
            trouble = told(refusal)
        else:
            return redirect(url_for("builds.next_run", run_id=run_id), 303)
    page = render_template(
        "builds/next.html",
        runs=build_next.list_rankings(now=now()),
        status_words=RUN_WORDS,
        trouble=trouble,
    )
    return page, 409 if trouble else 200


@blueprint.get("/builds/next/<int(max=2147483647):run_id>")
@members
def next_run(run_id: int) -> str:
    return render_template("builds/next_run.html", run=build_next.get_ranking(run_id, now=now()))


@blueprint.post("/builds/next/<int(max=2147483647):run_id>/stop")
@members
def next_stop(run_id: int) -> Response:
    try:
        build_next.stop_ranking(run_id=run_id, member_id=signed_in_member().id, now=now())
    except Refused as error:
        flash(told(error), "bad")
    else:
        flash(_("It stops after the night it is working on."))
    return redirect(url_for("builds.next_run", run_id=run_id), 303)


def _application() -> Flask:
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]
    return app
