"""What entries of a ledger add up to, whatever their order and however many people write them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from gardenapp.science.store.ledger import (
    Entry,
    Impossible,
    LotState,
    NotHere,
    ThingState,
    apply_to_lot,
    apply_to_thing,
    replay_lot,
    replay_thing,
    standing_entries,
)

AT = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
DUE = date(2026, 12, 8)
NIGHT = date(2026, 11, 24)


def entry(number: int, action: str, **more: object) -> Entry:
    return Entry(number, action, AT, **more)  # type: ignore[arg-type]


def thing(*actions: tuple[str, dict[str, object]]) -> ThingState:
    return replay_thing(
        entry(number, action, **more) for number, (action, more) in enumerate(actions, start=1)
    )


CAME: tuple[str, dict[str, object]] = ("acquired", {"place_id": 1})
LENT: tuple[str, dict[str, object]] = ("lent", {"other_member_id": 7, "due_on": DUE})
OUT: tuple[str, dict[str, object]] = ("deployed", {"plot_id": 3, "night_of": NIGHT})


def test_a_thing_that_is_lent_cannot_be_lent_again_and_says_who_has_it() -> None:
    state = thing(CAME, LENT)

    with pytest.raises(NotHere) as refusal:
        apply_to_thing(state, entry(3, "lent", other_member_id=8, due_on=DUE))

    assert refusal.value.state.holder_id == 7


@pytest.mark.parametrize(
    ("past", "action", "more"),
    [
        ((), "lent", {"other_member_id": 7, "due_on": DUE}),
        ((CAME,), "acquired", {}),
        ((CAME,), "returned", {}),
        ((CAME,), "brought back", {}),
        ((CAME,), "mended", {}),
        ((CAME,), "damaged", {"condition": "sound"}),
        ((CAME,), "damaged", {}),
        ((CAME,), "lent", {"other_member_id": 7}),
        ((CAME,), "lent", {"due_on": DUE}),
        ((CAME,), "deployed", {"plot_id": 3}),
        ((CAME,), "counted", {"quantity_milli": 2_000}),
        ((CAME,), "retired", {}),
        ((CAME,), "cut", {"quantity_milli": 1_000}),
        ((CAME,), "reversed", {"reverses": 1}),
        ((CAME, LENT), "deployed", {"plot_id": 3, "night_of": NIGHT}),
        ((CAME, LENT), "retired", {"went_to": "recycled"}),
        ((CAME, LENT), "reversed", {"reverses": 1}),
        ((CAME, OUT), "lent", {"other_member_id": 7, "due_on": DUE}),
        ((CAME, OUT), "deployed", {"plot_id": 4, "night_of": NIGHT}),
        ((CAME, OUT), "counted", {"quantity_milli": 0}),
        ((CAME, ("retired", {"went_to": "recycled"})), "moved", {"place_id": 2}),
    ],
)
def test_what_cannot_have_happened_to_a_thing_is_refused(
    past: tuple[tuple[str, dict[str, object]], ...], action: str, more: dict[str, object]
) -> None:
    state = thing(*past)

    with pytest.raises(Impossible):
        apply_to_thing(state, entry(len(past) + 1, action, **more))


def test_undoing_goes_back_step_by_step_to_the_state_before() -> None:
    before = thing(CAME)
    state = thing(CAME, OUT, ("damaged", {"condition": "broken"}))

    state = apply_to_thing(state, entry(4, "reversed", reverses=3))
    state = apply_to_thing(state, entry(5, "reversed", reverses=2))

    assert state == before
    assert state.uses == 0


def test_what_was_not_found_is_missing_until_it_turns_up_somewhere() -> None:
    state = thing(CAME, ("counted", {"quantity_milli": 0}))
    assert state.status == "missing"

    found = apply_to_thing(state, entry(3, "counted", quantity_milli=1_000, place_id=2))

    assert (found.status, found.place_id) == ("here", 2)


def test_a_lot_never_gives_more_than_it_has() -> None:
    state = replay_lot([entry(1, "acquired", quantity_milli=14_000)])
    state = apply_to_lot(
        state, entry(2, "lent", quantity_milli=9_000, other_member_id=1, due_on=DUE)
    )

    for action, more in (
        ("cut", {"quantity_milli": 5_001}),
        ("retired", {"quantity_milli": 6_000, "went_to": "recycled"}),
        ("returned", {"quantity_milli": 9_001, "other_member_id": 1}),
        ("returned", {"quantity_milli": 1_000, "other_member_id": 2}),
        ("brought back", {"quantity_milli": 1_000, "plot_id": 1}),
        ("acquired", {"quantity_milli": 0}),
        ("counted", {"quantity_milli": -1}),
    ):
        with pytest.raises(Impossible):
            apply_to_lot(state, entry(3, action, **more))


def test_a_count_is_kept_as_what_was_found_more_or_less() -> None:
    state = replay_lot(
        [entry(1, "acquired", quantity_milli=14_000), entry(2, "counted", quantity_milli=11_000)]
    )

    assert (state.on_hand_milli, state.found_milli) == (11_000, -3_000)
    assert state.is_balanced()


def test_entries_that_were_taken_back_do_not_stand() -> None:
    entries = [
        entry(1, "acquired"),
        entry(2, "deployed", plot_id=3, night_of=NIGHT),
        entry(3, "reversed", reverses=2),
        entry(4, "damaged", condition="worn"),
    ]

    assert [one.number for one in standing_entries(entries)] == [1, 4]


MEMBERS, PLOTS, PLACES = (1, 2, 3), (11, 12), (21, 22)


class Ledgers(RuleBasedStateMachine):
    """Any members do anything to a thing and a lot, most of it refused.

    A second, cruder book is kept beside: where each piece is. Both must agree, and the state
    kept step by step must be that of a replay from the start.
    """

    @initialize(quantity=st.integers(0, 5_000))
    def begin(self, quantity: int) -> None:
        self.thing_entries: list[Entry] = []
        self.lot_entries: list[Entry] = []
        self.thing = ThingState()
        self.lot = LotState()
        self.book: list[dict[str, int]] = []
        self.do_thing("acquired", place_id=PLACES[0])
        self.do_lot("acquired", quantity_milli=quantity + 1)

    def do_thing(self, action: str, **more: object) -> None:
        new = entry(len(self.thing_entries) + 1, action, **more)
        before = self.thing
        try:
            self.thing = apply_to_thing(self.thing, new)
        except Impossible:
            assert self.thing is before
            return
        self.thing_entries.append(new)

    def do_lot(self, action: str, **more: object) -> None:
        new = entry(len(self.lot_entries) + 1, action, **more)
        try:
            self.lot = apply_to_lot(self.lot, new)
        except Impossible:
            return
        self.lot_entries.append(new)
        if action == "reversed":
            self.book.pop()
            return
        piles = dict(self.book[-1]) if self.book else {}
        quantity = int(str(more.get("quantity_milli") or 0))

        def put(pile: str, by: int) -> None:
            piles[pile] = piles.get(pile, 0) + by

        away = f"member {more.get('other_member_id')}"
        out = f"plot {more.get('plot_id')}"
        if action in {"acquired", "made"}:
            put("here", quantity)
        elif action == "lent":
            put("here", -quantity)
            put(away, quantity)
        elif action == "returned":
            put("here", quantity)
            put(away, -quantity)
        elif action == "deployed":
            put("here", -quantity)
            put(out, quantity)
        elif action == "brought back":
            put("here", quantity)
            put(out, -quantity)
        elif action in {"cut", "retired"}:
            put("here", -quantity)
        elif action == "counted":
            piles["here"] = quantity
        self.book.append(piles)

    @rule(who=st.sampled_from(MEMBERS), plot=st.sampled_from(PLOTS), data=st.data())
    def something_happens_to_the_thing(self, who: int, plot: int, data: st.DataObject) -> None:
        action = data.draw(
            st.sampled_from(
                (
                    "acquired",
                    "lent",
                    "returned",
                    "deployed",
                    "brought back",
                    "moved",
                    "damaged",
                    "mended",
                    "counted",
                )
            )
        )
        self.do_thing(
            action,
            member_id=who,
            other_member_id=data.draw(st.sampled_from([None, *MEMBERS])),
            due_on=data.draw(st.sampled_from([None, DUE])),
            plot_id=plot,
            night_of=NIGHT,
            place_id=data.draw(st.sampled_from([None, *PLACES])),
            condition=data.draw(st.sampled_from([None, "sound", "worn", "broken"])),
            quantity_milli=data.draw(st.sampled_from([None, 0, 1_000])),
        )

    @rule(where=st.sampled_from(["recycled", None]))
    def the_thing_leaves(self, where: str | None) -> None:
        if len(self.thing_entries) > 12:
            self.do_thing("retired", went_to=where)

    @rule(back=st.integers(0, 3))
    def something_is_undone(self, back: int) -> None:
        self.do_thing("reversed", reverses=self.thing.last - back)
        self.do_lot("reversed", reverses=self.lot.last - back)
        if not self.lot.is_there:
            self.do_lot("acquired", quantity_milli=1)

    @rule(
        action=st.sampled_from(
            (
                "acquired",
                "lent",
                "returned",
                "deployed",
                "brought back",
                "cut",
                "counted",
                "retired",
                "moved",
                "damaged",
                "mended",
            )
        ),
        quantity=st.integers(0, 6_000),
        who=st.sampled_from(MEMBERS),
        plot=st.sampled_from(PLOTS),
    )
    def something_happens_to_the_lot(self, action: str, quantity: int, who: int, plot: int) -> None:
        self.do_lot(
            action,
            quantity_milli=quantity,
            other_member_id=who,
            plot_id=plot,
            due_on=DUE,
            condition="worn",
            went_to="used up",
        )

    @invariant()
    def counts_are_never_below_nothing(self) -> None:
        if not hasattr(self, "lot"):
            return
        assert self.lot.on_hand_milli >= 0
        assert all(loan.quantity_milli > 0 for loan in self.lot.loans)
        assert all(quantity > 0 for _plot, quantity in self.lot.out)
        assert self.lot.is_balanced()

    @invariant()
    def the_crude_book_agrees(self) -> None:
        if not getattr(self, "book", None):
            return
        piles = {pile: count for pile, count in self.book[-1].items() if count}
        wanted = {f"member {loan.member_id}": loan.quantity_milli for loan in self.lot.loans}
        wanted |= {f"plot {plot}": quantity for plot, quantity in self.lot.out}
        if self.lot.on_hand_milli:
            wanted["here"] = self.lot.on_hand_milli
        assert piles == wanted

    @invariant()
    def the_thing_is_in_one_place(self) -> None:
        if not hasattr(self, "thing"):
            return
        assert (self.thing.status == "lent") == (self.thing.holder_id is not None)
        assert (self.thing.status == "out") == (self.thing.plot_id is not None)
        assert (self.thing.status == "retired") == (self.thing.went_to is not None)

    @invariant()
    def the_state_is_that_of_a_replay(self) -> None:
        if not hasattr(self, "thing"):
            return
        assert replay_thing(self.thing_entries) == self.thing
        assert replay_lot(self.lot_entries) == self.lot
        assert replace(self.thing, before=None) == self.thing


Ledgers.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestLedgers = Ledgers.TestCase


@pytest.mark.parametrize(
    ("went", "back"), [(LENT, "returned"), (OUT, "brought back")], ids=["lent", "on a bed"]
)
def test_what_comes_back_goes_where_it_was_or_where_it_is_put(
    went: tuple[str, dict[str, object]], back: str
) -> None:
    home, elsewhere = thing(CAME, went, (back, {})), thing(CAME, went, (back, {"place_id": 2}))
    worn = thing(CAME, went, (back, {"condition": "worn"}))

    assert (home.status, home.place_id, home.condition) == ("here", 1, "sound")
    assert (elsewhere.status, elsewhere.place_id, elsewhere.condition) == ("here", 2, "sound")
    assert (worn.place_id, worn.condition) == (1, "worn")
    for state in (home, elsewhere):
        assert (state.holder_id, state.due_on, state.plot_id, state.night_of) == (None,) * 4
