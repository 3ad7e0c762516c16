"""What the entries of a ledger add up to: one thing's state, or one lot's.

Entries are numbers, names and dates; people, places and plots are ids. A state is never
changed: `apply_to_thing` and `apply_to_lot` give the next one or refuse. Quantities of lots
are whole thousandths of their unit, so that sums are exact.

Undoing is an entry too (`reversed`). It takes back the newest entry that still stands, so a
state remembers the one before it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime

from gardenapp.errors import Refused
from gardenapp.messages import Message, Number, listed, marked, say

CONDITIONS = (marked("sound"), marked("worn"), marked("broken"))
HARM = ("worn", "broken")
ONE = 1_000  # one whole unit in thousandths


class Impossible(Refused):
    """Something that cannot have happened to a thing in the state it is in."""


class NotHere(Impossible):
    """The thing is somewhere else: on a bed or lent. `state` says where."""

    def __init__(self, message: Message, state: ThingState) -> None:
        super().__init__(message)
        self.state = state


@dataclass(frozen=True)
class Entry:
    """One thing that happened. `number` counts the entries of one thing or lot from 1.

    `quantity_milli` is for lots (and 0 or 1000 when a thing is counted); `reverses` is the
    number of the entry that a `reversed` entry takes back.
    """

    number: int
    action: str
    at: datetime
    member_id: int | None = None
    quantity_milli: int | None = None
    place_id: int | None = None
    other_member_id: int | None = None
    due_on: date | None = None
    condition: str | None = None
    night_of: date | None = None
    plot_id: int | None = None
    went_to: str | None = None
    reverses: int | None = None


@dataclass(frozen=True)
class ThingState:
    """Where one thing is and how it is. `status`: none, here, out, lent, missing or retired."""

    status: str = "none"
    place_id: int | None = None
    condition: str = "sound"
    holder_id: int | None = None
    due_on: date | None = None
    plot_id: int | None = None
    night_of: date | None = None
    went_to: str | None = None
    uses: int = 0
    last: int = 0  # number of the newest entry that still stands
    before: ThingState | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Lent:
    """So much of a lot is with one member."""

    member_id: int
    quantity_milli: int
    due_on: date | None


@dataclass(frozen=True)
class LotState:
    """How much of a lot is where. All quantities in thousandths of the unit.

    What came in is always what is on hand, lent and out, what was used up (cut) and retired,
    less what counts found too much (`found_milli`, below zero where something was gone).
    """

    is_there: bool = False
    on_hand_milli: int = 0
    loans: tuple[Lent, ...] = ()
    out: tuple[tuple[int, int], ...] = ()  # plot, quantity
    place_id: int | None = None
    condition: str = "sound"
    came_milli: int = 0
    cut_milli: int = 0
    retired_milli: int = 0
    found_milli: int = 0
    last: int = 0
    before: LotState | None = field(default=None, compare=False, repr=False)

    @property
    def lent_milli(self) -> int:
        return sum(loan.quantity_milli for loan in self.loans)

    @property
    def out_milli(self) -> int:
        return sum(quantity for _plot, quantity in self.out)

    def is_balanced(self) -> bool:
        """Whether what came in is accounted for to the last thousandth."""
        there = self.on_hand_milli + self.lent_milli + self.out_milli
        gone = self.cut_milli + self.retired_milli
        return self.came_milli + self.found_milli == there + gone


def apply_to_thing(state: ThingState, entry: Entry) -> ThingState:
    """The state after `entry`. Raises Impossible, or NotHere where the thing is elsewhere."""
    if entry.action == "reversed":
        return _thing_before(state, entry)
    rule = _THING_RULES.get(entry.action)
    if rule is None:
        raise Impossible(say("A single item cannot be %(action)s.", action=entry.action))
    if state.status == "retired":
        raise Impossible(say("It has left the garden, so you can’t do anything more with it here."))
    if (state.status == "none") != (entry.action in {"acquired", "made"}):
        raise Impossible(
            say("It has not come to the garden yet.")
            if state.status == "none"
            else say("It came to the garden before.")
        )
    return replace(rule(state, entry), last=entry.number, before=state)


def apply_to_lot(state: LotState, entry: Entry) -> LotState:
    """The state after `entry`. Raises Impossible."""
    if entry.action == "reversed":
        return _lot_before(state, entry)
    rule = _LOT_RULES.get(entry.action)
    if rule is None:
        raise Impossible(say("A material cannot be %(action)s.", action=entry.action))
    if not state.is_there and entry.action not in {"acquired", "made"}:
        raise Impossible(say("The garden has never had any of it."))
    return replace(rule(state, entry), last=entry.number, before=state)


def replay_thing(entries: Iterable[Entry]) -> ThingState:
    """The state after all entries, in their order, from nothing."""
    state = ThingState()
    for entry in entries:
        state = apply_to_thing(state, entry)
    return state


def replay_lot(entries: Iterable[Entry]) -> LotState:
    """The state after all entries, in their order, from nothing."""
    state = LotState()
    for entry in entries:
        state = apply_to_lot(state, entry)
    return state


# --- things -----------------------------------------------------------------------------------


def _thing_before(state: ThingState, entry: Entry) -> ThingState:
    if state.before is None or state.before.status == "none":
        raise Impossible(say("You can’t undo that it came. Say that it left."))
    if entry.reverses != state.last:
        raise Impossible(say("Something has happened since; only the latest can be undone."))
    return state.before


def _must_be_here(state: ThingState, refusal: Message, *, or_missing: bool = False) -> None:
    if state.status == "here" or (or_missing and state.status == "missing"):
        return
    reason = {
        "out": say("it is on a bed"),
        "lent": say("it is lent"),
        "missing": say("it was not found at the last count"),
    }[state.status]
    raise NotHere(say("%(refusal)s: %(reason)s.", refusal=refusal, reason=reason), state)


def _thing_arrives(state: ThingState, entry: Entry) -> ThingState:
    return replace(
        state,
        status="here",
        place_id=entry.place_id,
        condition=_one_of(entry.condition or "sound", CONDITIONS),
    )


def _thing_lent(state: ThingState, entry: Entry) -> ThingState:
    _must_be_here(state, say("It cannot be lent"))
    return replace(
        state, status="lent", holder_id=_borrower(entry), due_on=_due(entry), plot_id=None
    )


def _thing_returned(state: ThingState, entry: Entry) -> ThingState:
    if state.status != "lent":
        raise Impossible(say("It is not lent, so it cannot come back."))
    return _home(state, entry)


def _thing_deployed(state: ThingState, entry: Entry) -> ThingState:
    # That it stands on a bed is a fact: one that was missing has been found.
    _must_be_here(state, say("It cannot be put on a bed"), or_missing=True)
    if entry.plot_id is None or entry.night_of is None:
        raise Impossible(say("A cover is put on a plot, for a night."))
    return replace(
        state,
        status="out",
        plot_id=entry.plot_id,
        night_of=entry.night_of,
        uses=state.uses + 1,
    )


def _thing_brought_back(state: ThingState, entry: Entry) -> ThingState:
    if state.status != "out":
        raise Impossible(say("It is not on a bed, so you can’t bring it back."))
    return _home(state, entry)


def _home(state: ThingState, entry: Entry) -> ThingState:
    return replace(
        state,
        status="here",
        place_id=state.place_id if entry.place_id is None else entry.place_id,
        condition=_one_of(entry.condition or state.condition, CONDITIONS),
        holder_id=None,
        due_on=None,
        plot_id=None,
        night_of=None,
    )


def _thing_moved(state: ThingState, entry: Entry) -> ThingState:
    # The place is where it is at home; one on a bed or lent may get another home meanwhile.
    status = "here" if state.status == "missing" else state.status
    return replace(state, status=status, place_id=entry.place_id)


def _thing_damaged(state: ThingState, entry: Entry) -> ThingState:
    return replace(state, condition=_one_of(entry.condition, HARM))


def _thing_mended(state: ThingState, entry: Entry) -> ThingState:
    if state.condition == "sound":
        raise Impossible(say("It is sound; there is nothing to mend."))
    return replace(state, condition=_one_of(entry.condition or "sound", ("sound", "worn")))


def _thing_counted(state: ThingState, entry: Entry) -> ThingState:
    _must_be_here(state, say("It cannot be counted"), or_missing=True)
    if entry.quantity_milli not in {0, ONE}:
        raise Impossible(say("A single item is found or not."))
    if entry.quantity_milli == 0:
        return replace(state, status="missing")
    place = state.place_id if entry.place_id is None else entry.place_id
    return replace(state, status="here", place_id=place)


def _thing_retired(state: ThingState, entry: Entry) -> ThingState:
    _must_be_here(state, say("It cannot be retired"), or_missing=True)
    return replace(state, status="retired", went_to=_went(entry))


_THING_RULES: dict[str, Callable[[ThingState, Entry], ThingState]] = {
    "acquired": _thing_arrives,
    "made": _thing_arrives,
    "lent": _thing_lent,
    "returned": _thing_returned,
    "deployed": _thing_deployed,
    "brought back": _thing_brought_back,
    "moved": _thing_moved,
    "damaged": _thing_damaged,
    "mended": _thing_mended,
    "counted": _thing_counted,
    "retired": _thing_retired,
}


# --- lots -------------------------------------------------------------------------------------


def _lot_before(state: LotState, entry: Entry) -> LotState:
    if state.before is None:
        raise Impossible(say("There is nothing to undo."))
    if entry.reverses != state.last:
        raise Impossible(say("Something has happened since; only the latest can be undone."))
    return state.before


def _lot_arrives(state: LotState, entry: Entry) -> LotState:
    more = _some(entry)
    is_first = not state.is_there
    return replace(
        state,
        is_there=True,
        on_hand_milli=state.on_hand_milli + more,
        came_milli=state.came_milli + more,
        place_id=entry.place_id if is_first else state.place_id,
        condition=_one_of(entry.condition or "sound", CONDITIONS) if is_first else state.condition,
    )


def _lot_lent(state: LotState, entry: Entry) -> LotState:
    quantity, member_id, due_on = _on_hand(state, entry), _borrower(entry), _due(entry)
    had = sum(loan.quantity_milli for loan in state.loans if loan.member_id == member_id)
    others = [loan for loan in state.loans if loan.member_id != member_id]
    loans = sorted(
        [*others, Lent(member_id, had + quantity, due_on)], key=lambda loan: loan.member_id
    )
    return replace(state, on_hand_milli=state.on_hand_milli - quantity, loans=tuple(loans))


def _lot_returned(state: LotState, entry: Entry) -> LotState:
    quantity, member_id = _some(entry), _borrower(entry)
    found = next((loan for loan in state.loans if loan.member_id == member_id), None)
    if found is None or found.quantity_milli < quantity:
        raise Impossible(say("More would come back than was lent."))
    loans = []
    for loan in state.loans:
        left = loan.quantity_milli - (quantity if loan is found else 0)
        if left:
            loans.append(replace(loan, quantity_milli=left))
    return replace(state, on_hand_milli=state.on_hand_milli + quantity, loans=tuple(loans))


def _lot_deployed(state: LotState, entry: Entry) -> LotState:
    quantity = _on_hand(state, entry)
    if entry.plot_id is None:
        raise Impossible(say("Choose the plot where you use it."))
    out = dict(state.out)
    out[entry.plot_id] = out.get(entry.plot_id, 0) + quantity
    return replace(
        state, on_hand_milli=state.on_hand_milli - quantity, out=tuple(sorted(out.items()))
    )


def _lot_brought_back(state: LotState, entry: Entry) -> LotState:
    quantity = _some(entry)
    out = dict(state.out)
    plot_id = entry.plot_id
    if plot_id is None or out.get(plot_id, 0) < quantity:
        raise Impossible(say("More would come back than is out on that plot."))
    out[plot_id] -= quantity
    return replace(
        state,
        on_hand_milli=state.on_hand_milli + quantity,
        out=tuple(sorted((plot, left) for plot, left in out.items() if left)),
    )


def _lot_moved(state: LotState, entry: Entry) -> LotState:
    return replace(state, place_id=entry.place_id)


def _lot_damaged(state: LotState, entry: Entry) -> LotState:
    return replace(state, condition=_one_of(entry.condition, HARM))


def _lot_mended(state: LotState, entry: Entry) -> LotState:
    if state.condition == "sound":
        raise Impossible(say("It is sound; there is nothing to mend."))
    return replace(state, condition=_one_of(entry.condition or "sound", ("sound", "worn")))


def _lot_cut(state: LotState, entry: Entry) -> LotState:
    quantity = _on_hand(state, entry)
    return replace(
        state,
        on_hand_milli=state.on_hand_milli - quantity,
        cut_milli=state.cut_milli + quantity,
    )


def _lot_counted(state: LotState, entry: Entry) -> LotState:
    if entry.quantity_milli is None or entry.quantity_milli < 0:
        raise Impossible(say("A count is 0 or more."))
    more = entry.quantity_milli - state.on_hand_milli
    return replace(
        state,
        on_hand_milli=entry.quantity_milli,
        found_milli=state.found_milli + more,
        place_id=state.place_id if entry.place_id is None else entry.place_id,
    )


def _lot_retired(state: LotState, entry: Entry) -> LotState:
    quantity = _on_hand(state, entry)
    _went(entry)
    return replace(
        state,
        on_hand_milli=state.on_hand_milli - quantity,
        retired_milli=state.retired_milli + quantity,
    )


_LOT_RULES: dict[str, Callable[[LotState, Entry], LotState]] = {
    "acquired": _lot_arrives,
    "made": _lot_arrives,
    "lent": _lot_lent,
    "returned": _lot_returned,
    "deployed": _lot_deployed,
    "brought back": _lot_brought_back,
    "moved": _lot_moved,
    "damaged": _lot_damaged,
    "mended": _lot_mended,
    "cut": _lot_cut,
    "counted": _lot_counted,
    "retired": _lot_retired,
}


# --- pieces -----------------------------------------------------------------------------------


def _some(entry: Entry) -> int:
    if entry.quantity_milli is None or entry.quantity_milli <= 0:
        raise Impossible(say("Enter how much: more than 0."))
    return entry.quantity_milli


def _on_hand(state: LotState, entry: Entry) -> int:
    quantity = _some(entry)
    if quantity > state.on_hand_milli:
        raise Impossible(
            say(
                "There are only %(on_hand)s, not %(asked)s.",
                on_hand=Number(state.on_hand_milli / ONE),
                asked=Number(quantity / ONE),
            )
        )
    return quantity


def _borrower(entry: Entry) -> int:
    if entry.other_member_id is None:
        raise Impossible(say("Choose who has it."))
    return entry.other_member_id


def _due(entry: Entry) -> date:
    if entry.due_on is None:
        raise Impossible(say("Enter until when."))
    return entry.due_on


def _went(entry: Entry) -> str:
    if not entry.went_to:
        raise Impossible(say("Enter where it went."))
    return entry.went_to


def _one_of(value: str | None, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise Impossible(
            say("Choose its condition: %(allowed)s.", allowed=listed(map(Message, allowed)))
        )
    return value


# --- nights -----------------------------------------------------------------------------------


def standing_entries(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """The entries that were not taken back, in their order."""
    standing: list[Entry] = []
    for entry in entries:
        if entry.action != "reversed":
            standing.append(entry)
        elif standing and standing[-1].number == entry.reverses:
            standing.pop()
    return tuple(standing)
