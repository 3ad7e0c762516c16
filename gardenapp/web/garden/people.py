"""Signing in and out, one's own page, and the coordinator's list of members."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

from flask import (
    Blueprint,
    Response,
    current_app,
    flash,
    make_response,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.wrappers import Response as BaseResponse
from wtforms import BooleanField, PasswordField, ValidationError

from gardenapp.errors import NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden import people
from gardenapp.services.garden.plots import plots_of
from gardenapp.services.garden.throttle import TooManyTries
from gardenapp.services.night.tonight import tonight_page
from gardenapp.web import access
from gardenapp.web.access import coordinators, members, public, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, PickField, TextLine, TicksField
from gardenapp.web.languages import NAMES, forget_language, greet_in
from gardenapp.web.qr import qr_code
from gardenapp.words import _, later

blueprint = Blueprint("people", __name__)

LINK = "fresh_link"
MAY_SET_PASSWORD_UNTIL = "may_set_password_until"  # noqa: S105  (a key of the session)
TIME_TO_SET_PASSWORD = timedelta(minutes=30)
ROLE_WORDS = (Choice("member", later("Member")), Choice("coordinator", later("Coordinator")))
TEMPERATURE_WORDS = (Choice("C", later("Celsius (°C)")), Choice("F", later("Fahrenheit (°F)")))
# Each language by its own name; empty is what the phone asks for.
LANGUAGE_WORDS = (
    Choice("", later("as the phone asks")),
    *(Choice(code, name) for code, name in NAMES.items()),
)
LENGTH_WORDS = (
    Choice("metric", later("Centimetres and metres")),
    Choice("inch", later("Inches and feet")),
)
NAMES_OF_THIS_COMPUTER = frozenset({"localhost", "127.0.0.1", "::1"})


class PasswordBox(PasswordField):
    """A password, taken exactly as typed and never sent back."""

    def __init__(self, label: str, *, autocomplete: str, **kwargs: Any) -> None:
        super().__init__(label, render_kw={"autocomplete": autocomplete}, **kwargs)

    def pre_validate(self, form: Any) -> None:
        if not self.data:
            raise ValidationError(_("Enter the password."))
        if len(self.data or "") > 200:
            raise ValidationError(_("A password has at most 200 characters."))


class SignInForm(GardenForm):
    name = TextLine(
        later("Name"), render_kw={"autocomplete": "username", "autocapitalize": "words"}
    )
    password = PasswordBox(later("Password"), autocomplete="current-password")


class UnitsForm(GardenForm):
    language = PickField(later("Language"), LANGUAGE_WORDS)
    temperature_unit = PickField(later("Temperatures in"), TEMPERATURE_WORDS)
    length_unit = PickField(later("Lengths in"), LENGTH_WORDS)
    no_lifting = BooleanField(later("I don’t lift heavy things"))
    no_ice = BooleanField(later("I don’t walk on ice"))


class PasswordForm(GardenForm):
    current = PasswordBox(later("Current password"), autocomplete="current-password")
    new = PasswordBox(later("New password"), autocomplete="new-password")


class MemberForm(GardenForm):
    name = TextLine(later("Name"))
    role = PickField(later("Role"), ROLE_WORDS, default="member")
    language = PickField(later("Language"), LANGUAGE_WORDS)
    plots = TicksField(later("Plots"), ())


# --- sessions ---------------------------------------------------------------------------------


def start_session(let_in: people.LetIn, at: datetime) -> None:
    """Sign `let_in` in on this phone, in a session that holds nothing from before."""
    member = db.session.get(Member, let_in.member_id)
    if member is None:
        raise NotFound(_("We can’t find that member."))
    access.sign_in(member)
    session[access.PHONE] = people.new_phone()
    if let_in.may_set_password:
        session[MAY_SET_PASSWORD_UNTIL] = (at + TIME_TO_SET_PASSWORD).isoformat()


def _came_by_link(at: datetime) -> bool:
    until = session.get(MAY_SET_PASSWORD_UNTIL)
    return until is not None and at < datetime.fromisoformat(until)


def _address() -> str:
    return request.remote_addr or ""


def unkept(page: str, status: int = 200) -> Response:
    """A page with a secret on it, which no cache may keep, the phone's own included."""
    response = make_response(page, status)
    response.headers["Cache-Control"] = "no-store"
    return response


# --- signing in -------------------------------------------------------------------------------


@blueprint.route("/sign-in", methods=["GET", "POST"])
@public
def sign_in_page() -> Any:
    if access.current_garden() is None:
        return redirect(url_for("garden.first_steps"), 303)
    target = access.safe_next(request.args.get("next"))
    if request.method != "POST" and access.current_member() is not None:
        return redirect(target, 303)
    form = SignInForm()
    status, message, headers = 200, "", {}
    if form.validate_on_submit():
        at = now()
        try:
            let_in = people.sign_in(
                name=form.name.data or "",
                password=form.password.data or "",
                address=_address(),
                now=at,
            )
        except people.WrongPassword as error:
            form.password.errors = [str(error)]
        except TooManyTries as error:
            status, message = 429, str(error)
            headers["Retry-After"] = str(error.seconds)
        else:
            start_session(let_in, at)
            return redirect(target, 303)
    if form.errors:
        status = 422
    page = render_template("people/sign_in.html", form=form, target=target, message=message)
    return page, status, headers


@blueprint.post("/sign-out")
@members
def sign_out() -> BaseResponse:
    people.end_session(phone=session.get(access.PHONE), member_id=signed_in_member().id, now=now())
    access.sign_out()
    flash(_("You are signed out on this phone."), "good")
    return redirect(url_for("people.sign_in_page"), 303)


@blueprint.get("/join/<string(maxlength=64):token>")
@public
def join(token: str) -> Response:
    try:
        invite = people.look_at_invite(token=token, now=now())
    except NotFound as error:
        return join_ended(error)
    return greeting(invite, url_for("people.join_now", token=token))


@blueprint.post("/join/<string(maxlength=64):token>")
@public
def join_now(token: str) -> Any:
    at = now()
    try:
        let_in = people.redeem_invite(token=token, now=at)
    except NotFound as error:
        return join_ended(error)
    return come_in(let_in, at)


def greeting(invite: people.OpenInvite, action: str) -> Response:
    """The page that asks whether this is the member, in their language; `action` signs them in."""
    greet_in(invite.language)
    page = render_template("people/join.html", invite=invite, action=action, form=GardenForm())
    return unkept(page)


def join_ended(error: NotFound, *, is_code: bool = False) -> Response:
    """The page for a link or code that no longer works."""
    page = render_template("people/join_ended.html", message=str(error), is_code=is_code)
    return unkept(page, 404)


def come_in(let_in: people.LetIn, at: datetime) -> BaseResponse:
    """Sign the member in and lead to where something waits for them."""
    start_session(let_in, at)
    # From here on in the member's own language, the message too.
    forget_language()
    flash(_("You are signed in. This phone stays signed in for the season."), "good")
    return redirect(_home(at), 303)


def _home(at: datetime) -> str:
    """Where somebody comes in: at the plot of theirs that asks for something first."""
    member = access.current_member()
    if member is None or member.is_coordinator:
        return url_for("people.me_page")
    mine = plots_of(member.id)
    if not mine:
        return url_for("board.tonight")
    waiting = [
        job for job in tonight_page(now=at, plot_ids=mine).jobs if job.state in {"free", "off"}
    ]
    first = min(waiting, key=lambda job: (job.by_at is None, job.by_at), default=None)
    return url_for("plots.plot_page", plot_id=mine[0] if first is None else first.plot_id)


# --- one's own page ---------------------------------------------------------------------------


@blueprint.route("/me", methods=["GET", "POST"])
@members
def me_page() -> Any:
    member = signed_in_member()
    form = UnitsForm(obj=member)
    if form.validate_on_submit():
        people.set_units(
            member_id=member.id,
            temperature_unit=form.temperature_unit.data,
            length_unit=form.length_unit.data,
            language=form.language.data or None,
            no_lifting=bool(form.no_lifting.data),
            no_ice=bool(form.no_ice.data),
            now=now(),
        )
        forget_language()
        flash(_("Your choices are saved."), "good")
        return redirect(url_for("people.me_page"), 303)
    page = render_template(
        "people/me.html",
        form=form,
        has_password=member.password_hash is not None,
        may_set=_came_by_link(now()),
    )
    return page, 422 if form.errors else 200


@blueprint.route("/me/password", methods=["GET", "POST"])
@members
def password_page() -> Any:
    member, at = signed_in_member(), now()
    came_by_link = _came_by_link(at)
    form = PasswordForm()
    if member.password_hash is None or came_by_link:
        del form.current
    status, message = 200, ""
    if form.validate_on_submit():
        try:
            people.change_password(
                member_id=member.id,
                current=form.current.data if "current" in form else None,
                new=form.new.data or "",
                came_by_link=came_by_link,
                address=_address(),
                now=at,
            )
        except people.WrongPassword as error:
            form.current.errors = [str(error)]
        except Refused as error:
            form.new.errors = [str(error)]
        except TooManyTries as error:
            status, message = 429, str(error)
        else:
            # The old sessions ended, this one too: begin a new one here.
            start_session(people.LetIn(member.id, member.name), at)
            flash(
                _("Your password is saved. Your other phones are signed out."),
                "good",
            )
            return redirect(url_for("people.me_page"), 303)
    if form.errors:
        status = 422
    return render_template("people/password.html", form=form, message=message), status


@blueprint.post("/me/sign-out-everywhere")
@members
def sign_out_everywhere() -> BaseResponse:
    member = signed_in_member()
    people.sign_out_everywhere(member_id=member.id, by_id=member.id, now=now())
    access.sign_out()
    flash(_("You are signed out on every phone."), "good")
    return redirect(url_for("people.sign_in_page"), 303)


@blueprint.post("/me/link")
@members
def make_my_link() -> BaseResponse:
    return _make_link(signed_in_member().id, url_for("people.my_link_page"))


@blueprint.get("/me/link")
@members
def my_link_page() -> Any:
    member = signed_in_member()
    return _show_link(member.id, member.name, url_for("people.me_page"))


# --- the coordinator's list -------------------------------------------------------------------


@blueprint.get("/members")
@coordinators
def members_page() -> str:
    return render_template("people/members.html", lines=people.list_members(now=now()))


@blueprint.route("/members/new", methods=["GET", "POST"])
@coordinators
def new_member() -> Any:
    form = MemberForm()
    form.plots.choices = _plot_choices()
    if form.validate_on_submit():
        try:
            member_id = people.create_member(
                name=form.name.data or "",
                role=form.role.data,
                plot_ids=[int(plot_id) for plot_id in form.plots.data],
                language=form.language.data or None,
                by_id=signed_in_member().id,
                now=now(),
            )
        except Refused as error:
            form.name.errors = [str(error)]
        else:
            flash(
                _("%(name)s is added. Make a link so that they can sign in.", name=form.name.data),
                "good",
            )
            return redirect(url_for("people.member_page", member_id=member_id), 303)
    page = render_template("people/new_member.html", form=form)
    return page, 422 if form.errors else 200


@blueprint.route("/members/<int(max=2147483647):member_id>", methods=["GET", "POST"])
@coordinators
def member_page(member_id: int) -> Any:
    details = people.get_member(member_id=member_id, now=now())
    form = MemberForm(
        data={
            "name": details.name,
            "role": details.role,
            "plots": details.plot_ids,
            "language": details.language,
        }
    )
    form.plots.choices = _plot_choices()
    if form.validate_on_submit():
        try:
            people.change_member(
                member_id=member_id,
                name=form.name.data or "",
                role=form.role.data,
                plot_ids=[int(plot_id) for plot_id in form.plots.data],
                language=form.language.data,
                by_id=signed_in_member().id,
                now=now(),
            )
        except people.LastCoordinator as error:
            form.role.errors = [str(error)]
        except Refused as error:
            form.name.errors = [str(error)]
        else:
            flash(_("Saved."), "good")
            return redirect(url_for("people.member_page", member_id=member_id), 303)
    page = render_template("people/member.html", form=form, details=details)
    return page, 422 if form.errors else 200


@blueprint.post("/members/<int(max=2147483647):member_id>/link")
@coordinators
def make_link(member_id: int) -> BaseResponse:
    return _make_link(member_id, url_for("people.link_page", member_id=member_id))


@blueprint.get("/members/<int(max=2147483647):member_id>/link")
@coordinators
def link_page(member_id: int) -> Any:
    details = people.get_member(member_id=member_id, now=now())
    back = url_for("people.member_page", member_id=member_id)
    return _show_link(member_id, details.name, back)


@blueprint.post("/members/<int(max=2147483647):member_id>/sign-out")
@coordinators
def revoke(member_id: int) -> BaseResponse:
    people.sign_out_everywhere(member_id=member_id, by_id=signed_in_member().id, now=now())
    flash(_("Signed out on every phone; unused links no longer work."), "good")
    return redirect(url_for("people.member_page", member_id=member_id), 303)


@blueprint.post("/members/<int(max=2147483647):member_id>/let-go")
@coordinators
def let_go(member_id: int) -> BaseResponse:
    people.deactivate(member_id=member_id, by_id=signed_in_member().id, now=now())
    flash(_("Let go. You can take them back on this page."), "good")
    return redirect(url_for("people.member_page", member_id=member_id), 303)


@blueprint.post("/members/<int(max=2147483647):member_id>/take-back")
@coordinators
def take_back(member_id: int) -> BaseResponse:
    people.reactivate(member_id=member_id, by_id=signed_in_member().id, now=now())
    flash(_("Back in the garden. Make a link so that they can sign in."), "good")
    return redirect(url_for("people.member_page", member_id=member_id), 303)


def _plot_choices() -> tuple[Choice, ...]:
    return tuple(Choice(str(plot_id), label) for plot_id, label in people.list_plot_choices())


# --- links ------------------------------------------------------------------------------------


def _make_link(member_id: int, shown_at: str) -> BaseResponse:
    token = people.make_invite(member_id=member_id, by_id=signed_in_member().id, now=now())
    # Only the hash is stored, so the link waits for its one showing in the maker's own cookie.
    session[LINK] = {"member": member_id, "token": token}
    return redirect(shown_at, 303)


def is_only_here() -> bool:
    """Whether this page was opened by a name that only this computer has for itself."""
    host = urlsplit(url_for("board.home", _external=True)).hostname or ""
    return host in NAMES_OF_THIS_COMPUTER and not current_app.config["IS_HTTPS"]


def _show_link(member_id: int, name: str, back: str) -> Any:
    fresh = session.pop(LINK, None)
    if not fresh or fresh["member"] != member_id:
        flash(_("We show a link only once. Make a new one; it replaces the old."), "bad")
        return redirect(back, 303)
    address = url_for("people.join", token=fresh["token"], _external=True)
    return unkept(
        render_template(
            "people/link.html",
            name=name,
            address=address,
            picture=qr_code(address),
            only_here=is_only_here(),
            days=people.INVITE_DAYS,
            back=back,
        )
    )
