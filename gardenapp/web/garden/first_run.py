"""The first run: where the garden is, who looks after it, and what is still to do."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import current_app, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from gardenapp.errors import OutOfRange, Refused
from gardenapp.readers.position import Position, read_position
from gardenapp.services.garden import first_run, people, towns
from gardenapp.services.garden import settings as gardens
from gardenapp.services.garden.settings import GardenSettings
from gardenapp.services.garden.throttle import TooManyTries
from gardenapp.web.access import coordinators, public, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import GardenForm, NumberField, TextLine
from gardenapp.web.garden.people import PasswordBox, start_session
from gardenapp.web.garden.settings import PlaceForm, blueprint, settings_of
from gardenapp.words import _, later, told

# Where people read °F and inches.
US_ZONES = frozenset(
    {
        "America/New_York",
        "America/Detroit",
        "America/Chicago",
        "America/Menominee",
        "America/Denver",
        "America/Boise",
        "America/Phoenix",
        "America/Los_Angeles",
        "America/Anchorage",
        "America/Juneau",
        "America/Sitka",
        "America/Metlakatla",
        "America/Yakutat",
        "America/Nome",
        "America/Adak",
        "America/Puerto_Rico",
        "Pacific/Honolulu",
    }
)
US_ZONES_BELOW = ("America/Indiana/", "America/Kentucky/", "America/North_Dakota/")
PLACE_FIELDS = (
    "name",
    "latitude",
    "longitude",
    "time_zone",
    "elevation_m",
    "temperature_unit",
    "length_unit",
    "language",
)


class WhereForm(GardenForm):
    """The garden's name, and where it is in whatever words."""

    name = TextLine(later("Name of the garden"))
    place = TextLine(later("Town, or position"), maximum=120)


class FirstStepsForm(PlaceForm):
    """Where the garden is, worked out and shown, and its first coordinator."""

    elevation_m = NumberField(
        later("Height above the sea"), minimum=-450, maximum=6000, required=False
    )
    coordinator = TextLine(later("Your name"), render_kw={"autocomplete": "username"})
    password = PasswordBox(later("Your password"), autocomplete="new-password")
    code = TextLine(later("Set-up code"), render_kw={"autocomplete": "off"})


@dataclass(frozen=True)
class Found:
    """A place that what was typed may mean. [degrees]"""

    title: str
    latitude: float
    longitude: float
    time_zone: str

    @property
    def asked(self) -> dict[str, str]:
        """The same as an address says it."""
        return {
            "near": self.title,
            "latitude": f"{self.latitude:.4f}",
            "longitude": f"{self.longitude:.4f}",
            "time_zone": self.time_zone,
        }


@blueprint.route("/first-steps", methods=["GET", "POST"])
@public
def first_steps() -> Any:
    if gardens.has_garden():
        return redirect(url_for("board.tonight"), 303)
    if request.method == "POST":
        return _set_up()
    if "latitude" in request.args:
        return _coordinator_page(_chosen(), ())
    typed = request.args if "place" in request.args else None
    where = WhereForm(formdata=typed, meta={"csrf": False})
    if "place" not in request.args or not where.validate():
        return _where_page(where)
    found: tuple[Found, ...] = ()
    try:
        found = _look_up(where.place.data or "", request.args.get("zone", ""))
    except OutOfRange as error:
        where.place.errors = [told(error.message)]
    if not found:
        where.place.errors = where.place.errors or [
            _(
                "We don’t know that place. Enter a larger town nearby, or the position as your "
                "phone’s map shows it: 52.31, −1.22."
            )
        ]
        return _where_page(where)
    return _coordinator_page(_as_typed(where.name.data or "", found[0]), found)


def _where_page(form: WhereForm) -> tuple[str, int, dict[str, str]]:
    page = render_template("garden/where.html", form=form)
    # Everywhere else the site asks browsers to keep the phone's place from it.
    may_ask = {"Permissions-Policy": "camera=(), geolocation=(self), microphone=()"}
    return page, 422 if form.errors else 200, may_ask


def _look_up(place: str, zone: str) -> tuple[Found, ...]:
    """The places that a text may mean, the likeliest first. `zone` : what the phone says it is in.

    Raises OutOfRange where it is a position, but none on Earth.
    """
    position = read_position(place)
    if position is None:
        return tuple(
            Found(town.title, town.latitude, town.longitude, town.time_zone)
            for town in towns.find_towns(place)
        )
    return (Found("", position.latitude, position.longitude, _zone_at(position, zone)),)


def _zone_at(position: Position, of_phone: str) -> str:
    try:
        return gardens.find_zone(of_phone)
    except Refused:
        return towns.nearest_zone(position)


def _as_typed(name: str, found: Found) -> FirstStepsForm:
    form = FirstStepsForm(formdata=None)
    form.name.data = name
    form.latitude.data, form.longitude.data = found.latitude, found.longitude
    form.time_zone.data = found.time_zone
    if found.time_zone in US_ZONES or found.time_zone.startswith(US_ZONES_BELOW):
        form.temperature_unit.data, form.length_unit.data = "F", "inch"
    return form


def _chosen() -> FirstStepsForm:
    """The form for a place that was chosen of several: its address says all of it."""
    typed = FirstStepsForm(formdata=request.args, meta={"csrf": False})
    try:
        position = Position(float(typed.latitude.data or 0), float(typed.longitude.data or 0))
        zone = _zone_at(position, request.args.get("time_zone", ""))
    except (TypeError, ValueError):
        position, zone = Position(0.0, 0.0), "UTC"
    found = Found("", position.latitude, position.longitude, zone)
    return _as_typed(request.args.get("name", "")[:80], found)


def _coordinator_page(
    form: FirstStepsForm, found: tuple[Found, ...], message: str = "", status: int = 200
) -> tuple[str, int]:
    near = found[0].title if found else request.values.get("near", "")[:120]
    page = render_template(
        "garden/first_steps.html",
        form=form,
        near=near,
        position=_position_text(form),
        others=found[1:],
        is_place_open=any(form[name].errors for name in PLACE_FIELDS),
        message=message,
    )
    return page, status


def _position_text(form: FirstStepsForm) -> str:
    latitude, longitude = form.latitude.data, form.longitude.data
    if latitude is None or longitude is None:
        return ""
    return f"{latitude:.4f}, {longitude:.4f}".replace("-", "\N{MINUS SIGN}")


def _set_up() -> Any:
    """Make the garden, where everything typed is good."""
    form = FirstStepsForm()
    status, message = 200, ""
    if form.validate():
        instance, at = Path(current_app.instance_path), now()
        try:
            gardens.check_setup_code(
                instance=instance,
                typed=form.code.data or "",
                address=request.remote_addr or "",
                now=at,
            )
        except Refused as error:
            form.code.errors = [str(error)]
        except TooManyTries as error:
            status, message = 429, str(error)
        else:
            try:
                member_id = gardens.create_garden(
                    settings=settings_of(form, GardenSettings("", 0.0, 0.0, "")),
                    coordinator=form.coordinator.data or "",
                    password=form.password.data or "",
                    now=at,
                )
            except Refused as error:
                form.password.errors = [str(error)]
            else:
                gardens.forget_setup_code(instance)
                start_session(people.LetIn(member_id, form.coordinator.data or ""), at)
                flash(_("The garden is set up and you are signed in."), "good")
                return redirect(url_for("garden.next_steps"), 303)
    if form.errors:
        status = 422
    return _coordinator_page(form, (), message, status)


@blueprint.get("/garden/next-steps")
@coordinators
def next_steps() -> str:
    steps = first_run.list_steps(now=now())
    return render_template(
        "garden/next_steps.html", steps=steps, open_steps=[s for s in steps if s.is_open]
    )


@blueprint.post("/garden/next-steps/<string(maxlength=20):key>")
@coordinators
def leave_step(key: str) -> Response:
    """Do without a step, or take it up again."""
    is_left = request.form.get("is_left") != "no"
    first_run.leave_step(key=key, is_left=is_left, by_id=signed_in_member().id, now=now())
    return redirect(url_for("garden.next_steps"), 303)
