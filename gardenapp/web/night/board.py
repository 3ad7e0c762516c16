"""Tonight's board and what is pressed on it."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType
from typing import Any

from flask import (
    Blueprint,
    abort,
    current_app,
    flash,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from flask_wtf.csrf import generate_csrf
from werkzeug.wrappers import Response

from gardenapp import reference
from gardenapp.errors import AlreadyClaimed, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.services.clockwork import tonight as coming_night
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.night import improving, morning, walks
from gardenapp.services.night import tonight as board
from gardenapp.services.night.forecasts import lows_ahead
from gardenapp.services.night.live import live_night
from gardenapp.services.night.machine_board import board_as_dict
from gardenapp.services.night.walks import way_round
from gardenapp.services.notices.planned import take_up_what_was_left
from gardenapp.services.trials.readings import open_alerts
from gardenapp.web import formats
from gardenapp.web.access import (
    board_readers,
    coordinators,
    current_member,
    members,
    public,
    signed_in_member,
)
from gardenapp.web.clock import now
from gardenapp.web.errors import status_of
from gardenapp.web.fields import row_id, row_ids
from gardenapp.web.first_run import guide
from gardenapp.web.night import board_words
from gardenapp.web.night.picture import draw_strip, picture_of
from gardenapp.web.night.today import (
    MOST_FOLDED,
    MOST_FREE,
    VIEWS,
    Card,
    Today,
    joined_labels,
    make_card,
    make_today,
    walk_title,
)
from gardenapp.web.qr import qr_code
from gardenapp.web.shelf import MESSAGES_PLACE, TOKEN_PLACE, kept_answer
from gardenapp.words import _, n_, told

blueprint = Blueprint("board", __name__)

PLOT_COOKIE = "plot"
VIEW_COOKIE = "view"
FACT_KEY = re.compile(r"[A-Za-z0-9-]{8,40}", re.ASCII)


@blueprint.get("/")
@public
def home() -> Response:
    return redirect(url_for("board.tonight"), 303)


@blueprint.get("/tonight")
@board_readers
def tonight() -> Response:
    member, at = current_member(), now()
    choice = _choice(member)
    answer = kept_answer(
        "board",
        # The next step of a first run moves with what changes no board, such as a printed slip.
        (choice, request.cookies.get(PLOT_COOKIE, "")[:10], guide()),
        at=at,
        render=lambda: _render(member, at, choice),
    )
    if request.args.get("view") in VIEWS:
        _remember(answer, VIEW_COOKIE, choice.view)
    return answer


@blueprint.get("/tonight/progress")
@board_readers
def progress() -> Response:
    """How far the plan in force has been improved, for the board's script."""
    found = improving.state_of(coming_night(now()))
    is_on = found is not None and found.is_on
    answer = jsonify(
        improving=is_on,
        gap=formats.chance(min(found.gap, 1.0)) if found is not None and is_on else "",
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


@dataclass(frozen=True)
class _Choice:
    """Which part of the board: mine, what is free, everything; one plot; one walk of many."""

    view: str
    plot_id: int | None
    show_safe: bool
    walk: int | None = None
    is_chosen: bool = True


def _choice(member: Member | None, values: Any = None) -> _Choice:
    args = request.args if values is None else values
    # Links of before, in letters and on paper, say `plots=mine`.
    asked = "mine" if args.get("plots") == "mine" else args.get("view", "")
    view = asked or request.cookies.get(VIEW_COOKIE, "")
    is_chosen = view in VIEWS and (view != "mine" or member is not None)
    if not is_chosen:
        view = "all" if member is None else "mine"
    plot_id = row_id(args.get("plot", ""))
    return _Choice(
        view="all" if plot_id is not None or args.get("show") == "all" else view,
        plot_id=plot_id,
        show_safe=args.get("show") == "all",
        walk=row_id(args.get("walk", "")),
        is_chosen=is_chosen,
    )


def _render(
    member: Member | None,
    at: datetime,
    choice: _Choice,
    *,
    said: Mapping[int, str] = MappingProxyType({}),
) -> str:
    page = board.tonight_page(now=at, plot_ids=None if choice.plot_id is None else [choice.plot_id])
    if page.is_improving:
        take_up_what_was_left(at)
    mine = plots_of(member.id) if member is not None else []
    if choice.plot_id is not None:
        mine = [choice.plot_id]
    gust_mps = page.header.gust_mps if page.header is not None else None
    stories = {story.planting_id: story for story in page.rows}

    way = way_round()

    def made(*, is_mine: bool) -> Today:
        return make_today(page, member=member, plots=mine, way=way, at=at, is_mine=is_mine)

    today = made(is_mine=choice.view == "mine")
    # Who has nothing to do of their own sees at once what else there is.
    is_idle = choice.view == "mine" and not choice.is_chosen and not today.mine
    if is_idle or (said and not said.keys() & today.shown(choice.view)):
        choice, today = replace(choice, view="all"), made(is_mine=False)
    return render_template(
        "board/tonight.html",
        page=page,
        today=today,
        now=at,
        choice=choice,
        plot=db.session.get(Plot, choice.plot_id) if choice.plot_id is not None else None,
        remembered=_remembered(choice),
        token=TOKEN_PLACE if member is not None else "",
        messages_place=MESSAGES_PLACE,
        strip=draw_strip(page.header) if page.header is not None else None,
        days=lows_ahead(page.night_of),
        most_folded=MOST_FOLDED,
        said=said,
        words=board_words,
        alerts=open_alerts(member=member, now=at) if member is not None else (),
        step=guide(),
        live=live_night(at),
        standing=[
            make_card(
                job,
                stories,
                member_id=member.id if member is not None else None,
                gust_mps=gust_mps,
                at=at,
            )
            for job in _still_standing(page, at)
        ],
    )


def _still_standing(page: board.TonightPage, at: datetime) -> tuple[board.BoardJob, ...]:
    """What stands from other nights and is in no job of this one, until somebody takes it off."""
    planned = page.night_of if page.plan_id is not None else None
    return tuple(job for job in morning.jobs_out(at, but=planned) if job.id not in page.all_job_ids)


def _remembered(choice: _Choice) -> Plot | None:
    """The plot whose sign this phone read, where it is not the one shown."""
    plot_id = row_id(request.cookies.get(PLOT_COOKIE, ""))
    if plot_id is None or choice.plot_id == plot_id:
        return None
    return db.session.get(Plot, plot_id)


@blueprint.get("/tonight/jobs/<int(max=2147483647):job_id>")
@board_readers
def job_page(job_id: int) -> str:
    """One job and why: what it saves, with which chances, and what to mind."""
    member, at = current_member(), now()
    found = board.job_tonight(job_id=job_id, now=at)
    card = _one_card(found, member, at)
    return render_template(
        "board/job.html",
        card=card,
        stories=found.stories,
        picture=picture_of(
            found.header, found.stories, at=at, put_on_at=found.job.on_since or found.job.by_at
        ),
        words=board_words,
        now=at,
    )


def _one_card(found: board.JobTonight, member: Member | None, at: datetime) -> Card:
    return make_card(
        found.job,
        {story.planting_id: story for story in found.stories},
        member_id=member.id if member is not None else None,
        gust_mps=found.header.gust_mps,
        at=at,
    )


@blueprint.get("/tonight/plantings/<int(max=2147483647):planting_id>")
@board_readers
def why(planting_id: int) -> str:
    at = now()
    found = board.planting_tonight(planting_id=planting_id, now=at)
    return render_template(
        "board/why.html",
        tonight=found,
        story=found.story,
        picture=picture_of(found.header, [found.story], at=at),
        words=board_words,
        nights=reference.load_night_values(),
        now=at,
    )


@blueprint.get("/tonight.json")
@board_readers
def tonight_json() -> Response:
    return jsonify(board_as_dict(now=now()))


@blueprint.get("/tonight/walks")
@members
def hands() -> str:
    """Who goes where with what, and what is still to be taken."""
    at = now()
    return render_template(
        "board/hands.html",
        hands=walks.hands_needed(now=at),
        people=walks.people_to_ask() if signed_in_member().is_coordinator else (),
        walk_title=walk_title,
        joined_labels=joined_labels,
        now=at,
    )


@blueprint.post("/tonight/walks/ask")
@coordinators
def ask() -> Response:
    """Put a walk down for a member who was asked."""
    ids = _numbers(request.form.get("ask", ""))
    asked = row_id(request.form.get(f"who-{ids[0]}", "")) if ids else None
    if asked is None:
        flash(_("Choose who was asked; nothing was put down."), "bad")
        return redirect(url_for(".hands"), 303)
    found = walks.put_down(job_ids=ids, member_id=asked, now=now())
    _say_taken(
        found,
        n_(
            "%(num)s job stands under their name now.",
            "%(num)s jobs stand under their name now.",
            len(found.job_ids),
        ),
    )
    return redirect(url_for(".hands"), 303)


@blueprint.get("/tonight/hands")
@members
def old_hands() -> Response:
    return redirect(url_for("board.hands"), 301)


@blueprint.get("/p/<int(max=2147483647):plot_id>")
@board_readers
def plot_sign(plot_id: int) -> Response:
    """Where the code on a plot's sign leads; the phone remembers the plot."""
    response = redirect(url_for("board.tonight", plot=plot_id), 303)
    _remember(response, PLOT_COOKIE, str(plot_id))
    return response


def _remember(response: Response, name: str, value: str) -> None:
    response.set_cookie(
        name,
        value,
        max_age=60 * 60 * 24 * 300,
        httponly=True,
        samesite="Lax",
        secure=current_app.config["SESSION_COOKIE_SECURE"],
    )


@blueprint.get("/plots/<int(max=2147483647):plot_id>/sign")
@members
def sign(plot_id: int) -> str:
    plot = db.session.get(Plot, plot_id)
    if plot is None:
        raise NotFound(_("There is no such plot."))
    address = url_for("board.plot_sign", plot_id=plot_id, _external=True)
    return render_template("board/sign.html", plot=plot, address=address, qr=qr_code(address))


@blueprint.post("/tonight/seen")
@members
def seen() -> Response:
    board.note_look(member_id=signed_in_member().id, now=now())
    return Response(status=204)


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/claim")
@members
def claim(job_id: int) -> Response | tuple[Any, int]:
    member_id = signed_in_member().id
    return _press(
        job_id,
        lambda: board.claim_job(job_id=job_id, member_id=member_id, now=now()),
        _("It is yours to do."),
    )


@blueprint.post("/tonight/walks")
@members
def take() -> Response:
    """Take all that is still free of a walk."""
    found = walks.take_walk(
        job_ids=_numbers(request.form.get("jobs", "")), member=signed_in_member(), now=now()
    )
    _say_taken(
        found,
        n_("%(num)s job is yours now.", "%(num)s jobs are yours now.", len(found.job_ids)),
    )
    return redirect(url_for("board.tonight", view="mine"), 303)


def _numbers(text: str) -> list[int]:
    return row_ids(text.split()[:MOST_FREE])


def _say_taken(found: walks.Taken, message: str) -> None:
    if found.refused:
        message = _("%(message)s Left: %(why)s", message=message, why=" ".join(found.refused))
    flash(message, "good" if found.job_ids else "bad")


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/release")
@members
def release(job_id: int) -> Response | tuple[Any, int]:
    member = signed_in_member()
    return _press(
        job_id,
        lambda: board.release_job(job_id=job_id, member=member, now=now()),
        _("Given back; somebody else can take it."),
    )


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/on")
@members
def mark_on(job_id: int) -> Response | tuple[Any, int]:
    member_id, fact = signed_in_member().id, _fact()
    return _press(
        job_id,
        lambda: board.mark_on(job_id=job_id, member_id=member_id, now=now(), fact=fact),
        _("Marked as on."),
    )


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/undo")
@members
def undo(job_id: int) -> Response | tuple[Any, int]:
    member, fact = signed_in_member(), _fact()
    return _press(
        job_id,
        lambda: board.undo_on(job_id=job_id, member=member, now=now(), fact=fact),
        _("Taken back: not on."),
    )


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/off")
@members
def mark_off(job_id: int) -> Response | tuple[Any, int]:
    member_id, fact = signed_in_member().id, _fact()
    return _press(
        job_id,
        lambda: board.mark_off(job_id=job_id, member_id=member_id, now=now(), fact=fact),
        _("Marked as off and back in its place."),
    )


def _fact() -> board.Fact | None:
    """A phone's own key for a mark, and when it was pressed; see static/board.js."""
    key = request.form.get("fact", "")
    if not key:
        return None
    if not FACT_KEY.fullmatch(key):
        abort(400)
    pressed_at: datetime | None = None
    with contextlib.suppress(ValueError):
        pressed_at = datetime.fromisoformat(request.form.get("pressed_at", ""))
    if pressed_at is not None and pressed_at.tzinfo is None:
        pressed_at = None
    return board.Fact(key, pressed_at)


def _press(job_id: int, act: Callable[[], None], message: str) -> Response | tuple[Any, int]:
    """Do what was pressed, and answer in the very card it was pressed on."""
    wants_json = request.accept_mimetypes.best == "application/json"
    try:
        act()
    except (AlreadyClaimed, NotAllowed, Refused) as refusal:
        db.session.rollback()
        words, status = str(told(refusal)), status_of(refusal)
        if wants_json:
            return jsonify(error=words, card=_card_html(job_id, words)), status
        found = board.tonight_page(now=now())
        if job_id not in found.all_job_ids:
            raise
        choice = _choice(current_member(), request.form)
        # The button's address ends in the card's anchor, so that the browser goes back to it.
        return _filled(_render(current_member(), now(), choice, said={job_id: words})), status
    if wants_json:
        return jsonify(done=message, card=_card_html(job_id))
    flash(message)
    choice = _choice(current_member(), request.form)
    return redirect(url_for("board.tonight", plot=choice.plot_id, _anchor=f"job-{job_id}"), 303)


def _filled(html: str) -> str:
    """A page that is kept nowhere, with what belongs into its places."""
    return html.replace(TOKEN_PLACE, generate_csrf()).replace(MESSAGES_PLACE, "")


def _card_html(job_id: int, said: str = "") -> str:
    """One card as it is now; empty where the plan has it no more."""
    member, at = current_member(), now()
    try:
        found = board.job_tonight(job_id=job_id, now=at)
    except (NotFound, Refused):
        return ""
    return render_template(
        "board/one_card.html",
        card=_one_card(found, member, at),
        with_place=request.headers.get("X-With-Place") == "1",
        said=said,
        kept=board.still_kept(found.header, at),
        words=board_words,
        now=at,
    )
