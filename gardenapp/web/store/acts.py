"""What can be done to a thing or a material on its page: one table, and the one way it is done.

`ACTS` says for each act its form, when it is offered, its words and what is told when it is
done. Each line makes one address that takes the form; a page shows those that it offers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from flask import render_template, request, url_for
from werkzeug.wrappers import Response

from gardenapp.errors import FieldRefused
from gardenapp.services.clockwork import tonight
from gardenapp.services.kept_plans import needed_tonight
from gardenapp.services.store import acts, lending, lots, reuse, things
from gardenapp.services.store.lots import LotPage
from gardenapp.services.store.subjects import MATERIAL, THING, Subject, SubjectKind
from gardenapp.services.store.things import ThingPage
from gardenapp.web.access import members
from gardenapp.web.clock import now
from gardenapp.web.store import forms
from gardenapp.web.store.base import (
    LOT_AT,
    THING_AT,
    added,
    answer,
    blueprint,
    me,
    milli,
    page_of,
    today,
)
from gardenapp.web.store.forms import ActForm
from gardenapp.web.store.photos import keep_photo
from gardenapp.words import _, later

Words = str | Callable[[Any], str]


@dataclass(frozen=True)
class Act:
    """Something that can be done to one kind of subject.

    `name` names its form on the page and begins the names of its fields; `at` ends its address
    where that is another word. `do` does it, and may say itself what to tell and where to go.
    `by_button` is the field that a button with a number on it stands for.
    """

    kind: SubjectKind
    name: str
    endpoint: str
    form: Callable[..., ActForm]
    offered: Callable[[Any], bool]
    title: Words
    button: Words
    done: str = later("Saved.")
    do: Callable[[Subject, Any, str], tuple[str, str] | None] | None = None
    at: str = ""
    look: str = "main"
    by_button: str = ""
    is_open: bool = False  # while nothing else on the page is
    takes_file: bool = False


@dataclass(frozen=True)
class Shown:
    """An act as its page shows it."""

    name: str
    form: ActForm
    title: str
    button: str
    action: str
    look: str
    is_open: bool
    takes_file: bool
    needed_on: str = ""


# --- doing it ---------------------------------------------------------------------------------


def _said_by(form: ActForm, key: str) -> dict[str, Any]:
    return {"happening": form.happening(), "member": me(), "now": now(), "form_key": key}


def _write(subject: Subject, form: ActForm, key: str) -> None:
    acts.do(subject=subject, **_said_by(form, key))


def needed_on(subject: Subject) -> str:
    """The plot that tonight's plan puts a thing on; empty where it is free."""
    if subject.is_measured:
        return ""
    return needed_tonight(subject.id, tonight(now())) or ""


def _ask_once(subject: Subject, is_offered: Callable[[ThingPage], bool]) -> None:
    """What tonight's plan counts on is given away only by somebody who knows that it does."""
    page = get_page(subject)
    if isinstance(page, LotPage) or not is_offered(page):
        return  # whether they may at all is said first
    plot = needed_on(subject)
    if plot and not request.form.get("despite"):
        raise FieldRefused(
            "despite",
            _(
                "It is needed tonight on %(plot)s. Tick the box to give it away all the same.",
                plot=plot,
            ),
        )


def _lend(subject: Subject, form: ActForm, key: str) -> None:
    _ask_once(subject, lambda page: page.may_lend or page.may_borrow)
    lending.lend(subject=subject, today=today(), **_said_by(form, key))


def _retire(subject: Subject, form: forms.RetireForm, key: str) -> None:
    _ask_once(subject, lambda page: page.may_retire)
    acts.retire_thing(cover_id=subject.id, keep_part_ids=form.kept_parts(), **_said_by(form, key))


def _put_in(subject: Subject, form: forms.PartForm, key: str) -> None:
    if not form.lot_id.data:
        raise FieldRefused("lot_id", _("Choose a material."))
    lots.put_in(
        cover_id=subject.id,
        lot_id=int(form.lot_id.data),
        quantity_milli=milli(form.quantity.data),
        member=me(),
        now=now(),
        form_key=key,
    )


def _cut(subject: Subject, form: Any, key: str) -> None:
    who: dict[str, Any] = {"member": me(), "now": now(), "form_key": key}
    if isinstance(form, forms.CutRollForm):
        piece_m, pieces = round(float(form.piece.data or 0), 3), int(form.pieces.data or 0)
        lots.cut_from_roll(lot_id=subject.id, piece_m=piece_m, pieces=pieces, **who)
        return
    lots.cut_lengths(
        lot_id=subject.id,
        lengths=int(form.lengths.data),
        piece_mm=round(float(form.piece.data) * 10, 1),
        each=int(form.each.data),
        kerf_mm=float(form.kerf_mm.data),
        keep_offcut=form.keep_offcut.data,
        **who,
    )


def _picture(subject: Subject, form: forms.PhotoForm, _key: str) -> None:
    keep_photo(subject, form.photo.data)


def _again(subject: Subject, form: forms.AgainForm, key: str) -> tuple[str, str]:
    labels = things.add_like(
        cover_id=subject.id,
        how_many=int(form.how_many.data or 0),
        member=me(),
        now=now(),
        form_key=key,
    )
    return added(labels), page_of_label(labels[-1])


def page_of_label(label: str) -> str:
    """The address of the thing that is called so."""
    return url_for("store.thing_page", cover_id=things.find_by_label(label=label))


# --- when it is offered -----------------------------------------------------------------------


def _handled(page: ThingPage | LotPage) -> bool:
    return page.may_handle


def _some_there(page: LotPage) -> bool:
    return page.may_handle and page.on_hand_milli > 0


def _can_be_cut(page: LotPage) -> bool:
    return _some_there(page) and (page.entry.unit == "m" or page.entry.length_mm is not None)


def _can_be_damaged(page: ThingPage) -> bool:
    return page.status != "retired" and page.condition != "broken"


def _can_be_mended(page: ThingPage) -> bool:
    return page.may_handle and page.condition != "sound"


def _lend_or_borrow(lend: str, borrow: str) -> Callable[[ThingPage | LotPage], str]:
    return lambda page: lend if page.may_lend else borrow


_LEND_IT = _lend_or_borrow(later("Lend it"), later("Borrow it"))
_LEND_SOME = _lend_or_borrow(later("Lend some"), later("Borrow some"))
_BACK, _PICTURE = later("It is back"), later("Picture saved.")
_thing, _lot = partial(Act, THING), partial(Act, MATERIAL)
# kind(name, endpoint, form, offered, title, button, what is told when it is done, what does it)
ACTS: tuple[Act, ...] = (
    _thing("lend", "lend_thing", forms.LendForm, lambda page: page.may_borrow or page.may_lend,
           _LEND_IT, _LEND_IT,
           later("Lent. It is off the list for tonight until it is back."), _lend),
    _thing("back", "return_thing", forms.BackForm, lambda page: page.may_return,
           _BACK, _BACK, later("It is back."), is_open=True),
    _thing("move", "move_thing", forms.MoveForm, _handled,
           later("It is kept elsewhere"), later("Keep it there"), later("Moved.")),
    _thing("damage", "damage_thing", forms.DamageForm, _can_be_damaged,
           later("It is damaged"), later("Add it")),
    _thing("mend", "mend_thing", forms.MendForm, _can_be_mended,
           later("It is mended"), later("It is sound again"), later("Mended. Thank you.")),
    _thing("retire", "retire_thing", forms.RetireForm, lambda page: page.may_retire,
           later("It leaves the garden"), later("It leaves"),
           later("It has left the shed. Its history stays."), _retire, look="warn"),
    _thing("part", "put_in", forms.PartForm, lambda page: page.may_retire,
           later("It is made of…"), later("Take it from the shed"),
           later("Saved as a part of it."), _put_in, at="parts"),
    _thing("again", "add_like", forms.AgainForm, lambda page: page.status != "retired",
           later("Another number of them"), later("Add them"), do=_again, look="plain",
           by_button="how_many"),
    _thing("photo", "thing_photo", forms.PhotoForm, _handled,
           later("Picture"), later("Save the picture"), _PICTURE, _picture, look="plain",
           takes_file=True),
    _lot("more", "more_lot", forms.MoreForm, _handled,
         later("More came"), later("It came"), look="plain", by_button="quantity"),
    _lot("use", "use_lot", forms.UseForm, _some_there,
         later("Some is gone"), later("It is gone"), by_button="quantity"),
    _lot("count", "count_lot", forms.CountForm, _handled,
         later("Count it"), later("So much is there"), later("Counted.")),
    _lot("cut", "cut_lot", forms.cut_form, _can_be_cut, later("Cut pieces"), later("They are cut"),
         later("Cut. The pieces are materials of their own now."), _cut),
    _lot("lend", "lend_lot", forms.LendForm,
         lambda page: page.may_borrow and page.on_hand_milli > 0,
         _LEND_SOME, _LEND_IT, later("Lent."), _lend),
    _lot("back", "return_lot", forms.SomeBackForm,
         lambda page: any(loan.may_return for loan in page.loans),
         later("Some is back"), _BACK, later("It is back.")),
    _lot("out", "out_lot", forms.OutForm, _handled,
         later("Used on a plot"), later("Add it")),
    _lot("condition", "condition_lot", forms.ConditionForm, lambda page: True,
         later("How it is"), later("Add it")),
    _lot("move", "move_lot", forms.MoveForm, _handled,
         later("Kept elsewhere"), later("Keep it there"), later("Moved.")),
    _lot("photo", "lot_photo", forms.PhotoForm, _handled,
         later("Picture"), later("Save the picture"), _PICTURE, _picture, look="plain",
         takes_file=True),
)  # fmt: skip


# --- pages ------------------------------------------------------------------------------------


def get_page(subject: Subject) -> ThingPage | LotPage:
    """What a subject's page tells, and what the signed-in member may do. Raises NotFound."""
    if subject.is_measured:
        return lots.get_lot(lot_id=subject.id, member=me(), today=today())
    return things.get_thing(cover_id=subject.id, member=me())


def show(subject: Subject, name: str = "", sent: ActForm | None = None) -> str:
    """The page of a thing or a material, with a form that was sent and could not be taken."""
    page = get_page(subject)
    shown = {
        act.name: _shown(act, page, sent if act.name == name else None, name)
        for act in ACTS
        if act.kind == subject.kind and (act.name == name or act.offered(page))
    }
    if isinstance(page, LotPage):
        return render_template("store/lot.html", lot=page, acts=shown, form=sent)
    used = reuse.thing_reuse(cover_id=subject.id, now=now())
    return render_template("store/thing.html", thing=page, acts=shown, form=sent, reuse=used)


def _shown(act: Act, page: ThingPage | LotPage, sent: ActForm | None, opened: str) -> Shown:
    return Shown(
        name=act.name,
        form=sent if sent is not None else act.form(page, act.name),
        title=act.title(page) if callable(act.title) else act.title,
        button=act.button(page) if callable(act.button) else act.button,
        action=page_of(page.subject, act.endpoint),
        look=act.look,
        is_open=act.name == opened or (act.is_open and not opened),
        takes_file=act.takes_file,
        needed_on=needed_on(page.subject) if act.do in (_lend, _retire) else "",
    )


def _fill_by_button(form: ActForm, name: str) -> None:
    """A button with a number stands for the field: `+1` and `+5` need no typing."""
    number = request.form.get("n", "")
    if name and number in {"1", "5"}:
        field: Any = form[name]
        field.data, field.typed, field.process_errors = int(number), number, []


def _view(act: Act) -> Callable[..., Response | tuple[str, int]]:
    def take(**address: int) -> Response | tuple[str, int]:
        subject = Subject(act.kind, *address.values())
        form = act.form(get_page(subject), act.name, is_sent=True)
        _fill_by_button(form, act.by_button)
        do = act.do or _write

        def done(sent: ActForm) -> tuple[str, str]:
            key = sent.once(me(), f"{act.name}-{act.kind.name}-{subject.id}")
            return do(subject, sent, key) or (str(act.done), page_of(subject))

        return answer(form, done, again=lambda sent: show(subject, act.name, sent))

    take.__name__ = act.endpoint
    return members(take)


for _act in ACTS:
    blueprint.add_url_rule(
        f"{THING_AT if _act.kind == THING else LOT_AT}/{_act.at or _act.name}",
        view_func=_view(_act),
        methods=["POST"],
    )
