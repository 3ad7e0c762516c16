"""The small forms on the page of a thing or a material: what somebody says happened to it.

Each form knows its page, so that its lists and limits fit what it is about, and says what it was
filled with as one happening of the ledger.
"""

from __future__ import annotations

from typing import Any

from flask_wtf.file import FileField
from wtforms import BooleanField

from gardenapp.errors import FieldRefused
from gardenapp.services.store import lots, things
from gardenapp.services.store.covers import MOST_AT_ONCE
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import USUAL_KERF_MM, LotPage
from gardenapp.services.store.things import UNIT_WORDS, WENT_WORDS, ThingPage
from gardenapp.web.fields import (
    Choice,
    DayField,
    MeasureField,
    NumberField,
    PickField,
    TextLine,
    TicksField,
)
from gardenapp.web.store.base import (
    CONDITION_CHOICES,
    HARM_CHOICES,
    StoreForm,
    choices_of,
    me,
    milli,
    people_choices,
    place_choices,
    timber_length,
    to_id,
    usual_due,
)
from gardenapp.words import _, later

Page = ThingPage | LotPage


class QuantityField(NumberField):
    """How much of a material, in its own unit; pieces are whole."""

    def __init__(self, label: str, *, minimum: float = 0.001, **kwargs: Any) -> None:
        super().__init__(label, minimum=minimum, maximum=1_000_000, **kwargs)
        self.type = "NumberField"  # the page draws it like any other number
        self.unit = ""

    def fit(self, unit: str) -> None:
        """Count in this unit from now on."""
        self.unit, self.whole = UNIT_WORDS[unit], unit == "piece"


class ActForm(StoreForm):
    """What happened to a thing or a material, as somebody says it on its page."""

    action = ""  # the ledger's name for it

    def __init__(self, page: Page, name: str, *, is_sent: bool = False) -> None:
        self.page, self.is_sent = page, is_sent
        super().__init__(prefix=f"{name}-", data=self.start(page))

    def process(self, *args: Any, **kwargs: Any) -> None:
        # Before what was sent is read: what a field takes depends on what the form is about.
        self.fit(self.page)
        super().process(*args, **kwargs)

    def start(self, page: Any) -> dict[str, Any]:
        """What its fields hold at first."""
        return {}

    def fit(self, page: Any) -> None:
        """Lists, limits and units for what the page is about."""
        for field in self:
            if isinstance(field, QuantityField):
                field.fit(page.entry.unit)

    def leave_out(self, *names: str) -> None:
        """Be without these fields."""
        for name in names:
            del self[name]

    def said(self, name: str) -> Any:
        """What a field holds; None where the form is without it, or it is empty."""
        field = self._fields.get(name)
        return field.data if field is not None and field.data != "" else None

    def happening(self) -> Happening:
        """What was said, as the ledger takes it. Raises FieldRefused."""
        quantity, who = self.said("quantity"), self.said("to_id") or self.said("from_id")
        return Happening(
            self.action,
            quantity_milli=None if "quantity" not in self else milli(quantity),
            place_id=to_id(self.said("place_id")),
            other_member_id=to_id(who),
            due_on=self.said("due_on"),
            condition=self.said("condition"),
            plot_id=to_id(self.said("plot_id")),
            went_to=self.said("went_to"),
            note=self.said("note") or "",
        )


class LendForm(ActForm):
    """To whom, until when; of a material also how much, of a thing a word about it."""

    action = "lent"
    quantity = QuantityField(later("How much"))
    to_id = PickField(later("To whom"))
    due_on = DayField(later("Back by"), required=True)
    note = TextLine(later("Note"), required=False, maximum=200)

    def start(self, page: Page) -> dict[str, Any]:
        return {"to_id": str(me().id), "due_on": usual_due()}

    def fit(self, page: Page) -> None:
        self.leave_out("note" if page.subject.is_measured else "quantity")
        super().fit(page)
        member = me()
        alone = [Choice(str(member.id), member.name)]
        self.to_id.choices = people_choices() if page.may_own else alone


class BackForm(ActForm):
    """A thing came back: where to, and how it is."""

    action = "returned"
    place_id = PickField(later("Put back at"), place_choices)
    condition = PickField(later("Its condition"), CONDITION_CHOICES)
    note = TextLine(later("Note"), required=False, maximum=200)

    def start(self, page: ThingPage) -> dict[str, Any]:
        return {"place_id": page.place_id, "condition": page.condition}


class SomeBackForm(ActForm):
    """Some of a material came back: from whom, and how much."""

    action = "returned"
    from_id = PickField(later("From whom"))
    quantity = QuantityField(later("How much"))

    def start(self, page: LotPage) -> dict[str, Any]:
        first = next((loan for loan in page.loans if loan.may_return), None)
        if first is None:
            return {}
        return {"from_id": first.member_id, "quantity": first.quantity_milli / 1000}

    def fit(self, page: LotPage) -> None:
        super().fit(page)
        self.from_id.choices = [
            Choice(
                str(loan.member_id),
                _(
                    "%(member)s has %(quantity_milli)s",
                    member=loan.member,
                    quantity_milli=f"{loan.quantity_milli / 1000:g}",
                ),
            )
            for loan in page.loans
            if loan.may_return
        ]


class MoveForm(ActForm):
    """Another home."""

    action = "moved"
    place_id = PickField(later("Where it is kept"), place_choices)

    def start(self, page: Page) -> dict[str, Any]:
        return {"place_id": page.place_id}


class DamageForm(ActForm):
    """What is wrong with a thing."""

    action = "damaged"
    condition = PickField(later("It is"), HARM_CHOICES)
    note = TextLine(later("What is wrong"), required=False, maximum=200)


class MendForm(ActForm):
    """A thing is sound again."""

    action = "mended"
    note = TextLine(later("What was done"), required=False, maximum=200)

    def happening(self) -> Happening:
        return Happening(self.action, condition="sound", note=self.said("note") or "")


class ConditionForm(ActForm):
    """How a material is: worn, broken, or sound again."""

    condition = PickField(later("It is"), CONDITION_CHOICES)
    note = TextLine(later("Note"), required=False, maximum=200)

    @property
    def action(self) -> str:  # type: ignore[override]
        return "mended" if self.condition.data == "sound" else "damaged"

    def start(self, page: LotPage) -> dict[str, Any]:
        return {"condition": page.condition}


class RetireForm(ActForm):
    """Where a thing went, and which of its parts are worth keeping."""

    action = "retired"
    went_to = PickField(later("Where it went"))
    keep = TicksField(
        later("Parts that go back to the shed"), description=later("Only where it is taken apart.")
    )
    note = TextLine(later("Why"), required=False, maximum=200)

    def start(self, page: ThingPage) -> dict[str, Any]:
        if page.parts:
            return {"went_to": "parts", "keep": [str(part.id) for part in page.parts]}
        return {"went_to": "recycled"}

    def fit(self, page: ThingPage) -> None:
        self.went_to.choices = choices_of(WENT_WORDS, without=() if page.parts else ("parts",))
        self.keep.choices = [
            Choice(str(part.id), f"{things.amount(part.quantity_milli, part.unit)} {part.name}")
            for part in page.parts
        ]

    def kept_parts(self) -> tuple[int, ...]:
        """The ids of the parts that go back; none unless it is taken apart."""
        is_parts = self.went_to.data == "parts"
        return tuple(int(value) for value in self.keep.data or ()) if is_parts else ()


class UseForm(ActForm):
    """How much of a material is gone, and where to."""

    action = "retired"
    quantity = QuantityField(later("How much"))
    went_to = PickField(later("Where it went"), choices_of(WENT_WORDS, without=("parts",)))
    note = TextLine(later("Note"), required=False, maximum=200)

    def start(self, page: LotPage) -> dict[str, Any]:
        return {"went_to": "used up"}


class MoreForm(ActForm):
    """More of a material came."""

    action = "acquired"
    quantity = QuantityField(later("How much more"))


class CountForm(ActForm):
    """So much of a material is there."""

    action = "counted"
    quantity = QuantityField(later("So much is there"), minimum=0)

    def start(self, page: LotPage) -> dict[str, Any]:
        # A count has to be said: one that was sent without a figure is not what is expected.
        return {} if self.is_sent else {"quantity": page.on_hand_milli / 1000}


class OutForm(ActForm):
    """Some of a material is used on a plot for a while, or is back from there."""

    way = PickField(
        later("What happened"),
        [Choice("out", later("taken to")), Choice("back", later("back from"))],
    )
    plot_id = PickField(
        later("Plot"),
        lambda: [
            Choice("", later("choose one")),
            *(Choice(str(plot_id), name) for plot_id, name in lots.plot_choices()),
        ],
    )
    quantity = QuantityField(later("How much"))

    @property
    def action(self) -> str:  # type: ignore[override]
        return "brought back" if self.way.data == "back" else "deployed"

    def start(self, page: LotPage) -> dict[str, Any]:
        return {"way": "out"}

    def happening(self) -> Happening:
        if not self.plot_id.data:
            raise FieldRefused("plot_id", _("Choose a plot."))
        return super().happening()


class CutRollForm(ActForm):
    """Pieces from a roll."""

    pieces = NumberField(later("Pieces"), minimum=1, maximum=1_000, whole=True)
    piece = MeasureField(later("Of what length"), kind="distance", minimum=0.05, maximum=500)

    def start(self, page: LotPage) -> dict[str, Any]:
        return {"pieces": 1}


class CutLengthsForm(ActForm):
    """Pieces from lengths of timber, and what the saw takes."""

    lengths = NumberField(later("Lengths to cut"), minimum=1, maximum=1_000, whole=True)
    each = NumberField(later("Pieces from each"), minimum=1, maximum=200, whole=True)
    piece = MeasureField(later("Of what length"), kind="length", minimum=1, maximum=2_000)
    kerf_mm = NumberField(
        later("Saw cut, mm"),
        minimum=0,
        maximum=10,
        description=later("Each cut turns so much into sawdust."),
    )
    keep_offcut = BooleanField(later("Save the offcuts"))

    def start(self, page: LotPage) -> dict[str, Any]:
        return {"lengths": 1, "kerf_mm": USUAL_KERF_MM, "keep_offcut": True}

    def fit(self, page: LotPage) -> None:
        length = timber_length(page.entry.length_mm)
        self.lengths.description = _("Each is %(length)s.", length=length)
        self.kerf_mm.unit = "mm"


def cut_form(page: LotPage, name: str, *, is_sent: bool = False) -> ActForm:
    """The form for cutting what this page is about."""
    form = CutRollForm if page.entry.unit == "m" else CutLengthsForm
    return form(page, name, is_sent=is_sent)


class AgainForm(ActForm):
    """More things like this one."""

    how_many = NumberField(later("How many more"), minimum=1, maximum=MOST_AT_ONCE, whole=True)

    def start(self, page: ThingPage) -> dict[str, Any]:
        return {} if self.is_sent else {"how_many": 1}


class PartForm(ActForm):
    """A thing is made of so much of a material."""

    lot_id = PickField(
        later("Material"),
        lambda: [
            Choice("", later("choose one")),
            *(
                Choice(
                    str(lot_id),
                    _("%(name)s (%(there)s there)", name=name, there=things.amount(there, unit)),
                )
                for lot_id, name, unit, there in lots.list_lots(member=me())
            ),
        ],
    )
    quantity = NumberField(later("How much, in its unit"), minimum=0.001, maximum=100_000)


class PhotoForm(ActForm):
    """One picture of it."""

    photo = FileField(
        later("Picture"),
        description=later(
            "JPEG, PNG or WebP up to 3.9 MB. We don’t save where and when it was taken."
        ),
    )
