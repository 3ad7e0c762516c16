"""Light or dark: as the phone says, or as the reader chose, which wins.

The choice is kept on the phone and not with the member: it goes with the screen and the light
it is read in, and somebody who only reads the board has it too.
"""

from __future__ import annotations

from typing import Any

from flask import (
    Blueprint,
    Flask,
    current_app,
    flash,
    has_request_context,
    redirect,
    render_template,
    request,
    url_for,
)

from gardenapp.web.access import public, safe_next
from gardenapp.web.fields import Choice, GardenForm, PickField
from gardenapp.words import _, later

blueprint = Blueprint("themes", __name__)

COOKIE = "theme"
COOKIE_S = 60 * 60 * 24 * 300
SYSTEM = "system"
THEMES = ("light", "dark")


class ThemeForm(GardenForm):
    """How the pages look on this phone."""

    theme = PickField(
        later("Light or dark"),
        choices=(
            Choice(SYSTEM, later("As the phone is set")),
            Choice("light", later("Always light")),
            Choice("dark", later("Always dark")),
        ),
    )


def theme() -> str:
    """`light` or `dark` where the reader chose, else empty: the phone decides."""
    told = request.cookies.get(COOKIE, "") if has_request_context() else ""
    return told if told in THEMES else ""


@blueprint.route("/theme", methods=["GET", "POST"])
@public
def theme_page() -> Any:
    back = safe_next(request.args.get("next"))
    form = ThemeForm()
    if not form.validate_on_submit():
        page = render_template("themes/theme.html", form=form, back=back, is_now=theme() or SYSTEM)
        return page, 422 if form.errors else 200
    flash(_("Saved on this phone."))
    response = redirect(back, 303)
    is_secure = current_app.config["SESSION_COOKIE_SECURE"]
    if form.theme.data in THEMES:
        response.set_cookie(
            COOKIE,
            form.theme.data,
            max_age=COOKIE_S,
            httponly=True,
            samesite="Lax",
            secure=is_secure,
        )
    else:
        response.delete_cookie(COOKIE, httponly=True, samesite="Lax", secure=is_secure)
    return response


def theme_address() -> str:
    """Where the theme is chosen, and back to this page afterwards.

    Not back to a page whose address is itself a key, such as a personal link.
    """
    is_secret = any("token" in name for name in request.view_args or {})
    is_page = request.method == "GET" and request.endpoint not in {None, "themes.theme_page"}
    return url_for("themes.theme_page", next=request.path if is_page and not is_secret else None)


def init_themes(app: Flask) -> None:
    """Say the theme to the templates."""
    app.register_blueprint(blueprint)
    app.jinja_env.globals.update(theme=theme, theme_address=theme_address)
