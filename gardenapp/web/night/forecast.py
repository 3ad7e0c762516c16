"""The coordinator's forecast pages: by hand, from a file, from an address; and planning."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from flask import (
    Blueprint,
    current_app,
    flash,
    redirect,
    render_template,
    request,
    url_for,
)
from flask_wtf.file import FileField
from werkzeug.wrappers import Response
from wtforms import HiddenField, StringField

from gardenapp.errors import NotFound, OutOfRange, Refused
from gardenapp.readers.csv_columns import ROLES
from gardenapp.readers.doubts import ASKS
from gardenapp.readers.quantities import BadFigure
from gardenapp.readers.records import ReadOptions, UnreadableFile
from gardenapp.readers.stated_zones import zone_in
from gardenapp.science.units import c_to_f, f_to_c
from gardenapp.services.clockwork import tonight as coming_night
from gardenapp.services.fetching import FetchFailed
from gardenapp.services.garden import settings as gardens
from gardenapp.services.night import forecasts, weather_services
from gardenapp.services.notices.planned import plan_and_tell, plan_or_say
from gardenapp.services.upkeep import scheduler
from gardenapp.web.access import coordinators, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import (
    Choice,
    GardenForm,
    MeasureField,
    NumberField,
    PickField,
    TextLine,
)
from gardenapp.web.formats import night_name, temperature_unit, zone
from gardenapp.web.uploads import clean_name
from gardenapp.words import _, later, told

blueprint = Blueprint("forecast", __name__)

DAYS_AHEAD = 9
# When a forecast is fetched where nobody has said otherwise: before the day, at noon, before dusk.
USUAL_TIMES = "06:30, 12:00, 15:00"
ROLE_WORDS: dict[str, str] = {
    "time": later("date and time"),
    "date": later("date"),
    "clock": later("time of day"),
    "temperature": later("air temperature"),
    "low": later("daily low"),
    "high": later("daily high"),
    "dew_point": later("dew point"),
    "humidity": later("relative humidity"),
    "cloud": later("cloud"),
    "wind": later("wind"),
    "gust": later("gust"),
    "low_time": later("time of the low"),
    "unit": later("unit"),
    "zone": later("time zone"),
}


def _nights(today: date) -> list[Choice]:
    return [
        Choice((today + timedelta(days=n)).isoformat(), night_name(today + timedelta(days=n)))
        for n in range(DAYS_AHEAD)
    ]


class LowForm(GardenForm):
    """A low typed in, and whatever else is known."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(**kwargs)

    low = NumberField(later("Forecast low"), minimum=-76, maximum=140)
    unit = PickField(later("Unit"), [Choice("C", "°C"), Choice("F", "°F")])
    night_of = PickField(later("Night"), [])
    low_time = StringField(later("Time of the low"))
    cloud = NumberField(later("Cloud"), minimum=0, maximum=100, required=False)
    wind = MeasureField(later("Wind"), kind="wind", minimum=0, maximum=60, required=False)
    gust = MeasureField(later("Strongest gust"), kind="wind", minimum=0, maximum=90, required=False)
    dew_point = NumberField(later("Dew point"), minimum=-76, maximum=104, required=False)


class UploadForm(GardenForm):
    """A forecast file, or its text pasted."""

    file = FileField(later("Forecast file"))
    pasted = StringField(later("Or paste a TAF here"))


class AnswersForm(GardenForm):
    """What a person says of a waiting file."""

    token = HiddenField("token")
    temperature_unit = PickField(
        later("Temperatures are in"),
        [Choice("", later("as the file says")), Choice("C", "°C"), Choice("F", "°F")],
    )
    daily_low_belongs_to = PickField(
        later("A day’s low fell on"),
        [
            Choice("", later("nobody has said")),
            Choice("morning", later("the morning of its date")),
            Choice("evening", later("the night after its date")),
        ],
    )
    times_in = TextLine(later("Times are in"), maximum=60, required=False)
    spikes = PickField(
        later("The lone cold hour"),
        [
            Choice("", later("nobody has said")),
            Choice("drop", later("leave it out")),
            Choice("keep", later("keep it")),
        ],
    )
    date_order = PickField(
        later("Dates are written"),
        [
            Choice("", later("as the file seems to")),
            Choice("YMD", later("year, month, day")),
            Choice("DMY", later("day, month, year")),
            Choice("MDY", later("month, day, year")),
        ],
    )
    encoding = PickField(
        later("Text encoding"), [Choice("", "UTF-8"), Choice("cp1252", "Windows-1252")]
    )


class AddressForm(GardenForm):
    """Where the forecast is fetched from."""

    url = TextLine(later("Address"), maximum=500, required=False)


@blueprint.get("/forecast")
@coordinators
def forecasts_page() -> str:
    today = coming_night(now())
    versions = forecasts.list_versions(since=today)
    return render_template(
        "forecast/forecasts.html",
        versions=versions,
        tonight=today,
        has_tonight=any(version.night_of == today for version in versions),
        address=forecasts.get_address(),
        now=now(),
    )


@blueprint.route("/forecast/by-hand", methods=["GET", "POST"])
@coordinators
def by_hand() -> Response | str | tuple[str, int]:
    at = now()
    tonight = coming_night(at)
    form = LowForm(unit=temperature_unit(), night_of=tonight.isoformat())
    form.night_of.choices = tuple(_nights(tonight))
    if form.validate_on_submit():
        values = _low_values(form, zone())
        strange = _strange(form, values)
        if not form.errors and values is not None and not strange:
            try:
                imported = forecasts.enter_by_hand(
                    **values, member_id=signed_in_member().id, now=at
                )
            except OutOfRange as error:
                form.gust.errors = [*form.gust.errors, told(error)]
            else:
                return _planned(imported, at)
        if strange and not form.errors:
            return render_template("forecast/by_hand.html", form=form, strange=strange), 422
    status = 422 if form.errors else 200
    return render_template("forecast/by_hand.html", form=form, strange=None), status


def _strange(form: LowForm, values: dict[str, Any] | None) -> forecasts.Surprise | None:
    """Why the low may be a slip, unless somebody has looked and means it."""
    if values is None or form.errors or request.form.get("sure") == str(form.low.typed):
        return None
    return forecasts.surprise(night_of=values["night_of"], low_c=values["low_c"])


def _low_values(form: LowForm, local: ZoneInfo) -> dict[str, Any] | None:
    is_f = form.unit.data == "F"

    def celsius(field: NumberField) -> float | None:
        if field.data is None:
            return None
        return f_to_c(field.data) if is_f else float(field.data)

    low_c, dew_c = celsius(form.low), celsius(form.dew_point)
    evening = date.fromisoformat(str(form.night_of.data))
    lowest, highest = (c_to_f(-60), c_to_f(60)) if is_f else (-60.0, 60.0)
    if low_c is None or not -60 <= low_c <= 60:
        form.low.errors = [
            *form.low.errors,
            _(
                "Enter a low between −%(lowest)s and %(highest)s °%(unit)s.",
                lowest=f"{abs(lowest):g}",
                highest=f"{highest:g}",
                unit=form.unit.data,
            ),
        ]
    if dew_c is not None and not -60 <= dew_c <= 40:
        form.dew_point.errors = [
            *form.dew_point.errors,
            _("Enter a dew point between −60 and 40 °C."),
        ]
    low_at: datetime | None = None
    if (form.low_time.data or "").strip():
        try:
            at = time.fromisoformat(form.low_time.data.strip())
        except ValueError:
            form.low_time.errors = [*form.low_time.errors, _("Enter a time such as 05:30.")]
        else:
            day = evening if at.hour >= 12 else evening + timedelta(days=1)
            low_at = datetime.combine(day, at.replace(tzinfo=None), tzinfo=local)
    if form.errors:
        return None
    return {
        "night_of": evening,
        "low_c": low_c,
        "low_at": low_at,
        "cloud_fraction": None if form.cloud.data is None else form.cloud.data / 100,
        "wind_mps": form.wind.data,
        "gust_mps": form.gust.data,
        "dew_point_c": dew_c,
    }


def _planned(imported: forecasts.Imported, at: datetime) -> Response:
    planned, trouble = plan_or_say(nights=imported.nights, member_id=signed_in_member().id, now=at)
    count = len(imported.nights)
    nights = _("1 night") if count == 1 else _("%(count)s nights", count=count)
    if trouble:
        flash(
            _(
                "Forecast for %(nights)s imported. We could not plan tonight just now "
                "(%(trouble)s) and will try again within minutes.",
                nights=nights,
                trouble=trouble,
            ),
            "bad",
        )
        return redirect(url_for("forecast.forecasts_page"), 303)
    if planned:
        flash(_("Forecast for %(nights)s imported; tonight is planned.", nights=nights))
        return redirect(url_for("board.tonight"), 303)
    flash(_("Forecast for %(nights)s imported.", nights=nights))
    return redirect(url_for("forecast.forecasts_page"), 303)


@blueprint.route("/forecast/import", methods=["GET", "POST"])
@coordinators
def import_page() -> Response | str | tuple[str, int]:
    form = UploadForm()
    if request.method != "POST":
        return render_template("forecast/import.html", form=form, errors=())
    form.validate()
    upload = request.files.get("file")
    data, name = b"", ""
    if upload is not None and upload.filename:
        data, name = upload.read(), upload.filename
        upload.close()
    elif (form.pasted.data or "").strip():
        data, name = form.pasted.data.encode("utf-8", "replace"), _("pasted text")
    if not name:
        form.file.errors = [*form.file.errors, _("Choose a file, or paste the text of a TAF.")]
        return render_template("forecast/import.html", form=form, errors=()), 422
    member_id, at = signed_in_member().id, now()
    name = clean_name(name)
    try:
        waiting = forecasts.keep_upload(data=data, filename=name, member_id=member_id, now=at)
    except UnreadableFile as error:
        return _unreadable(error, form, name, forecasts.pending_token(member_id=member_id))
    if not waiting.reading.columns:
        # A service's own format says what it holds: nothing to confirm.
        try:
            imported = forecasts.confirm_upload(
                token=waiting.token, member_id=member_id, now=at, options=ReadOptions()
            )
        except UnreadableFile as error:
            return _unreadable(error, form, name, "")
        return _planned(imported, at)
    return _confirm_page(waiting, AnswersForm(formdata=None, token=waiting.token))


@blueprint.post("/forecast/import/confirm")
@coordinators
def confirm() -> Response | str | tuple[str, int]:
    form = AnswersForm()
    form.validate()
    token = str(form.token.data or "")
    member_id, at = signed_in_member().id, now()
    options = _options(form)
    try:
        if options is None:
            # The file is read without the answers, so that its columns can be chosen again.
            waiting = forecasts.reread_upload(
                token=token, member_id=member_id, now=at, options=ReadOptions()
            )
            return _confirm_page(waiting, form), 422
        if request.form.get("do") == "read":
            waiting = forecasts.reread_upload(
                token=token, member_id=member_id, now=at, options=options
            )
            if waiting.reading.columns:
                return _confirm_page(waiting, form)
        imported = forecasts.confirm_upload(
            token=token, member_id=member_id, now=at, options=options
        )
    except UnreadableFile as error:
        return _unreadable(error, UploadForm(formdata=None), "", token, form)
    return _planned(imported, at)


def _options(form: AnswersForm) -> ReadOptions | None:
    """What was said; None where a field is wrong, and says so."""
    columns = {
        role: request.form[f"column-{role}"][:2000]
        for role in ROLES
        if request.form.get(f"column-{role}", "").strip()
    }
    names = ("temperature_unit", "date_order", "encoding", "daily_low_belongs_to", "spikes")
    pick: dict[str, Any] = {name: form[name].data or None for name in names}
    typed = (form.times_in.data or "").strip()
    times_in = None
    if typed:
        try:
            times_in = zone_in(typed, zone())
        except BadFigure as error:
            form.times_in.errors = [*form.times_in.errors, told(error)]
        else:
            if times_in is None:
                form.times_in.errors = [
                    *form.times_in.errors,
                    _("Enter a zone such as UTC, UTC-5 or America/New_York."),
                ]
    if form.errors:
        return None
    return ReadOptions(
        columns=columns or None,
        csv_time_zone=times_in,
        accepted=frozenset(request.form.getlist("accept")) & ASKS,
        **pick,
    )


def _confirm_page(waiting: forecasts.Waiting, form: AnswersForm) -> str:
    today = coming_night(now())
    reading = waiting.reading
    roles = {column.role: column.header for column in reading.columns if column.role}
    return render_template(
        "forecast/confirm.html",
        form=form,
        waiting=waiting,
        reading=reading,
        roles=roles,
        role_words=ROLE_WORDS,
        ahead=[night for night in reading.nights if night.night_of >= today],
        past=sum(night.night_of < today for night in reading.nights),
        token=waiting.token,
        asks=(),
        accepted=request.form.getlist("accept"),
    )


def _unreadable(
    error: UnreadableFile,
    form: UploadForm,
    name: str,
    token: str,
    answers: AnswersForm | None = None,
) -> tuple[str, int]:
    headers = {column.role: column.header for column in error.columns if column.role}
    if answers is None:
        answers = AnswersForm(formdata=None, token=token)
    return (
        render_template(
            "forecast/import.html",
            form=form,
            errors=error.errors,
            name=name,
            token=token,
            columns=error.columns,
            roles=headers,
            role_words=ROLE_WORDS,
            answers=answers if token else None,
            asks=error.asks,
            asked_roles=[str(each.column) for each in error.errors if each.ask == "columns"],
            accepted=request.form.getlist("accept"),
        ),
        422,
    )


class ServiceForm(GardenForm):
    """Which service, and the contact it asks for where the garden has none."""

    service = HiddenField("service")
    contact = TextLine(later("Contact for the weather service"), maximum=200, required=False)


@blueprint.route("/forecast/services", methods=["GET", "POST"])
@coordinators
def services() -> Response | str | tuple[str, int]:
    """The services that cover the garden's place; one press keeps one and fetches from it."""
    known = weather_services.services_here(
        current_app.config.get("WEATHER_SERVICES") or weather_services.SERVICES
    )
    form, at, member_id = ServiceForm(), now(), signed_in_member().id
    settings = gardens.get_settings()
    needs_contact = not settings.contact
    chosen = next((s for s in known if s.key == form.service.data), None)
    if request.method == "POST" and form.validate() and chosen is not None:
        contact = (form.contact.data or "").strip() or settings.contact
        try:
            if not contact:
                raise Refused(_("Enter an e-mail address or a page: the services ask who calls."))
            if contact != settings.contact:
                gardens.change_settings(
                    settings=replace(settings, contact=contact), by_id=member_id, now=at
                )
        except Refused as error:
            form.contact.errors = [str(error)]
        else:
            return _use(chosen, member_id, at)
    page = render_template(
        "forecast/services.html",
        services=known,
        form=form,
        needs_contact=needs_contact,
        address=forecasts.get_address(),
        now=at,
    )
    return page, 422 if form.errors else 200


def _use(service: weather_services.WeatherService, member_id: int, at: datetime) -> Response:
    """Fetch from a service, plan, and let the timetable ask it from now on."""
    if not scheduler.get_timetable().times:
        scheduler.change_timetable(text=USUAL_TIMES, by_id=member_id, now=at)
    try:
        imported = weather_services.use(
            service,
            member_id=member_id,
            now=at,
            allowed_private_hosts=current_app.config["FETCH_ALLOWED_HOSTS"],
        )
    except (FetchFailed, UnreadableFile, NotFound) as error:
        flash(_("No new forecast: %(error)s", error=error), "bad")
        return redirect(url_for("forecast.services"), 303)
    if imported is None:
        flash(_("There is no newer forecast."))
        return redirect(url_for("forecast.forecasts_page"), 303)
    return _planned(imported, at)


@blueprint.route("/forecast/address", methods=["GET", "POST"])
@coordinators
def address_page() -> Response | str | tuple[str, int]:
    address = forecasts.get_address()
    form = AddressForm(url=address.url if address else "")
    if form.validate_on_submit():
        url = form.url.data or ""
        if url and not url.startswith(("https://", "http://")):
            form.url.errors = [*form.url.errors, _("Enter an address that begins with https://")]
        else:
            forecasts.set_address(url=url, member_id=signed_in_member().id, now=now())
            flash(_("Address saved.") if url else _("Address deleted."))
            return redirect(url_for("forecast.address_page"), 303)
    status = 422 if form.errors else 200
    return render_template("forecast/address.html", form=form, address=address), status


@blueprint.post("/forecast/fetch")
@coordinators
def fetch() -> Response:
    at = now()
    try:
        imported = forecasts.fetch(
            member_id=signed_in_member().id,
            now=at,
            allowed_private_hosts=current_app.config["FETCH_ALLOWED_HOSTS"],
        )
    except (FetchFailed, UnreadableFile, NotFound) as error:
        flash(_("No new forecast: %(error)s", error=error), "bad")
        return redirect(url_for("forecast.address_page"), 303)
    if imported is None:
        if plan_or_say(nights=(), member_id=signed_in_member().id, now=at)[0]:
            flash(_("There is no newer forecast; tonight is planned from the one we have."))
            return redirect(url_for("board.tonight"), 303)
        flash(_("There is no newer forecast."))
        return redirect(url_for("forecast.forecasts_page"), 303)
    return _planned(imported, at)


@blueprint.post("/forecast/plan")
@coordinators
def plan() -> Response:
    at = now()
    plan_and_tell(night_of=coming_night(at), member_id=signed_in_member().id, now=at)
    flash(_("Tonight is planned."))
    return redirect(url_for("board.tonight"), 303)
