"""Pasting a garden's own spreadsheet: looked at cell by cell, saved and taken back as one act."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask_wtf.file import FileField
from werkzeug.wrappers import Response

from gardenapp.errors import NotFound, Refused
from gardenapp.readers.cells import (
    MOST_BYTES,
    CellRow,
    CellSheet,
    address_of,
    read_file,
    read_pasted,
)
from gardenapp.readers.records import UnreadableFile
from gardenapp.services.tables import importing, outgoing
from gardenapp.services.tables.columns import COVERS, GARDEN, HOLDS, MATERIALS, MEMBERS
from gardenapp.services.tables.findings import Findings, TableRead
from gardenapp.services.tables.outgoing import TITLES
from gardenapp.web.access import coordinators, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import GardenForm, TextBox
from gardenapp.words import _, later, told

blueprint = Blueprint("tables", __name__)

HOLDS_WORDS = {
    GARDEN: later("plots and plants"),
    MEMBERS: later("members"),
    COVERS: later("covers"),
    MATERIALS: later("materials"),
}
WHAT_WORDS = {
    "plot": (later("%(num)s plot"), later("%(num)s plots")),
    "planting": (later("%(num)s planting"), later("%(num)s plantings")),
    "member": (later("%(num)s member"), later("%(num)s members")),
    "cover": (later("%(num)s cover"), later("%(num)s covers")),
    "lot": (later("%(num)s material"), later("%(num)s materials")),
    "place": (later("%(num)s place"), later("%(num)s places")),
    "row": (later("%(num)s line"), later("%(num)s lines")),
}
QUESTION_WORDS = {
    "crop": later("crop"),
    "stage": later("stage"),
    "kind": later("kind of cover"),
    "person": later("person"),
}
# What a value is kept as, by the column it comes from where the two differ.
FIELD_COLUMNS = {
    "length_cm": "length",
    "width_cm": "width",
    "bed_width_cm": "bed_width",
    "distance_m": "distance",
    "stage_id": "stage",
    "height_cm": "height",
    "spread_cm": "spread",
    "is_movable": "movable",
    "worth_per": "per",
}
# More lines than this of one kind are counted and not shown one by one.
MOST_LINES = 100
GRID_ROWS, MOST_GRID_ROWS, MOST_CELLS_ROWS = 20, 200, 60
GRID_COLUMNS = {
    GARDEN: ("plot", "length", "width", "holder", "crop", "variety", "count"),
    MEMBERS: ("name", "plots", "language"),
    COVERS: ("kind", "count", "label", "place", "owner"),
    MATERIALS: ("name", "quantity", "unit", "place"),
}
# A form carries half a megabyte; what is longer comes as a file.
MOST_PASTED = 450_000
_CELL = re.compile(r"cell-(\d{1,6})-(\d{1,2})", re.ASCII)


class PastedBox(TextBox):
    """Cells as they were pasted; a first cell that is empty stays one."""

    def process_formdata(self, valuelist: list[Any]) -> None:
        if valuelist:
            self.data = str(valuelist[0]).replace("\r\n", "\n").strip("\n ")


class PasteForm(GardenForm):
    """Cells out of a spreadsheet, or the file itself."""

    pasted = PastedBox(later("Your table"), maximum=MOST_PASTED, required=False)
    file = FileField(later("Or a file: .xlsx, .ods or CSV"))


@blueprint.route("/tables", methods=["GET", "POST"])
@coordinators
def paste() -> Any:
    form = PasteForm()
    if request.method == "GET":
        if request.args.get("example"):
            form.pasted.data = example()
        return _paste_page(form)
    if form.validate():
        file = form.file.data
        data = file.read(MOST_BYTES + 1) if file is not None and file.filename else b""
        text = form.pasted.data or ""
        try:
            if data:
                sheets = read_file(data)
            elif text.strip():
                sheets = read_pasted(text)
            else:
                sheets = ()
                form.pasted.errors = [_("Paste a table, or choose a file.")]
        except UnreadableFile as error:
            field = form.file if data else form.pasted
            field.errors = [_said_of(e) for e in error.errors[:5]]
            sheets = ()
        if sheets:
            sent_as = importing.send(sheets=sheets, member=signed_in_member(), now=now())
            return redirect(url_for(".preview", sent=sent_as), 303)
    return _paste_page(form, status=422)


def _said_of(error: Any) -> str:
    words = str(told(error.message))
    return _("line %(line)s: %(words)s", line=error.line, words=words) if error.line else words


def _paste_page(form: PasteForm, *, status: int = 200) -> tuple[str, int]:
    page = render_template(
        "tables/paste.html",
        form=form,
        holds_words=HOLDS_WORDS,
        holds=HOLDS,
        what=counted,
        imports=importing.last_imports(member=signed_in_member()),
    )
    return page, status


def example() -> str:
    """A few lines to change, with the headings of the reader's language."""
    garden, cover = TITLES[GARDEN], TITLES[COVERS]
    rows = [
        [garden[name] for name in ("plot", "length", "width", "holder", "crop", "count")],
        ["A1", "6 m", "3 m", _("Name Surname"), _("lettuce"), "12"],
        ["A1", "", "", "", _("kale"), "6"],
        [],
        [cover[name] for name in ("kind", "count", "place")],
        [_("Fleece, about 30 g/m²"), "4", _("Shed")],
    ]
    return "\n".join("\t".join(str(cell) for cell in row) for row in rows) + "\n"


@blueprint.route("/tables/<string(maxlength=64):sent>", methods=["GET", "POST"])
@coordinators
def preview(sent: str) -> Any:
    member = signed_in_member()
    if request.method == "POST":
        importing.answer(token=sent, answers=_answers(), member=member)
        if request.form.get("do") != "save":
            return redirect(url_for(".preview", sent=sent), 303)
        try:
            importing.keep(token=sent, member=member, now=now())
        except Refused as error:
            found = importing.preview(token=sent, member=member, now=now())
            return _preview_page(sent, found, message=str(told(error.message))), 422
        return redirect(url_for(".saved", sent=sent), 303)
    try:
        found = importing.preview(token=sent, member=member, now=now())
    except Refused:
        return redirect(url_for(".saved", sent=sent), 303)
    return _preview_page(sent, found)


def _answers() -> dict[str, str]:
    known = re.compile(r"(?:holds|column|crop|stage|kind|person)[\w-]*", re.ASCII)
    return {key: value for key, value in request.form.items() if known.fullmatch(key)}


def _preview_page(sent: str, found: Findings, *, message: str = "") -> str:
    return render_template(
        "tables/preview.html",
        sent=sent,
        found=found,
        message=message,
        holds=HOLDS,
        holds_words=HOLDS_WORDS,
        titles=TITLES,
        questions=[(_kind_of(question.key), question) for question in found.questions],
        question_words=QUESTION_WORDS,
        groups=_groups(found),
        counts=_counts(found),
        most_lines=MOST_LINES,
        address_of=address_of,
        what=counted,
        titles_of=_title_of,
    )


def _title_of(field: str) -> str:
    """A value's name as its column is called."""
    name = FIELD_COLUMNS.get(field, field)
    return next((str(t[name]) for t in TITLES.values() if name in t), name)


def _kind_of(key: str) -> str:
    kind = key.partition("-")[0]
    return "stage" if kind.startswith("stage") else kind


def _groups(found: Findings) -> list[tuple[str, str, list[Any]]]:
    """Lines by what they do, in the order of the list of words; changes first."""
    return [
        (what, verb, lines)
        for verb in ("changed", "made")
        for what in WHAT_WORDS
        if (lines := [x for x in found.lines if x.what == what and x.verb == verb])
    ]


def _counts(found: Findings) -> dict[str, list[str]]:
    """What is made, changed and left, each in words."""
    return {
        verb: [counted(what, n) for what in WHAT_WORDS if (n := found.counts[what, verb])]
        for verb in ("made", "changed", "left")
    }


def counted(what: str, number: int) -> str:
    """So many of something, in words."""
    one, many = WHAT_WORDS[what]
    return str(one if number == 1 else many) % {"num": number}


@blueprint.get("/tables/<string(maxlength=64):sent>/saved")
@coordinators
def saved(sent: str) -> str:
    kept = importing.imported(token=sent, member=signed_in_member())
    return render_template("tables/saved.html", kept=kept, what=counted)


@blueprint.post("/tables/<string(maxlength=64):sent>/back")
@coordinators
def take_back(sent: str) -> Response:
    try:
        stayed = importing.take_back(token=sent, member=signed_in_member(), now=now())
    except Refused as error:
        flash(str(told(error.message)), "bad")
        return redirect(url_for(".saved", sent=sent), 303)
    flash(_("All of it is taken back."), "good")
    for words in stayed:
        flash(str(told(words)))
    return redirect(url_for(".paste"), 303)


@blueprint.get("/tables/download/<string(maxlength=20):which>.csv")
@coordinators
def download(which: str) -> Response:
    """The garden's own tables, to be changed and brought back. With a mark that says UTF-8."""
    text = outgoing.export(which=which, member=signed_in_member())
    answer = Response("\ufeff" + text, mimetype="text/csv; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="{which}.csv"'
    return answer


# --- cells on the page ------------------------------------------------------------------------


@blueprint.route("/tables/grid", methods=["GET", "POST"])
@coordinators
def grid() -> Any:
    """A table typed on the page, line by line."""
    holds = request.values.get("holds", GARDEN)
    if holds not in HOLDS:
        raise NotFound(_("There is no such table."))
    columns = GRID_COLUMNS[holds]
    typed = _cells()
    rows = max([GRID_ROWS, *(row for row, _column in typed)])
    message = ""
    if request.method == "POST" and request.form.get("do") == "more":
        rows = min(rows + GRID_ROWS, MOST_GRID_ROWS)
    elif request.method == "POST":
        header = CellRow(1, tuple(str(TITLES[holds][name]) for name in columns))
        lines = [
            CellRow(row + 1, tuple(typed.get((row, at), "") for at in range(1, len(columns) + 1)))
            for row in range(1, rows + 1)
        ]
        lines = [line for line in lines if any(line.cells)]
        if lines:
            sheet = CellSheet("", (header, *lines))
            sent = importing.send(sheets=(sheet,), member=signed_in_member(), now=now())
            importing.answer(
                token=sent,
                answers={"holds-1": holds}
                | {f"column-1-{at}": name for at, name in enumerate(columns, 1)},
                member=signed_in_member(),
            )
            return redirect(url_for(".preview", sent=sent), 303)
        message = _("Type at least one line.")
    page = render_template(
        "tables/grid.html",
        holds=holds,
        holds_words=HOLDS_WORDS,
        every=HOLDS,
        columns=columns,
        titles=TITLES[holds],
        rows=range(1, rows + 1),
        typed=typed,
        message=message,
        may_grow=rows < MOST_GRID_ROWS,
    )
    return page, 422 if message else 200


def _cells() -> dict[tuple[int, int], str]:
    """What was typed into cells, by row and column."""
    found = {}
    for key, text in request.form.items():
        match = _CELL.fullmatch(key)
        if match and text.strip():
            found[int(match[1]), int(match[2])] = text.strip()
    return {at: text for at, text in found.items() if at[0] <= 1_000_000}


@blueprint.route(
    "/tables/<string(maxlength=64):sent>/<int(max=99):number>", methods=["GET", "POST"]
)
@coordinators
def cells(sent: str, number: int) -> Any:
    """The lines of a waiting table that something is wrong with, to be put right here."""
    member = signed_in_member()
    found = importing.preview(token=sent, member=member, now=now())
    table = next((t for t in found.tables if t.number == number), None)
    if table is None:
        raise NotFound(_("There is no such table."))
    if request.method == "POST":
        changed = {
            (table.sheet_at, row, column): request.form[f"cell-{row}-{column}"]
            for row, column in _named()
        }
        importing.change_cells(token=sent, cells=changed, member=member)
        return redirect(url_for(".preview", sent=sent), 303)
    wrong = {(p.row, p.column): str(told(p.message)) for p in found.problems if p.table == number}
    return render_template(
        "tables/cells.html",
        sent=sent,
        table=table,
        rows=_rows_to_show(table, {row for row, _column in wrong}),
        columns=_columns_to_show(table, {column for _row, column in wrong}),
        wrong=wrong,
        titles=TITLES[table.holds],
        address_of=address_of,
    )


def _named() -> list[tuple[int, int]]:
    return [
        (int(match[1]), int(match[2]))
        for key in request.form
        if (match := _CELL.fullmatch(key)) is not None
    ]


def _columns_to_show(table: TableRead, wrong: set[int | None]) -> list[tuple[Any, str]]:
    """The first column, by which a line is known, then those where something is wrong."""
    every = list(table.columns)
    return sorted(every, key=lambda c: (c != every[0], c[0].number not in wrong))


def _rows_to_show(table: TableRead, wrong: set[int]) -> Sequence[CellRow]:
    rows = [row for row in table.rows if row.number in wrong] or list(table.rows)
    return rows[:MOST_CELLS_ROWS]
