"""The night on paper, for whoever has no phone: the gate's sheet, slips, and typing ticks in."""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from gardenapp.errors import FieldRefused
from gardenapp.readers.job_numbers import TypedNumbers, read_numbers, shortly
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.services.garden.map import get_map
from gardenapp.services.night import paper, ticked
from gardenapp.services.night.paper import PlaceOnSheet
from gardenapp.services.night.plan_words import treatment_words
from gardenapp.services.night.ticked import Meaning, NotMarked, Sheet, Ticked
from gardenapp.services.night.tonight import BoardJob, TonightPage
from gardenapp.services.night.walks import Walk
from gardenapp.services.night.why_empty import why_empty
from gardenapp.web.access import board_readers, members, signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import NumberField, OnceForm, TextBox, row_id
from gardenapp.web.formats import clock, weight
from gardenapp.web.night import board_words
from gardenapp.web.night.board import blueprint
from gardenapp.web.night.map import draw_tonight
from gardenapp.web.night.today import (
    flies,
    joined_labels,
    plants_text,
    sign_of_job,
    walk_title,
    what_text,
)
from gardenapp.web.qr import qr_code
from gardenapp.words import _, later, said, told

SIZES = ("normal", "large")
LARGEST_SHEET = 999_999_999


@dataclass(frozen=True)
class Row:
    """A job as paper shows it.

    evening, morning : "yes" where the board says so already, "no" where there is something to
    tick, "" where there is nothing to.
    """

    job: BoardJob
    number: int
    sign: str
    what: str
    elsewhere: tuple[tuple[str, str], ...]
    plants: str
    cautions: tuple[str, ...]
    evening: str
    morning: str


@dataclass(frozen=True)
class Part:
    """A place on the sheet, or a slip to tear off, with its rows."""

    title: str
    note: str
    rows: tuple[Row, ...]
    load: tuple[str, ...] = ()
    walk: Walk | None = None


class TickedForm(OnceForm):
    """Numbers ticked on a sheet."""

    sheet = NumberField(later("Number of the sheet"), minimum=1, maximum=LARGEST_SHEET, whole=True)
    evening = TextBox(later("Evening: numbers that are on"), required=False)
    morning = TextBox(later("Morning: numbers that are off"), required=False)


@blueprint.get("/tonight/sheet")
@board_readers
def sheet() -> str:
    """The sheet for the gate, of as many pages as it takes."""
    at = now()
    found = paper.gate_sheet(now=at)
    rows = _rows(found.page, found.numbers)
    return render_template(
        "board/sheet.html",
        why_empty=why_empty,
        page=found.page,
        parts=[_part(place, rows) for place in found.places],
        jobs=len(found.numbers),
        no_cover=found.no_cover,
        at_risk=found.at_risk,
        drawing=draw_tonight(found.page, get_map(), at, has_links=False),
        **_heading(found.page, at),
    )


@blueprint.get("/tonight/slips")
@board_readers
def slips() -> str:
    """A slip to tear off for each walk that is still to be done."""
    at = now()
    found = paper.slips(now=at)
    rows = _rows(found.page, found.numbers)
    return render_template(
        "board/slips.html",
        why_empty=why_empty,
        page=found.page,
        parts=[_slip(walk, rows) for walk in found.walks],
        left_out=found.left_out,
        **_heading(found.page, at),
    )


def _heading(page: TonightPage, at: datetime) -> dict[str, Any]:
    name = ""
    if page.plan_id is not None and page.made_at is not None:
        name = _sheet_name(Sheet(page.plan_id, page.made_at, is_current=True))
    size = request.args.get("size", "")
    return {
        "size": size if size in SIZES else SIZES[0],
        "sheet_name": name,
        "qr": qr_code(url_for("board.tonight", _external=True)),
        "typing": url_for("board.ticked_page", _external=True),
        "words": board_words,
        "now": at,
    }


def _sheet_name(found: Sheet) -> str:
    return _("Sheet %(number)s, plan of %(at)s", number=found.number, at=clock(found.made_at))


def _part(place: PlaceOnSheet, rows: Mapping[int, Row]) -> Part:
    return Part(
        title=walk_title(Walk(place.place, place.note, place.jobs)),
        note=place.note,
        rows=tuple(rows[job.id] for job in place.jobs),
    )


def _slip(walk: Walk, rows: Mapping[int, Row]) -> Part:
    here = [c.label for job in walk.jobs for c in job.covers if c.place == (walk.place or "")]
    return Part(
        title=walk_title(walk),
        note=walk.note,
        rows=tuple(rows[job.id] for job in walk.jobs),
        load=tuple(here),
        walk=walk,
    )


def _rows(page: TonightPage, numbers: Mapping[int, int]) -> dict[int, Row]:
    stories = {story.planting_id: story for story in page.rows}
    gust_mps = page.header.gust_mps if page.header is not None else None
    return {
        job.id: _row(job, numbers.get(job.id, 0), stories, gust_mps=gust_mps) for job in page.jobs
    }


def _row(
    job: BoardJob, number: int, stories: Mapping[int, PlantingStory], *, gust_mps: float | None
) -> Row:
    place = job.covers[0].place if job.covers else None
    evening, morning = _boxes(job)
    return Row(
        job=job,
        number=number,
        sign=sign_of_job(job),
        what=what_text(job),
        elsewhere=tuple(
            (name or _("no fixed place"), joined_labels(labels))
            for name, labels in paper.from_elsewhere(job, place)
        ),
        plants=plants_text(job, stories),
        cautions=tuple(_cautions(job, gust_mps)),
        evening=evening,
        morning=morning,
    )


def _boxes(job: BoardJob) -> tuple[str, str]:
    if job.must_come_off:
        return ("no" if job.state == "on" else "yes"), ""
    if job.state == "struck":
        return "", ""
    return (
        "yes" if job.state in {"on", "off"} else "no",
        "yes" if job.state == "off" else "no",
    )


def _cautions(job: BoardJob, gust_mps: float | None) -> list[str]:
    """All that can hurt or fly; paper has nobody to ask."""
    found = []
    if job.needs_two and job.mass_kg is not None:
        found.append(_("two people, about %(mass)s", mass=weight(job.mass_kg)))
    if job.is_glass:
        found.append(_("glass: gloves on"))
    if job.is_icy:
        found.append(_("ice by then"))
    if flies(job, gust_mps):
        found.append(_("weigh it down"))
    return found


# --- typing in what was ticked ------------------------------------------------------------------


@blueprint.route("/tonight/ticked", methods=["GET", "POST"])
@members
def ticked_page() -> Response | str | tuple[str, int]:
    """Numbers off a ticked sheet: all good ones are marked in one go, the others stay typed."""
    at = now()
    form = TickedForm(data={"sheet": _sheet_asked_for() or ticked.only_sheet(now=at)})
    found: Ticked | None = None
    if form.validate_on_submit():
        found = _mark(form, at)
        if found is not None and not form.errors:
            flash(" ".join(_done_words(found)))
            if replaced := _replaced_words(found):
                flash(replaced, "warn")
            return redirect(url_for(".ticked_page", sheet=found.sheet.number), 303)
        if found is not None:
            form.form_key.data = secrets.token_hex(16)
    shown = render_template(
        "board/ticked.html",
        form=form,
        done=_done_words(found) if found is not None else [],
        replaced=_replaced_words(found) if found is not None else "",
    )
    return (shown, 422) if form.errors else shown


def _sheet_asked_for() -> int | None:
    return row_id(request.args.get("sheet", ""))


def _mark(form: TickedForm, at: datetime) -> Ticked | None:
    evening, morning = read_numbers(form.evening.data or ""), read_numbers(form.morning.data or "")
    if not any((evening.numbers, evening.unread, morning.numbers, morning.unread)):
        form.take(FieldRefused("evening", _("Type at least one number.")))
        return None
    try:
        found = ticked.mark_ticked(
            sheet=int(form.sheet.data or 0),
            evening=evening.numbers,
            morning=morning.numbers,
            member_id=signed_in_member().id,
            now=at,
            key=str(form.form_key.data),
        )
    except FieldRefused as refusal:
        form.take(refusal)
        return None
    _keep(form.evening, evening, found.evening_refused)
    _keep(form.morning, morning, found.morning_refused)
    return found


def _keep(field: Any, typed: TypedNumbers, refused: Sequence[NotMarked]) -> None:
    """Leave in a field what was not marked, and say beside it why."""
    errors = [f"{piece.text}: {told(piece.why)}." for piece in typed.unread]
    unknown: dict[str, list[int]] = {}
    for line in refused:
        if line.meaning is None:
            unknown.setdefault(line.why, []).append(line.number)
        else:
            errors.append(
                _(
                    "%(number)s (%(meaning)s): %(why)s.",
                    number=line.number,
                    meaning=_meaning_text(line.meaning),
                    why=line.why.rstrip("."),
                )
            )
    errors += [f"{shortly(numbers)}: {why}." for why, numbers in unknown.items()]
    not_marked = {line.number for line in refused}
    twice = [number for number in typed.twice if number not in not_marked]
    if twice:
        errors.append(
            _(
                "%(numbers)s: typed twice and marked once. Was another number meant?",
                numbers=shortly(twice),
            )
        )
    field.errors = [" ".join(errors)] if errors else []
    pieces = [piece.text for piece in typed.unread]
    kept = shortly([*not_marked, *twice])
    field.data = ", ".join([*pieces, *([kept] if kept else [])])


def _meaning_text(meaning: Meaning) -> str:
    """What a number means: what goes where, over which plants."""
    what = joined_labels(meaning.labels) if meaning.labels else treatment_words(meaning.name)
    plants = [f"{number} {said(name)}" for number, name in meaning.plants]
    return ", ".join([f"{what} → {meaning.plot}", *plants])


def _done_words(found: Ticked) -> list[str]:
    lines = (
        (found.on, later("Now on: %(numbers)s.")),
        (found.off, later("Now off: %(numbers)s.")),
        (found.before, later("Marked before: %(numbers)s.")),
        (found.again, later("Had been on and are off again, left so: %(numbers)s.")),
    )
    return [str(words) % {"numbers": shortly(numbers)} for numbers, words in lines if numbers]


def _replaced_words(found: Ticked) -> str:
    if found.in_force is None or found.in_force.number == found.sheet.number:
        return ""
    return _(
        "%(old)s, was replaced by %(new)s. Only work that is the same in both was marked. Print "
        "the new sheet.",
        old=_sheet_name(found.sheet),
        new=_sheet_name(found.in_force),
    )
