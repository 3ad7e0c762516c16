"""The store's longer pages: needs and offers, reuse, labels, stocktake, tables."""

from __future__ import annotations

from typing import Any

from flask import flash, redirect, render_template, request, url_for
from flask_wtf.file import FileField
from werkzeug.exceptions import NotFound as NoSuchPage
from werkzeug.wrappers import Response
from wtforms import HiddenField

from gardenapp.errors import FieldRefused
from gardenapp.services.store import covers, needs, reuse, stocktake, tables, things
from gardenapp.services.store.needs import KIND_WORDS
from gardenapp.services.store.subjects import MATERIAL, THING
from gardenapp.services.store.tables import LOTS, THINGS, ImportPlan
from gardenapp.web.access import coordinators, members
from gardenapp.web.clock import now
from gardenapp.web.fields import GardenForm, PickField, TextBox, TextLine, parse_number, row_ids
from gardenapp.web.qr import qr_code
from gardenapp.web.store.base import (
    StoreForm,
    asked_id,
    blueprint,
    choices_of,
    me,
    milli,
    shown,
)
from gardenapp.words import _, later

MOST_LABELS = 200
CHANGES_SHOWN = 200


# --- needs and offers -------------------------------------------------------------------------


class NoticeForm(StoreForm):
    """An ask or an offer."""

    kind = PickField(
        later("You"), choices_of({"ask": later("are looking for"), "offer": later("have to spare")})
    )
    what = TextLine(later("What"), maximum=120)
    how_much = TextLine(later("How much"), required=False, maximum=60)
    note = TextBox(later("When and where"), required=False, maximum=500)


@blueprint.route("/store/needs", methods=["GET", "POST"])
@members
def needs_page() -> Response | str | tuple[str, int]:
    start = {"what": request.args.get("what", "")[:120], "kind": "ask"}
    form = NoticeForm(data=start)
    if form.validate_on_submit():
        needs.add_notice(
            kind=form.kind.data,
            what=form.what.data or "",
            how_much=form.how_much.data or "",
            note=form.note.data or "",
            member=me(),
            now=now(),
            form_key=form.once(me(), "notice"),
        )
        flash(_("Your note is up. Take it down when it is settled."))
        return redirect(url_for(".needs_page"), 303)
    return shown(
        "store/needs.html",
        form,
        notices=needs.list_notices(member=me()),
        kinds=KIND_WORDS,
        shortages=needs.list_shortages(now=now()) if me().is_coordinator else (),
    )


@blueprint.post("/store/needs/<int(max=2147483647):notice_id>/close")
@members
def close_notice(notice_id: int) -> Response:
    needs.close_notice(notice_id=notice_id, member=me(), now=now())
    flash(_("Taken down."))
    return redirect(url_for(".needs_page"), 303)


# --- reuse ------------------------------------------------------------------------------------


@blueprint.get("/store/reuse")
@members
def reuse_page() -> str:
    seasons = reuse.seasons_with_entries(now=now())
    asked = request.args.get("season", "")
    season = int(asked) if asked.isascii() and asked.isdigit() and len(asked) == 4 else 0
    report = reuse.season_report(season=season if season in seasons else seasons[0], now=now())
    most = max((nights for _month, nights in report.by_month), default=0)
    return render_template("store/reuse.html", report=report, seasons=seasons, most=most)


# --- labels -----------------------------------------------------------------------------------


@blueprint.get("/store/labels")
@members
def labels_page() -> str:
    """A sheet of labels to print: all that is chosen, each with its code."""
    what, place_id = request.args.get("what", ""), asked_id("place")
    only = request.args.get("code", "")[:40]
    kind = MATERIAL if what == "materials" else THING
    lines = things.list_labels(kind=kind, place_id=place_id, code=only, most=MOST_LABELS + 1)
    labels = [
        (line, qr_code(url_for(".label", code=line.code, _external=True)))
        for line in lines[:MOST_LABELS]
    ]
    return render_template(
        "store/labels.html",
        labels=labels,
        places=covers.list_places(),
        what=what,
        place_id=place_id,
        is_cut=len(lines) > MOST_LABELS,
        most=MOST_LABELS,
    )


# --- stocktake --------------------------------------------------------------------------------


class CountForm(StoreForm):
    """What a walk through one place found; the ticks and counts are read beside it."""

    also = TextBox(later("Also found here"), required=False, maximum=2_000)


@blueprint.route("/store/stocktake", methods=["GET", "POST"])
@members
def stocktake_page() -> Response | str | tuple[str, int]:
    places = covers.list_places()
    asked = request.args.get("place")
    if asked is None:
        return render_template("store/stocktake.html", expected=None, places=places, form=None)
    place_id = asked_id("place")
    expected = stocktake.expected_at(place_id=place_id, member=me())
    form = CountForm()
    typed: dict[str, str] = {}
    ticked: set[str] = set()
    if form.is_submitted():
        ticked = set(request.form.getlist("found"))
        typed = {name: value[:40] for name, value in request.form.items() if name[:4] == "lot-"}
    if form.validate_on_submit():
        try:
            outcome = stocktake.keep_count(
                place_id=place_id,
                listed_ids=_ids(request.form.getlist("listed")),
                found_ids=_ids(ticked),
                also_ids=tuple(stocktake.find_things(form.also.data or "")),
                counts_milli=_counts(typed),
                member=me(),
                now=now(),
                form_key=form.once(me(), "stocktake"),
            )
        except FieldRefused as refusal:
            form.take(refusal)
        else:
            flash(_told(outcome))
            return redirect(url_for(".stocktake_page", place=asked), 303)
    return shown(
        "store/stocktake.html",
        form,
        expected=expected,
        places=places,
        ticked=ticked,
        typed=typed,
    )


def _ids(texts: Any) -> frozenset[int]:
    return frozenset(row_ids(texts))


def _counts(typed: dict[str, str]) -> dict[int, int]:
    """Counted quantities by lot; an empty field was not counted."""
    found = {}
    for name, text in typed.items():
        number = name.removeprefix("lot-")
        if not text.strip() or not (number.isascii() and number.isdigit() and len(number) < 10):
            continue
        try:
            value = parse_number(text)
        except ValueError:
            raise FieldRefused(
                "also", _("“%(text)s” is not a number; count again.", text=text[:20])
            ) from None
        if not 0 <= value <= 1_000_000:
            raise FieldRefused(
                "also", _("“%(text)s”: a count is from 0 to a million.", text=text[:20])
            )
        found[int(number)] = milli(value)
    return found


def _told(outcome: stocktake.Outcome) -> str:
    parts = [_("%(agreed)s as expected", agreed=outcome.agreed)]
    for names, words in (
        (outcome.missing, _("not found")),
        (outcome.turned_up, _("turned up here")),
        (outcome.recounted, _("counted again")),
        (outcome.not_counted, _("left alone (lent, on a bed, or somebody’s own)")),
    ):
        if names:
            shown = ", ".join(names[:8]) + (" …" if len(names) > 8 else "")
            parts.append(f"{len(names)} {words}: {shown}")
    return _("Counted. %(outcome)s.", outcome="; ".join(parts))


# --- tables -----------------------------------------------------------------------------------


class TableForm(GardenForm):
    """A table to look at before it is brought in."""

    file = FileField(later("Table (CSV)"))


class KeepForm(GardenForm):
    """The table that was looked at, sent again to be kept."""

    text = HiddenField()


@blueprint.get("/store/tables")
@members
def tables_page() -> str:
    return render_template("store/tables.html", form=TableForm(), tables=(THINGS, LOTS))


@blueprint.get("/store/tables/<any(things, materials):table>.csv")
@members
def table_csv(table: str) -> Response:
    answer = Response(tables.export_table(table=table), mimetype="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="{table}.csv"'
    return answer


@blueprint.route("/store/tables/<any(things, materials):table>", methods=["GET", "POST"])
@coordinators
def table_page(table: str) -> Response | str | tuple[str, int]:
    """Look at a table first: what would change, line by line. Nothing is written here."""
    form = TableForm()
    if not form.is_submitted():
        return _table(table, form, None)
    data = b""
    if form.validate():
        sent = form.file.data
        data = sent.read(tables.LARGEST_BYTES + 1) if sent is not None else b""
        if not data:
            form.take(FieldRefused("file", _("Choose a table to import.")))
        else:
            plan = tables.plan_import(table=table, data=data, member=me())
            if not plan.problems:
                return _table(table, form, plan, text=data.decode("utf-8-sig"))
            return _table(table, form, plan), 422
    return _table(table, form, None), 422


@blueprint.post("/store/tables/<any(things, materials):table>/keep")
@coordinators
def keep_table(table: str) -> Response | tuple[str, int]:
    form = KeepForm()
    data = (form.text.data or "").encode("utf-8", "replace")
    plan = tables.plan_import(table=table, data=data, member=me())
    if plan.problems:
        # The garden changed between looking and keeping, or the text was changed on the way.
        return _table(table, TableForm(), plan), 422
    kept = tables.keep_import(table=table, data=data, member=me(), now=now())
    flash(
        _(
            "Imported: %(new)s new, %(changes)s changed.",
            new=kept.new,
            changes=len(kept.changes) - kept.new,
        )
    )
    return redirect(url_for(".store_page"), 303)


def _table(table: str, form: Any, plan: ImportPlan | None, *, text: str = "") -> str:
    if table not in {THINGS, LOTS}:
        raise NoSuchPage
    keep = KeepForm(data={"text": text})
    return render_template(
        "store/table.html",
        table=table,
        form=form,
        plan=plan,
        keep=keep if text else None,
        columns=tables.COLUMNS[table],
        shown=CHANGES_SHOWN,
    )
