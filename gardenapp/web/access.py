"""Who may open which page.

Every view says so itself with one of the four marks below. A view without a mark is refused
to everybody, so a forgotten mark shows at once and opens nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from flask import Flask, abort, current_app, g, redirect, request, session, url_for
from flask_login import AnonymousUserMixin, current_user, login_user, logout_user
from sqlalchemy import select
from werkzeug.wrappers import Response

from gardenapp.extensions import db, login_manager
from gardenapp.models.people import Garden, Member
from gardenapp.services.garden import people

PHONE = "phone"  # where a session keeps the mark of its phone
View = TypeVar("View", bound=Callable[..., Any])
PUBLIC, BOARD, MEMBER, COORDINATOR = "public", "board", "member", "coordinator"


def _mark(level: str) -> Callable[[View], View]:
    def decorate(view: View) -> View:
        view.access_level = level  # type: ignore[attr-defined]
        return view

    return decorate


public = _mark(PUBLIC)
board_readers = _mark(BOARD)
members = _mark(MEMBER)
coordinators = _mark(COORDINATOR)


class Signed:
    """The signed-in member as Flask-Login wants it: row and session epoch in one id."""

    is_authenticated = True
    is_anonymous = False

    def __init__(self, member: Member) -> None:
        self.member = member

    @property
    def is_active(self) -> bool:
        return self.member.is_active

    def get_id(self) -> str:
        return f"{self.member.id}:{self.member.session_epoch}"


def load_signed(value: str) -> Signed | None:
    """The member that a cookie names, unless this phone signed out or all of theirs did."""
    number, _, epoch = value.partition(":")
    if not (number.isascii() and number.isdigit() and epoch.isascii() and epoch.isdigit()):
        return None
    if len(number) > 9 or len(epoch) > 9:
        return None
    member = people.find_signed_in(
        member_id=int(number), epoch=int(epoch), phone=str(session.get(PHONE) or "")
    )
    return None if member is None else Signed(member)


def current_member() -> Member | None:
    """The signed-in member, or None."""
    user = current_user
    if isinstance(user, AnonymousUserMixin) or not user.is_authenticated:
        return None
    member: Member = user.member
    return member


def signed_in_member() -> Member:
    """The signed-in member, in views that are open to members only."""
    member = current_member()
    if member is None:
        abort(403)
    return member


def sign_in(member: Member) -> None:
    """Start a fresh session for `member`; whatever was planted in the old one is dropped."""
    session.clear()
    session.permanent = True
    login_user(Signed(member))


def sign_out() -> None:
    """End the session on this phone."""
    logout_user()
    session.clear()


def current_garden() -> Garden | None:
    """The garden's row, read once a request."""
    if "garden" not in g:
        # A plain row: every page needs it, and building an entity costs as much again.
        g.garden = db.session.execute(select(Garden.__table__).where(Garden.id == 1)).first()
    garden: Garden | None = g.garden
    return garden


def safe_next(target: str | None) -> str:
    """A path of this site to go on to after signing in; anything doubtful is the board.

    The path is matched against the app's own routes and built again from the match, so a
    foreign address has no way through.
    """
    board = url_for("board.tonight")
    if not target or not target.startswith("/") or target[1:2] in {"/", "\\"}:
        return board
    path = target.partition("?")[0].partition("#")[0]
    if any(ord(c) < 33 or c == "\\" or ord(c) == 127 for c in path):
        return board
    adapter = current_app.url_map.bind("localhost")
    try:
        endpoint, values = adapter.match(path, method="GET")
    except Exception:  # any refusal to match means: not one of our pages
        return board
    if endpoint == "static":
        return board
    return url_for(endpoint, **values)


def init_access(app: Flask) -> None:
    """Set up sign-in and the check before each request."""
    login_manager.init_app(app)
    login_manager.user_loader(load_signed)
    # Phones move between Wi-Fi and mobile: binding the session to the address would
    # sign people out in the dark. The session epoch is what ends sessions here.
    login_manager.session_protection = None

    @app.before_request
    def check_access() -> Response | None:
        if request.endpoint is None or request.endpoint == "static":
            return None
        view = app.view_functions[request.endpoint]
        level = getattr(view, "access_level", None)
        if level == PUBLIC:
            return None
        if current_garden() is None:
            return redirect(url_for("garden.first_steps"), 303)
        member = current_member()
        if level == BOARD:
            garden = current_garden()
            if member is not None or (garden is not None and garden.board_is_open):
                return None
            return _to_sign_in()
        if level in {MEMBER, COORDINATOR}:
            if member is None:
                return _to_sign_in()
            if level == COORDINATOR and not member.is_coordinator:
                abort(403)
            return None
        abort(403)

    @app.context_processor
    def people() -> dict[str, Any]:
        return {"member": current_member(), "garden": current_garden()}


def _to_sign_in() -> Response:
    target = request.full_path.rstrip("?") if request.method == "GET" else url_for("board.tonight")
    return redirect(url_for("people.sign_in_page", next=target), 303)
