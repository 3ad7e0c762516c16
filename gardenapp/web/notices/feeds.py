"""Tonight for calendars, feed readers and machines, and the private links to it."""

from __future__ import annotations

import hashlib
from typing import Any

from flask import (
    Blueprint,
    flash,
    jsonify,
    make_response,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.wrappers import Response
from wtforms import BooleanField

from gardenapp.services.notices import feeds
from gardenapp.services.notices.feeds import Reader
from gardenapp.web.access import board_readers, members, public, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import GardenForm
from gardenapp.web.formats import temperature_unit
from gardenapp.words import _, later

blueprint = Blueprint("feeds", __name__)

FRESH = "fresh_feed"
ATOM = "application/atom+xml; charset=utf-8"
CALENDAR = "text/calendar; charset=utf-8"


class FeedForm(GardenForm):
    all_plots = BooleanField(later("All plots, not only mine"))


@blueprint.get("/tonight.ics")
@board_readers
def tonight_calendar() -> Response:
    return _calendar(feeds.open_reader(temperature_unit()))


@blueprint.get("/tonight.atom")
@board_readers
def tonight_feed() -> Response:
    return _atom(feeds.open_reader(temperature_unit()))


@blueprint.get("/feed/<string(maxlength=64):feed_token>/tonight.ics")
@public
def own_calendar(feed_token: str) -> Response:
    return _calendar(feeds.reader_of(feed_token))


@blueprint.get("/feed/<string(maxlength=64):feed_token>/board.atom")
@public
def own_feed(feed_token: str) -> Response:
    return _atom(feeds.reader_of(feed_token))


@blueprint.get("/feed/<string(maxlength=64):feed_token>/board.json")
@public
def own_data(feed_token: str) -> Response:
    data = feeds.board_data(reader=feeds.reader_of(feed_token), now=now())
    answer = jsonify(data)
    return _tagged(answer.get_data(), "application/json")


@blueprint.post("/me/feed")
@members
def make_link() -> Response:
    form = FeedForm()
    token = feeds.make_link(
        member_id=signed_in_member().id, all_plots=bool(form.all_plots.data), now=now()
    )
    # Only the hash is stored, so the link waits for its one showing in the maker's own cookie.
    session[FRESH] = token
    return redirect(url_for("feeds.link_page"), 303)


@blueprint.get("/me/feed")
@members
def link_page() -> Any:
    token = session.pop(FRESH, None)
    if token is None:
        flash(_("We show a private address only once. Make a new one; it replaces the old."), "bad")
        return redirect(url_for("notices.mine"), 303)
    addresses = {
        view: url_for(f"feeds.{view}", feed_token=token, _external=True)
        for view in ("own_calendar", "own_feed", "own_data")
    }
    response = make_response(
        render_template(
            "feeds/link.html",
            addresses=addresses,
            subscribe="webcal:" + addresses["own_calendar"].partition(":")[2],
        )
    )
    response.headers["Cache-Control"] = "no-store"
    return response


@blueprint.post("/me/feed/end")
@members
def end_link() -> Response:
    feeds.end_link(member_id=signed_in_member().id, now=now())
    flash(_("Your private feed addresses no longer work."), "good")
    return redirect(url_for("notices.mine"), 303)


def _calendar(reader: Reader) -> Response:
    return _tagged(feeds.tonight_calendar(reader=reader, now=now()), CALENDAR, "tonight.ics")


def _atom(reader: Reader) -> Response:
    feed = feeds.board_feed(reader=reader, now=now())
    text = render_template(
        "feeds/board.xml",
        feed=feed,
        self_address=request.base_url,
        board_address=url_for("board.tonight", _external=True),
    )
    return _tagged(text.encode(), ATOM)


def _tagged(body: bytes, content_type: str, filename: str = "") -> Response:
    """An answer that costs nothing to ask for again: the same bytes have the same tag."""
    response = Response(body, content_type=content_type)
    response.set_etag(hashlib.sha256(body).hexdigest()[:32])
    response.headers["Vary"] = "Cookie"
    if filename:
        response.headers["Content-Disposition"] = f'inline; filename="{filename}"'
    # The address itself is the secret: it must not travel on as a referrer.
    response.headers["Referrer-Policy"] = "no-referrer"
    response.make_conditional(request.environ)
    return response
