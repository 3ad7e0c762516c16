"""How a member is told of cold nights, and what the coordinator sees of the sending."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from flask import (
    Blueprint,
    current_app,
    flash,
    make_response,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.wrappers import Response
from wtforms import BooleanField, PasswordField

from gardenapp.errors import FieldRefused, NotFound
from gardenapp.services.notices import alerts, feeds, mail, telling
from gardenapp.services.notices.mail import MailSettings
from gardenapp.services.notices.telling import ChannelState
from gardenapp.services.upkeep import scheduler
from gardenapp.web.access import coordinators, members, public, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, GardenForm, NumberField, PickField, TextLine
from gardenapp.web.notices.feeds import FeedForm
from gardenapp.words import _, later

blueprint = Blueprint("notices", __name__)

SECRET = "fresh_hook_secret"  # noqa: S105  (a key of the session)
SECURITY_WORDS = (
    Choice("starttls", later("STARTTLS, usually port 587")),
    Choice("tls", later("TLS from the start, usually port 465")),
    Choice("none", later("Without, on this network only")),
)
STATE_WORDS = {
    "waiting": (later("waiting"), "cold"),
    "sent": (later("sent"), "ok"),
    "failed": (later("not sent"), "bad"),
    "replaced": (later("replaced by a newer one"), "cold"),
}


class MailForm(GardenForm):
    address = TextLine(
        later("E-mail address"),
        maximum=254,
        render_kw={"type": "email", "autocomplete": "email", "inputmode": "email"},
    )
    all_plots = BooleanField(later("About all plots, not only mine"))
    tells_quiet = BooleanField(later("Also say when there is nothing to do tonight"))


class HookForm(GardenForm):
    address = TextLine(
        later("Web address to send to"),
        maximum=500,
        render_kw={"type": "url", "inputmode": "url", "autocomplete": "off"},
    )
    all_plots = BooleanField(later("About all plots, not only mine"))
    tells_quiet = BooleanField(later("Also say when there is nothing to do tonight"))


class AlertsForm(GardenForm):
    tells_alerts = BooleanField(later("Tell me what loggers report: too hot, too cold, silent"))
    quiet_from = TextLine(later("Quiet from"), maximum=5, required=False)
    quiet_until = TextLine(later("Quiet until"), maximum=5, required=False)
    wakes_for_frost = BooleanField(
        later("A hard frost may wake me (−2.2 °C or 28 °F and colder, as read)")
    )


class MailServerForm(GardenForm):
    host = TextLine(later("Mail server"), maximum=200, required=False)
    port = NumberField(later("Port"), minimum=1, maximum=65_535, whole=True, required=False)
    security = PickField(later("Encryption"), SECURITY_WORDS, default="starttls")
    user = TextLine(
        later("User name"), maximum=200, required=False, render_kw={"autocomplete": "off"}
    )
    password = PasswordField(later("Password"), render_kw={"autocomplete": "new-password"})
    sender = TextLine(
        later("Sender’s address"), maximum=254, required=False, render_kw={"inputmode": "email"}
    )


class TimetableForm(GardenForm):
    fetch_times = TextLine(later("Times of day"), maximum=60, required=False)


# --- a member's own ---------------------------------------------------------------------------


@blueprint.get("/me/notices")
@members
def mine() -> Any:
    return _mine()


@blueprint.post("/me/notices/mail")
@members
def set_mail() -> Any:
    form = MailForm(prefix="mail")
    if form.validate_on_submit():
        try:
            asked = telling.set_mail(
                member_id=signed_in_member().id,
                address=form.address.data or "",
                all_plots=bool(form.all_plots.data),
                tells_quiet=bool(form.tells_quiet.data),
                pages_at=_pages_at(),
                now=now(),
            )
        except FieldRefused as error:
            form.take(error)
        else:
            flash(
                _(
                    "A message is on its way to that address. Open the link in it and press the "
                    "button there; only then are notices sent."
                )
                if asked
                else _("Saved."),
                "good",
            )
            return redirect(url_for("notices.mine"), 303)
    return _mine(mail_form=form)


@blueprint.post("/me/notices/hook")
@members
def set_hook() -> Any:
    form = HookForm(prefix="hook")
    if form.validate_on_submit():
        try:
            secret = telling.set_hook(
                member_id=signed_in_member().id,
                url=form.address.data or "",
                all_plots=bool(form.all_plots.data),
                tells_quiet=bool(form.tells_quiet.data),
                pages_at=_pages_at(),
                now=now(),
            )
        except FieldRefused as error:
            form.take(error)
        else:
            if secret is not None:
                session[SECRET] = secret
            flash(_("Saved."), "good")
            return redirect(url_for("notices.mine"), 303)
    return _mine(hook_form=form)


@blueprint.post("/me/notices/alerts")
@members
def choose_alerts() -> Any:
    form = AlertsForm(prefix="alerts")
    if form.validate_on_submit():
        chosen = alerts.Choices(
            tells_alerts=bool(form.tells_alerts.data),
            quiet_from=form.quiet_from.data or "",
            quiet_until=form.quiet_until.data or "",
            wakes_for_frost=bool(form.wakes_for_frost.data),
        )
        try:
            alerts.choose(member_id=signed_in_member().id, choices=chosen, now=now())
        except FieldRefused as error:
            form.take(error)
        else:
            flash(_("Saved."), "good")
            return redirect(url_for("notices.mine"), 303)
    return _mine(alerts_form=form)


@blueprint.post("/me/notices/<any(mail, hook):way>/stop")
@members
def stop(way: str) -> Response:
    telling.stop_channel(member_id=signed_in_member().id, kind=way, now=now())
    flash(_("Stopped. We send nothing more there."), "good")
    return redirect(url_for("notices.mine"), 303)


@blueprint.post("/me/notices/<any(mail, hook):way>/test")
@members
def send_test(way: str) -> Response:
    telling.send_test(member_id=signed_in_member().id, kind=way, now=now())
    flash(_("We will send a test within a minute or two."), "good")
    return redirect(url_for("notices.mine"), 303)


@blueprint.route("/notices/confirm/<string(maxlength=64):confirm_token>", methods=["GET", "POST"])
@public
def confirm(confirm_token: str) -> Any:
    done = False
    try:
        # Mail programs open links to look at them: only the button confirms.
        if request.method == "POST":
            address = telling.confirm(token=confirm_token, now=now())
            done = True
        else:
            address = telling.look_at_confirmation(token=confirm_token, now=now())
    except NotFound as error:
        page = render_template("notices/confirm_ended.html", message=str(error))
        return _unkept(page, 404)
    return _unkept(
        render_template(
            "notices/confirm.html",
            address=address,
            token=confirm_token,
            done=done,
            form=GardenForm(),
        )
    )


def _mine(
    mail_form: MailForm | None = None,
    hook_form: HookForm | None = None,
    alerts_form: AlertsForm | None = None,
) -> Any:
    member_id = signed_in_member().id
    ways = telling.list_channels(member_id=member_id)
    shown_mail = mail_form or MailForm(formdata=None, prefix="mail", data=_data(ways.get("mail")))
    shown_hook = hook_form or HookForm(formdata=None, prefix="hook", data=_data(ways.get("hook")))
    shown_alerts = alerts_form or AlertsForm(
        formdata=None, prefix="alerts", data=vars(alerts.choices_of(member_id))
    )
    secret = session.pop(SECRET, None)
    wrong = [form for form in (shown_mail, shown_hook, shown_alerts) if form.errors]
    status = 422 if wrong else 200
    page = render_template(
        "notices/mine.html",
        form=wrong[0] if wrong else shown_hook,
        alerts_form=shown_alerts,
        mail_form=shown_mail,
        hook_form=shown_hook,
        channels=ways,
        has_server=mail.get_mail_settings().is_set,
        link=feeds.find_link(member_id=member_id),
        feed_form=FeedForm(formdata=None, prefix=""),
        secret=secret,
    )
    return _unkept(page, status) if secret else (page, status)


def _data(way: ChannelState | None) -> dict[str, Any]:
    if way is None:
        return {}
    return {"address": way.address, "all_plots": way.all_plots, "tells_quiet": way.tells_quiet}


def _pages_at() -> str:
    return request.url_root.rstrip("/")[:300]


def _unkept(page: str, status: int = 200) -> Response:
    """A page with a secret on it, which no cache may keep."""
    response = make_response(page, status)
    response.headers["Cache-Control"] = "no-store"
    return response


# --- the coordinator's ------------------------------------------------------------------------


@blueprint.get("/garden/notices")
@coordinators
def garden_page() -> Any:
    return _garden_page()


@blueprint.post("/garden/notices/timetable")
@coordinators
def set_timetable() -> Any:
    form = TimetableForm()
    if form.validate_on_submit():
        try:
            scheduler.change_timetable(
                text=form.fetch_times.data or "", by_id=signed_in_member().id, now=now()
            )
        except FieldRefused as error:
            form.take(error)
        else:
            flash(_("The timetable is saved."), "good")
            return redirect(url_for("notices.garden_page"), 303)
    return _garden_page(form)


@blueprint.post("/garden/notices/<int(max=2147483647):notice_id>/again")
@coordinators
def try_again(notice_id: int) -> Response:
    telling.try_again(notice_id=notice_id, by_id=signed_in_member().id, now=now())
    flash(_("We will send it again."), "good")
    return redirect(url_for("notices.garden_page"), 303)


@blueprint.route("/garden/mail", methods=["GET", "POST"])
@coordinators
def mail_server() -> Any:
    settings, instance = mail.get_mail_settings(), Path(current_app.instance_path)
    form = MailServerForm(obj=settings if settings.is_set else None)
    if form.validate_on_submit():
        security = form.security.data
        try:
            mail.change_mail_settings(
                settings=MailSettings(
                    host=form.host.data or "",
                    port=int(form.port.data or mail.USUAL_PORTS[security]),
                    security=security,
                    user=form.user.data or "",
                    sender=form.sender.data or "",
                ),
                password=form.password.data or None,
                instance=instance,
                by_id=signed_in_member().id,
                now=now(),
            )
        except FieldRefused as error:
            form.take(error)
        else:
            flash(
                _("The mail server is saved.")
                if form.host.data
                else _("The garden sends no mail now."),
                "good",
            )
            return redirect(url_for("notices.garden_page"), 303)
    page = render_template(
        "notices/mail_server.html", form=form, has_password=mail.has_password(instance)
    )
    return page, 422 if form.errors else 200


def _garden_page(form: TimetableForm | None = None) -> Any:
    table = scheduler.get_timetable()
    shown = form or TimetableForm(formdata=None, data={"fetch_times": table.text})
    page = render_template(
        "notices/garden.html",
        form=shown,
        table=table,
        lines=telling.list_notices(),
        failed=telling.count_failed(now=now()),
        server=mail.get_mail_settings(),
        beats=scheduler.list_heartbeats(),
        states=STATE_WORDS,
        runs_here=current_app.config["HAS_SCHEDULER"],
    )
    return page, 422 if shown.errors else 200
