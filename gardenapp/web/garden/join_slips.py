"""Join slips on paper, and the page on which their codes are typed."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from flask import current_app, flash, redirect, render_template, request, session, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as BaseResponse

from gardenapp.errors import NotFound, Refused
from gardenapp.services.garden import join_slips
from gardenapp.services.garden.join_slips import Candidate, Slip
from gardenapp.services.garden.throttle import TooManyTries
from gardenapp.web import access
from gardenapp.web.access import coordinators, public, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, PickField, TextLine
from gardenapp.web.garden.people import (
    blueprint,
    come_in,
    greeting,
    is_only_here,
    join_ended,
    unkept,
)
from gardenapp.web.qr import qr_code
from gardenapp.words import _, later, n_, speaking

SEED = "join_slips"  # keys of the session
FOUND = "join_code"
# A print nobody looked at is not shown to whoever comes to that computer next.
TIME_TO_LOOK = timedelta(minutes=30)
# What the confirm page may take, so that a code typed and left is not pressed by the next person.
TIME_TO_CONFIRM = timedelta(minutes=30)
WAITING, EVERYBODY = "waiting", "all"


class SlipsForm(GardenForm):
    who = PickField(later("For whom"))


class CodeForm(GardenForm):
    code = TextLine(
        later("Code on your slip"),
        render_kw={"autocomplete": "off", "autocapitalize": "characters", "spellcheck": "false"},
    )


# --- the coordinator's part -------------------------------------------------------------------


@blueprint.route("/members/slips", methods=["GET", "POST"])
@coordinators
def slips() -> Any:
    """Choose for whom; the press makes the links and codes, as they are known only then."""
    at, me = now(), signed_in_member()
    others = [one for one in join_slips.list_candidates() if one.id != me.id]
    choices = _choices(others)
    wanted = request.args.get("for", "")
    if choices and wanted not in {choice.value for choice in choices}:
        wanted = choices[0].value
    form = SlipsForm(data={"who": wanted})
    form.who.choices = choices
    if form.validate_on_submit():
        seed = join_slips.new_seed()
        try:
            join_slips.make_slips(
                member_ids=_ids(form.who.data, others),
                seed=seed,
                secret=_secret(),
                by_id=me.id,
                now=at,
            )
        except Refused as error:
            form.who.errors = [str(error)]
        else:
            session[SEED] = {"seed": seed, "at": at.isoformat()}
            return redirect(url_for("people.slips_print"), 303)
    page = render_template(
        "people/slips.html", form=form, is_alone=not others, only_here=is_only_here()
    )
    return page, 422 if form.errors else 200


@blueprint.get("/members/slips/print")
@coordinators
def slips_print() -> Any:
    """The slips, shown once: only hashes are stored."""
    fresh, at = session.pop(SEED, None), now()
    found: tuple[Slip, ...] = ()
    if fresh and at - datetime.fromisoformat(fresh["at"]) < TIME_TO_LOOK:
        found = join_slips.read_slips(seed=fresh["seed"], secret=_secret(), now=at)
    if not found:
        flash(
            _("We show slips only once. Those you printed work; new ones would replace them."),
            "bad",
        )
        return redirect(url_for("people.slips"), 303)
    return unkept(
        render_template(
            "people/slips_print.html",
            slips=[_drawn(slip) for slip in found],
            only_here=is_only_here(),
        )
    )


def _drawn(slip: Slip) -> tuple[str, Markup]:
    """(language, the slip) written in the language of whoever gets it."""
    link = url_for("people.join", token=slip.token, _external=True)
    address = url_for("people.join_by_code", _external=True).removeprefix("https://")
    with speaking(slip.language):
        drawn = render_template(
            "people/_slip.html",
            slip=slip,
            picture=qr_code(link),
            address=address,
            code=join_slips.written(slip.code),
        )
    return slip.language, Markup(drawn)  # noqa: S704  (a template's output, escaped there)


def _choices(others: list[Candidate]) -> tuple[Choice, ...]:
    waiting = sum(not one.has_joined for one in others)
    found = []
    if waiting:
        found.append(
            Choice(
                WAITING,
                n_(
                    "the one who has not joined yet",
                    "all %(num)s who have not joined yet",
                    waiting,
                ),
            )
        )
    if len(others) > 1:
        found.append(Choice(EVERYBODY, _("all %(number)s members", number=len(others))))
    found += [Choice(str(one.id), one.name) for one in others]
    return tuple(found)


def _ids(who: str, others: list[Candidate]) -> list[int]:
    if who == WAITING:
        return [one.id for one in others if not one.has_joined]
    if who == EVERYBODY:
        return [one.id for one in others]
    return [one.id for one in others if str(one.id) == who]


def _secret() -> str:
    return str(current_app.config["SECRET_KEY"])


# --- typing a code ----------------------------------------------------------------------------


@blueprint.route("/join", methods=["GET", "POST"])
@public
def join_by_code() -> Any:
    """Type the code of a slip; the right one leads to the page that asks whether this is you."""
    if access.current_garden() is None:
        return redirect(url_for("garden.first_steps"), 303)
    form, at = CodeForm(), now()
    status, message, headers = 200, "", {}
    if form.validate_on_submit():
        try:
            found = join_slips.find_by_code(
                typed=form.code.data or "",
                secret=_secret(),
                address=request.remote_addr or "",
                now=at,
            )
        except Refused as error:
            form.code.errors = [str(error)]
        except TooManyTries as error:
            status, message = 429, str(error)
            headers["Retry-After"] = str(error.seconds)
        else:
            session[FOUND] = {"code": found, "at": at.isoformat()}
            return redirect(url_for("people.join_with_code"), 303)
    if form.errors:
        status = 422
    page = unkept(render_template("people/join_code.html", form=form, message=message), status)
    page.headers.update(headers)
    return page


@blueprint.get("/join/code")
@public
def join_with_code() -> BaseResponse:
    """Greets whose code was typed on this phone. The code waits in its cookie, as a hash."""
    found = _found()
    if found is None:
        return redirect(url_for("people.join_by_code"), 303)
    try:
        invite = join_slips.look_at(found=found, now=now())
    except NotFound as error:
        return join_ended(error, is_code=True)
    return greeting(invite, url_for("people.join_with_code_now"))


@blueprint.post("/join/code")
@public
def join_with_code_now() -> BaseResponse:
    at, found = now(), _found()
    if found is None:
        return redirect(url_for("people.join_by_code"), 303)
    try:
        let_in = join_slips.redeem(found=found, now=at)
    except NotFound as error:
        return join_ended(error, is_code=True)
    return come_in(let_in, at)


def _found() -> str | None:
    """The hash of the code that was typed on this phone not long ago."""
    kept = session.get(FOUND)
    if not kept or now() - datetime.fromisoformat(kept["at"]) >= TIME_TO_CONFIRM:
        return None
    return str(kept["code"])
