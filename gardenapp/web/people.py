"""Placeholder until its pages are written."""

from __future__ import annotations

from flask import Blueprint, render_template

from gardenapp.web.access import public

blueprint = Blueprint("people", __name__)


@blueprint.get("/sign-in")
@public
def sign_in_page() -> str:
    return render_template("errors/error.html", title="people", message="", advice="")


@blueprint.get("/members")
@public
def members_page() -> str:
    return ""


@blueprint.get("/me")
@public
def me_page() -> str:
    return ""
