"""Tonight's board and what is pressed on it."""

from __future__ import annotations

import contextlib
import re
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from threading import Lock
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
from markupsafe import Markup
from werkzeug.wrappers import Response

from gardenapp import reference
from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.services.clockwork import tonight as coming_night
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.night import improving, morning
from gardenapp.services.night import tonight as board
from gardenapp.services.night.board_changes import lacking
from gardenapp.services.night.live import live_night
from gardenapp.services.night.machine_board import board_as_dict
from gardenapp.services.notices.planned import take_up_what_was_left
from gardenapp.services.trials.readings import latest_readings, open_alerts
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
from gardenapp.web.languages import language
from gardenapp.web.night import board_words
from gardenapp.web.night.ladder import draw_ladder
from gardenapp.web.qr import qr_code
from gardenapp.web.shelf import MESSAGES_PLACE, TOKEN_PLACE, kept_answer
from gardenapp.words import _

blueprint = Blueprint("board", __name__)

KEPT_PARTS = 5_000  # lines of a few hundred bytes: two languages and units of a large garden
PLOT_COOKIE = "plot"
FACT_KEY = re.compile(r"[A-Za-z0-9-]{8,40}", re.ASCII)
MOST_SHEET_ROWS = 34  # as many as one page of paper takes in the smallest type


class _Parts:
    """Pieces of the board that only a new plan changes, drawn once for every reader.

    What grows where, what it bears and what it is given stay as planned; who claimed or covered
    what does not, and is never kept here. Each claim makes every board anew, so that most of the
    work at dusk would otherwise be these lines.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._kept: OrderedDict[tuple[Any, ...], Markup] = OrderedDict()

    def of(self, plan: tuple[Any, ...]) -> Callable[..., Markup]:
        """The template's `planned(name, *numbers)` for one plan, in one language and units."""

        def planned(*name: Any, caller: Callable[[], str]) -> Markup:
            key = (plan, name)
            with self._lock:
                found = self._kept.get(key)
            if found is None:
                found = Markup(caller())  # noqa: S704  (the template's own output, escaped there)
                with self._lock:
                    self._kept[key] = found
                    while len(self._kept) > KEPT_PARTS:
                        self._kept.popitem(last=False)
            return found

        return planned


@blueprint.get("/")
@public
def home() -> Response:
    return redirect(url_for("board.tonight"), 303)


@blueprint.get("/tonight")
@board_readers
def tonight() -> Response:
    member, at = current_member(), now()
    choice = _choice(member)
    return kept_answer(
        "board",
        (choice, request.cookies.get(PLOT_COOKIE, "")[:10]),
        at=at,
        render=lambda: _render(member, at, choice),
    )


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
    """Which part of the board: everything, one's own plots, or one plot."""

    mine: bool
    plot_id: int | None
    show_safe: bool

    @property
    def query(self) -> dict[str, str]:
        found: dict[str, str] = {}
        if self.mine:
            found["plots"] = "mine"
        if self.plot_id is not None:
            found["plot"] = str(self.plot_id)
        if self.show_safe:
            found["show"] = "all"
        return found


def _choice(member: Member | None, values: Any = None) -> _Choice:
    args = request.args if values is None else values
    number = args.get("plot", "")
    plot_id = int(number) if number.isascii() and number.isdigit() and len(number) < 10 else None
    return _Choice(
        mine=member is not None and args.get("plots") == "mine",
        plot_id=plot_id,
        show_safe=args.get("show") == "all",
    )


def _render(member: Member | None, at: datetime, choice: _Choice) -> str:
    plot_ids: list[int] | None = None
    if choice.mine and member is not None:
        plot_ids = plots_of(member.id)
    elif choice.plot_id is not None:
        plot_ids = [choice.plot_id]
    page = board.tonight_page(now=at, plot_ids=plot_ids)
    if page.is_improving:
        take_up_what_was_left(at)
    unit = formats.temperature_unit()
    return render_template(
        "board/tonight.html",
        page=page,
        sections=_sections(page),
        short=page.with_status("short"),
        watch=page.with_status("watch"),
        safe=page.with_status("safe"),
        stories={story.planting_id: story for story in page.rows},
        now=at,
        choice=choice,
        plot=db.session.get(Plot, choice.plot_id) if choice.plot_id is not None else None,
        remembered=_remembered(choice),
        may_see_names=member is not None,
        token=TOKEN_PLACE if member is not None else "",
        messages_place=MESSAGES_PLACE,
        ladder=draw_ladder(page.header.low, page.rows, unit=unit) if page.header else None,
        words=board_words,
        planned=current_app.extensions.setdefault("board_parts", _Parts()).of(
            (
                str(db.engine.url),
                page.plan_id,
                page.made_at,
                unit,
                formats.length_unit(),
                language(),
            )
        ),
        readings=latest_readings(now=at),
        alerts=open_alerts(member=member, now=at) if member is not None else (),
        lacking=lacking(),
        live=live_night(at),
        standing=_still_standing(page, at),
    )


def _still_standing(page: board.TonightPage, at: datetime) -> tuple[board.BoardJob, ...]:
    """What stands from other nights and is in no job of this one, until somebody takes it off."""
    planned = page.night_of if page.plan_id is not None else None
    return tuple(job for job in morning.jobs_out(at, but=planned) if job.id not in page.all_job_ids)


def _remembered(choice: _Choice) -> Plot | None:
    """The plot whose sign this phone read, where it is not the one shown."""
    number = request.cookies.get(PLOT_COOKIE, "")
    if not (number.isascii() and number.isdigit() and len(number) < 10):
        return None
    if choice.plot_id == int(number):
        return None
    return db.session.get(Plot, int(number))


@dataclass
class _Section:
    """One plot on the board: its jobs, the most pressing first."""

    plot_id: int
    label: str
    jobs: list[board.BoardJob]
    worst_k: float


def _sections(page: board.TonightPage) -> list[_Section]:
    margins = {story.planting_id: story.margin_k for story in page.rows}
    found: dict[int, _Section] = {}
    for job in page.jobs:
        worst = min((margins.get(key, 99.0) for key in job.plants), default=99.0)
        section = found.setdefault(job.plot_id, _Section(job.plot_id, job.plot, [], worst))
        section.jobs.append(job)
        section.worst_k = min(section.worst_k, worst)
    for section in found.values():
        section.jobs.sort(
            key=lambda job: (
                job.state in {"on", "off"},
                min((margins.get(key, 99.0) for key in job.plants), default=99.0),
            )
        )
    return sorted(found.values(), key=lambda section: (section.worst_k, section.label))


@blueprint.get("/tonight/plantings/<int(max=2147483647):planting_id>")
@board_readers
def why(planting_id: int) -> str:
    found = board.planting_tonight(planting_id=planting_id, now=now())
    return render_template(
        "board/why.html",
        tonight=found,
        story=found.story,
        words=board_words,
        nights=reference.load_night_values(),
        now=now(),
    )


@blueprint.get("/tonight.json")
@board_readers
def tonight_json() -> Response:
    return jsonify(board_as_dict(now=now()))


@blueprint.get("/tonight/hands")
@coordinators
def hands() -> str:
    return render_template("board/hands.html", hands=board.hands_needed(now=now()), now=now())


@blueprint.get("/tonight/sheet")
@board_readers
def sheet() -> str:
    at = now()
    page = board.tonight_page(now=at)
    jobs = [job for job in page.jobs if job.state != "off"]
    return render_template(
        "board/sheet.html",
        page=page,
        jobs=jobs[:MOST_SHEET_ROWS],
        more=max(0, len(jobs) - MOST_SHEET_ROWS),
        size="small" if len(jobs) > 22 else "medium" if len(jobs) > 12 else "large",
        stories={story.planting_id: story for story in page.rows},
        short=page.with_status("short"),
        qr=qr_code(url_for("board.tonight", _external=True)),
        address=url_for("board.tonight", _external=True),
        words=board_words,
        now=at,
    )


@blueprint.get("/p/<int(max=2147483647):plot_id>")
@board_readers
def plot_sign(plot_id: int) -> Response:
    """Where the code on a plot's sign leads; the phone remembers the plot."""
    response = redirect(url_for("board.tonight", plot=plot_id), 303)
    response.set_cookie(
        PLOT_COOKIE,
        str(plot_id),
        max_age=60 * 60 * 24 * 300,
        httponly=True,
        samesite="Lax",
        secure=current_app.config["SESSION_COOKIE_SECURE"],
    )
    return response


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
def claim(job_id: int) -> Response:
    board.claim_job(job_id=job_id, member_id=signed_in_member().id, now=now())
    return _back(_("Claimed. It is yours to do."), job_id)


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/release")
@members
def release(job_id: int) -> Response:
    board.release_job(job_id=job_id, member=signed_in_member(), now=now())
    return _back(_("Given back; somebody else can take it."), job_id)


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/on")
@members
def mark_on(job_id: int) -> Response:
    board.mark_on(job_id=job_id, member_id=signed_in_member().id, now=now(), fact=_fact())
    return _back(_("Marked as on."), job_id)


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/undo")
@members
def undo(job_id: int) -> Response:
    board.undo_on(job_id=job_id, member=signed_in_member(), now=now(), fact=_fact())
    return _back(_("Taken back: not on."), job_id)


@blueprint.post("/tonight/jobs/<int(max=2147483647):job_id>/off")
@members
def mark_off(job_id: int) -> Response:
    board.mark_off(job_id=job_id, member_id=signed_in_member().id, now=now(), fact=_fact())
    return _back(_("Marked as off and back in its place."), job_id)


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


def _back(message: str, job_id: int) -> Response:
    if request.accept_mimetypes.best == "application/json":
        return jsonify({"done": message})
    flash(message)
    choice = _choice(current_member(), request.form)
    query: dict[str, Any] = dict(choice.query)
    return redirect(url_for("board.tonight", **query, _anchor=f"job-{job_id}"), 303)
