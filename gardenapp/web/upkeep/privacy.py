"""What is held about a member: to look at, to take away as a file, to erase."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, flash, redirect, render_template, session, url_for
from wtforms import ValidationError

from gardenapp.errors import Refused
from gardenapp.services.upkeep import privacy
from gardenapp.web.access import coordinators, members, sign_out, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import GardenForm, TextLine
from gardenapp.words import _, later, n_

blueprint = Blueprint("privacy", __name__)


class EraseForm(GardenForm):
    name = TextLine(later("Type the name to erase it"), render_kw={"autocomplete": "off"})

    def __init__(self, wanted: str, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.wanted = wanted

    def validate_name(self, field: Any) -> None:
        if field.data and " ".join(field.data.split()).casefold() != self.wanted.casefold():
            raise ValidationError(
                _("Type %(wanted)s to erase it, or leave this page.", wanted=self.wanted)
            )


@blueprint.route("/me/data", methods=["GET", "POST"])
@members
def mine() -> Any:
    return _page(signed_in_member().id, is_own=True)


@blueprint.get("/me/data.json")
@members
def mine_json() -> Response:
    return _file(signed_in_member().id)


@blueprint.route("/members/<int(max=2147483647):member_id>/data", methods=["GET", "POST"])
@coordinators
def theirs(member_id: int) -> Any:
    return _page(member_id, is_own=member_id == signed_in_member().id)


@blueprint.get("/members/<int(max=2147483647):member_id>/data.json")
@coordinators
def theirs_json(member_id: int) -> Response:
    return _file(member_id)


def _page(member_id: int, *, is_own: bool) -> Any:
    by = signed_in_member()
    held = privacy.held_about(member_id=member_id, by=by)
    form = EraseForm(held.name)
    if form.validate_on_submit():
        try:
            left = privacy.erase(member_id=member_id, by_id=by.id, now=now())
        except Refused as error:
            form.name.errors = [str(error)]
        else:
            if is_own:
                sign_out()
                session.permanent = False
            words = _("%(name)s is erased.", name=held.name)
            if left:
                still = n_(
                    "The name still stands in %(num)s note that people wrote.",
                    "The name still stands in %(num)s notes that people wrote.",
                    left,
                )
                words = f"{words} {still}"
            flash(words, "good")
            return redirect(
                url_for("people.sign_in_page" if is_own else "people.members_page"), 303
            )
    page = render_template("privacy/data.html", held=held, form=form, is_own=is_own)
    return page, 422 if form.errors else 200


def _file(member_id: int) -> Response:
    body = privacy.hand_over(member_id=member_id, by=signed_in_member(), now=now())
    response = Response(body, mimetype="application/json")
    response.headers["Content-Disposition"] = "attachment; filename=held-about-a-member.json"
    response.headers["Cache-Control"] = "no-store"
    return response
