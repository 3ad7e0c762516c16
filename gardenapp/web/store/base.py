"""What the store's pages share: the blueprint, small forms, days, money and keys."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any, TypeVar

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response
from wtforms import HiddenField

from gardenapp.errors import AlreadyClaimed, FieldRefused
from gardenapp.models.people import Member
from gardenapp.science.store.ledger import Impossible
from gardenapp.services.garden.plots import member_choices
from gardenapp.services.store import covers
from gardenapp.services.store.subjects import ONE, Subject
from gardenapp.services.store.things import (
    ACTION_WORDS,
    MARK_WORDS,
    ORIGIN_WORDS,
    RESIN_WORDS,
    SORT_WORDS,
    STATUS_WORDS,
    UNIT_WORDS,
    WENT_WORDS,
    WOOD_WORDS,
    amount,
)
from gardenapp.web.access import signed_in_member
from gardenapp.web.clock import now
from gardenapp.web.fields import Choice, OnceForm, row_id
from gardenapp.web.formats import length_unit, owned, zone
from gardenapp.words import _, later, told

blueprint = Blueprint("store", __name__)

THING_AT = "/store/things/<int(max=2147483647):cover_id>"
LOT_AT = "/store/materials/<int(max=2147483647):lot_id>"
Form = TypeVar("Form", bound="StoreForm")
CONDITION_CHOICES = [
    Choice("sound", later("sound")),
    Choice("worn", later("worn, still does its work")),
    Choice("broken", later("broken, not to be used")),
]
HARM_CHOICES = [
    Choice("broken", later("broken, not to be used")),
    Choice("worn", later("worn, still works")),
]


def today() -> date:
    """The day it is at the garden."""
    return now().astimezone(zone()).date()


def choices_of(words: dict[str, str], *, without: tuple[str, ...] = ()) -> list[Choice]:
    """A table of words as lines of a list."""
    return [Choice(key, label) for key, label in words.items() if key not in without]


def place_choices() -> list[Choice]:
    """Where a thing can be at home."""
    return [Choice("", _("no fixed place"))] + [
        Choice(str(place.id), place.label) for place in covers.list_places()
    ]


def cover_kind_choices() -> list[Choice]:
    """The kinds of cover that there can be covers of: the shelter is a place, not a cover."""
    kinds = [kind for kind in covers.list_kinds() if kind.construction != covers.SHELTER]
    return [Choice(str(kind.id), kind.name) for kind in kinds]


def owner_choices(member: Member, *, present: int | None) -> list[Choice]:
    """Whose a material can be: anyone's for a coordinator, else the garden's or one's own."""
    if member.is_coordinator:
        also = () if present is None else (present,)
        people = [Choice(str(number), name) for number, name in member_choices(also=also)]
        return [Choice("", _("the garden’s")), *people]
    mine = [Choice("", _("the garden’s")), Choice(str(member.id), owned(member.name))]
    return [choice for choice in mine if present is None or choice.value == str(present)] or mine


def people_choices() -> list[Choice]:
    """Whom something can be lent to."""
    return [Choice(str(number), name) for number, name in member_choices()]


def to_id(text: str | None) -> int | None:
    """The id that a list's line stands for; None for its empty line."""
    return int(text) if text else None


class StoreForm(OnceForm):
    """A form of the store, sent once."""

    form_key = HiddenField(name="key")  # phones hold pages that call it so

    def once(self, member: Member, what: str) -> str:
        """The key of this very sheet of paper, as it were; another one's key is another key."""
        return f"{what}-{member.id}-{self.form_key.data}"


def milli(value: float | None) -> int:
    """A typed quantity in thousandths."""
    return round((value or 0) * ONE)


def hundredths(value: float | None) -> int | None:
    """Typed money in hundredths."""
    return None if value is None else round(value * 100)


def usual_due() -> date:
    """Two weeks from today."""
    return today() + timedelta(days=14)


def answer(
    form: Form, do: Callable[[Form], tuple[str, str]], *, again: Callable[[Form], str]
) -> Response | tuple[str, int]:
    """The one shape of the small forms: do it and go on, or show the page with what is wrong.

    `do` gives what to tell and where to go. What was somebody else's luck (lent meanwhile) is
    told on the page, not as a wrong field.
    """
    if form.validate_on_submit():
        try:
            words, go = do(form)
        except FieldRefused as refusal:
            form.take(refusal)
        except (AlreadyClaimed, Impossible) as refusal:
            flash(told(refusal), "bad")
            return again(form), 409
        else:
            flash(words)
            return redirect(go, 303)
    return again(form), 422


def shown(template: str, form: Any, **values: Any) -> str | tuple[str, int]:
    """A page with a form on it, answered as wrong where the form was sent and not taken."""
    page = render_template(template, form=form, **values)
    return (page, 422) if form.is_submitted() else page


def page_of(subject: Subject, endpoint: str = "") -> str:
    """The address of a subject's page, or of another of its endpoints."""
    usual = "lot_page" if subject.is_measured else "thing_page"
    address: dict[str, Any] = {subject.kind.column: subject.id}
    return url_for(f"store.{endpoint or usual}", **address)


def added(labels: tuple[str, ...]) -> str:
    """What to tell of things that were added."""
    if len(labels) == 1:
        return _("Added: %(labels)s. Write the label on it.", labels=labels[0])
    return _(
        "Added: %(labels)s to %(labels2)s. Write the labels on them.",
        labels=labels[0],
        labels2=labels[-1],
    )


def when(moment: datetime) -> str:
    """A moment's day at the garden: `24 Nov 2026`."""
    local = moment.astimezone(zone())
    return f"{local.day} {local:%b %Y}"


def page_number() -> int:
    """Which page of a list was asked for; anything odd is the first."""
    text = request.args.get("page", "1")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 6 else 1


def asked_id(name: str) -> int | None:
    """An id from the address; anything odd is none."""
    return row_id(request.args.get(name, ""))


@blueprint.app_template_filter("amount")
def amount_filter(quantity_milli: int, unit: str) -> str:
    return amount(quantity_milli, unit)


@blueprint.app_template_filter("money")
def money(value: float | None) -> str:
    """Money from hundredths: `12.50`. The garden knows what it pays with."""
    return _("not known") if value is None else f"{value / 100:.2f}"


@blueprint.app_template_filter("kilos")
def kilos(value: float | None) -> str:
    """A mass: `2.35 kg`, `85 g`."""
    if value is None:
        return _("not known")
    space = "\N{NARROW NO-BREAK SPACE}"
    return f"{value * 1000:.0f}{space}g" if value < 1 else f"{value:.2f}{space}kg"


@blueprint.app_template_filter("day")
def short_day(value: date | datetime | None) -> str:
    """A day: `24 Nov 2026`."""
    if value is None:
        return _("not known")
    if isinstance(value, datetime):
        return when(value)
    return f"{value.day} {value:%b %Y}"


@blueprint.app_template_filter("timber_length")
def timber_length(value_mm: float | None) -> str:
    """A length of timber in the reader's unit: `240 cm`, `94.5 in`."""
    if value_mm is None:
        return ""
    space = "\N{NARROW NO-BREAK SPACE}"
    if length_unit() == "inch":
        return f"{value_mm / 25.4:.1f}".removesuffix(".0") + _("%(space)sin", space=space)
    return f"{value_mm / 10:.1f}".removesuffix(".0") + _("%(space)scm", space=space)


@blueprint.context_processor
def words() -> dict[str, Any]:
    return {
        "today": today(),
        "page_of": page_of,
        "STATUS": STATUS_WORDS,
        "ACTION": ACTION_WORDS,
        "WENT": WENT_WORDS,
        "ORIGIN": ORIGIN_WORDS,
        "RESIN": RESIN_WORDS,
        "MARK": MARK_WORDS,
        "WOOD": WOOD_WORDS,
        "SORT": SORT_WORDS,
        "UNIT": UNIT_WORDS,
    }


def me() -> Member:
    """Who is signed in."""
    return signed_in_member()
