"""Loggers that send by themselves: where they send to, how, and the coordinator's pages."""

from __future__ import annotations

from typing import Any

from flask import (
    Blueprint,
    current_app,
    flash,
    jsonify,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.exceptions import RequestEntityTooLarge
from werkzeug.wrappers import Response

from gardenapp.errors import FieldRefused, OutOfRange
from gardenapp.extensions import csrf
from gardenapp.models.trials import LOGGER_KINDS
from gardenapp.readers.readings_json import (
    HIGHEST_C,
    LONGEST_KEY,
    LOWEST_C,
    MOST_BYTES,
    MOST_READINGS,
    UnreadableFile,
    read_readings,
)
from gardenapp.services.trials import readings
from gardenapp.services.trials.cover_trials import covers_to_try
from gardenapp.services.trials.readings import LoggerEntry
from gardenapp.web.access import coordinators, public, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, MeasureField, PickField, TextLine
from gardenapp.web.places import PLACE_WORDS
from gardenapp.words import _, later

blueprint = Blueprint("readings", __name__)

SHOWN_ONCE = "new_logger_token"
KIND_WORDS = {"outside": later("in the open, shaded"), "inside": later("under a cover")}


# The door for machines


@blueprint.post("/readings")
@csrf.exempt  # no browser sends the bearer token by itself, so no page can forge this
@public  # the token says who it is
def take() -> tuple[Response, int] | tuple[Response, int, dict[str, str]]:
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not token.strip():
        return _refused(401, "Send the logger's token: Authorization: Bearer …")
    at = now()
    try:
        logger_id = readings.count_call(token=token.strip(), now=at)
        request.max_content_length = MOST_BYTES
        taken = readings.take_readings(
            logger_id=logger_id, readings=read_readings(request.get_data(cache=False)), now=at
        )
    except readings.WrongToken as error:
        return _refused(401, str(error))
    except readings.TooManyCalls as error:
        answer, status, headers = _refused(429, str(error))
        return answer, status, {**headers, "Retry-After": str(error.seconds)}
    except RequestEntityTooLarge:
        return _refused(413, f"At most {MOST_BYTES:,} bytes are taken in one call.")
    except UnreadableFile as error:
        first = error.errors[0]
        return _refused(422, str(first.message), where=str(first.column))
    except OutOfRange as error:
        return _refused(422, str(error))
    except readings.Differs as error:
        return _refused(409, str(error))
    status = 201 if taken.new else 200
    return jsonify({"new": taken.new, "already": taken.already}), status


def _refused(status: int, words: str, *, where: str = "") -> tuple[Response, int, dict[str, str]]:
    answer = {"error": words, **({"where": where} if where else {})}
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else {}
    return jsonify(answer), status, headers


@blueprint.get("/readings/help")
@public
def help_page() -> str:
    return render_template(
        "readings/help.html",
        address=url_for(".take", _external=True),
        most=MOST_READINGS,
        calls=readings.CALLS_PER_MINUTE,
        days=readings.OLDEST.days,
        lowest=LOWEST_C,
        highest=HIGHEST_C,
    )


@blueprint.get("/openapi.json")
@public
def openapi() -> Response:
    return jsonify(_openapi())


def _openapi() -> dict[str, Any]:
    reading = {
        "type": "object",
        "additionalProperties": False,
        "required": ["id", "at", "temp_c"],
        "properties": {
            "id": {
                "type": "string",
                "minLength": 1,
                "maxLength": LONGEST_KEY,
                "description": "The sender's own name for this reading; sending it again is safe.",
            },
            "at": {
                "type": "string",
                "format": "date-time",
                "description": (
                    "With its offset from UTC; at most 5 minutes ahead and "
                    f"{readings.OLDEST.days} days old."
                ),
            },
            "temp_c": {"type": "number", "minimum": LOWEST_C, "maximum": HIGHEST_C},
            "humidity_percent": {"type": ["number", "null"], "minimum": 0, "maximum": 100},
        },
        "examples": [
            {
                "id": "a1-000317",
                "at": "2026-11-24T18:40:00Z",
                "temp_c": -0.4,
                "humidity_percent": 93,
            }
        ],
    }

    def refusal(words: str) -> dict[str, Any]:
        return {
            "description": words,
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Refusal"}}},
        }

    def done(words: str) -> dict[str, Any]:
        return {
            "description": words,
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Taken"}}},
        }

    return {
        "openapi": "3.1.0",
        "info": {
            "title": "The garden's doors for machines",
            "version": current_app.config["VERSION"],
            "description": "Temperatures in °C, moments in UTC or with an offset.",
        },
        "paths": {
            "/readings": {
                "post": {
                    "operationId": "sendReadings",
                    "summary": "Send one reading of a logger, or a list of them",
                    "description": (
                        "All of a call is kept or none. A reading that is known already is left "
                        "as it is, so a call can be repeated until it is answered. At most "
                        f"{readings.CALLS_PER_MINUTE} calls a minute."
                    ),
                    "security": [{"logger": []}],
                    "requestBody": {
                        "required": True,
                        "content": {
                            "application/json": {
                                "schema": {
                                    "oneOf": [
                                        {"$ref": "#/components/schemas/Reading"},
                                        {
                                            "type": "array",
                                            "minItems": 1,
                                            "maxItems": MOST_READINGS,
                                            "items": {"$ref": "#/components/schemas/Reading"},
                                        },
                                    ]
                                }
                            }
                        },
                    },
                    "responses": {
                        "200": done("All were known already; nothing changed."),
                        "201": done("At least one was new, and all are kept."),
                        "401": refusal("No token, a wrong one, or one that was revoked."),
                        "409": refusal("One is known with other figures; none was kept."),
                        "413": refusal("Too long."),
                        "422": refusal("Not JSON, or a value that cannot be taken."),
                        "429": refusal("Too many calls; see the Retry-After header."),
                    },
                }
            },
            "/tonight.json": {
                "get": {
                    "operationId": "tonight",
                    "summary": "Everything on tonight's board, without names",
                    "responses": {
                        "200": {
                            "description": "The board.",
                            "content": {"application/json": {"schema": {"type": "object"}}},
                        },
                        "303": {"description": "The board is closed to visitors: sign in."},
                    },
                }
            },
        },
        "components": {
            "securitySchemes": {"logger": {"type": "http", "scheme": "bearer"}},
            "schemas": {
                "Reading": reading,
                "Taken": {
                    "type": "object",
                    "required": ["new", "already"],
                    "properties": {
                        "new": {"type": "integer", "minimum": 0},
                        "already": {"type": "integer", "minimum": 0},
                    },
                },
                "Refusal": {
                    "type": "object",
                    "required": ["error"],
                    "properties": {"error": {"type": "string"}, "where": {"type": "string"}},
                },
            },
        },
    }


# The coordinator's pages


class LoggerForm(GardenForm):
    """A logger, where it hangs and when it alerts."""

    label = TextLine(later("Name of the logger"))
    plot_id = PickField(
        later("Plot"),
        lambda: [
            Choice("", later("choose")),
            *(Choice(str(plot_id), label) for plot_id, label in readings.plots_to_hang_in()),
        ],
        advice=later("Choose the plot it hangs in."),
    )
    kind = PickField(later("It hangs"), [Choice(k, KIND_WORDS[k]) for k in reversed(LOGGER_KINDS)])
    place = PickField(
        later("Where exactly"),
        lambda: [
            Choice("", later("not known")),
            *(Choice(key, words) for key, words in PLACE_WORDS.items()),
        ],
    )
    cover_id = PickField(
        later("Under which cover"),
        lambda: [
            Choice("", later("none in particular")),
            *(Choice(str(c.id), c.label, c.kind) for c in covers_to_try()),
        ],
    )
    margin = MeasureField(
        later("Alert when this near to what the plants are fine down to"),
        kind="difference",
        minimum=0,
        maximum=10,
        required=False,
    )
    alert_below = MeasureField(
        later("Or alert below"), kind="temperature", minimum=-60, maximum=50, required=False
    )
    alert_above = MeasureField(
        later("Alert above"), kind="temperature", minimum=-60, maximum=85, required=False
    )

    def entry(self) -> LoggerEntry:
        return LoggerEntry(
            label=self.label.data or "",
            plot_id=int(self.plot_id.data or 0),
            cover_id=int(self.cover_id.data) if self.cover_id.data else None,
            kind=self.kind.data,
            alert_below_c=self.alert_below.data,
            alert_above_c=self.alert_above.data,
            margin_k=self.margin.data,
            place=self.place.data,
        )


@blueprint.get("/loggers")
@coordinators
def loggers_page() -> str:
    at = now()
    return render_template(
        "readings/loggers.html",
        loggers=readings.list_loggers(),
        alerts=readings.open_alerts(now=at),
        kinds=KIND_WORDS,
        token=session.pop(SHOWN_ONCE, None) if request.method == "GET" else None,
        now=at,
    )


@blueprint.route("/loggers/new", methods=["GET", "POST"])
@coordinators
def new_logger() -> Response | str | tuple[str, int]:
    form = LoggerForm(kind="outside", margin=1.0)
    if form.validate_on_submit():
        try:
            _, token = readings.create_logger(
                entry=form.entry(), member=signed_in_member(), now=now()
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            session[SHOWN_ONCE] = [form.label.data, token]
            return redirect(url_for(".loggers_page"), 303)
    page = render_template("readings/form.html", form=form, logger=None)
    return (page, 422) if form.errors else page


@blueprint.route("/loggers/<int(max=2147483647):logger_id>", methods=["GET", "POST"])
@coordinators
def edit_logger(logger_id: int) -> Response | str | tuple[str, int]:
    line = readings.get_logger(logger_id=logger_id)
    form = LoggerForm(
        label=line.label,
        plot_id=line.plot_id,
        kind=line.kind,
        place=line.place,
        cover_id=line.cover_id,
        margin=line.margin_k,
        alert_below=line.alert_below_c,
        alert_above=line.alert_above_c,
    )
    if form.validate_on_submit():
        try:
            readings.change_logger(
                logger_id=logger_id, entry=form.entry(), member=signed_in_member(), now=now()
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_("Logger saved."))
            return redirect(url_for(".loggers_page"), 303)
    page = render_template("readings/form.html", form=form, logger=line)
    return (page, 422) if form.errors else page


@blueprint.post("/loggers/<int(max=2147483647):logger_id>/token")
@coordinators
def make_token(logger_id: int) -> Response:
    token = readings.new_token(logger_id=logger_id, member=signed_in_member(), now=now())
    session[SHOWN_ONCE] = [readings.get_logger(logger_id=logger_id).label, token]
    return redirect(url_for(".loggers_page"), 303)


@blueprint.post("/loggers/<int(max=2147483647):logger_id>/revoke")
@coordinators
def revoke(logger_id: int) -> Response:
    readings.revoke_logger(logger_id=logger_id, member=signed_in_member(), now=now())
    flash(_("Its token is ended. What it sent stays saved."))
    return redirect(url_for(".loggers_page"), 303)
