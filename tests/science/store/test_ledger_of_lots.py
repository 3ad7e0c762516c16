"""What each act does to a lot, field by field, and what is refused in words."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from gardenapp.science.store.ledger import (
    Entry,
    Impossible,
    Lent,
    LotState,
    ThingState,
    apply_to_lot,
    replay_lot,
    replay_thing,
)

AT = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
DUE = date(2026, 12, 8)
LATER = DUE + timedelta(days=7)
Act = tuple[str, dict[str, object]]


def entries(*acts: Act) -> list[Entry]:
    return [
        Entry(number, action, AT, **more)  # type: ignore[arg-type]
        for number, (action, more) in enumerate(acts, start=1)
    ]


def lot(*acts: Act) -> LotState:
    return replay_lot(entries(*acts))


CAME: Act = ("acquired", {"quantity_milli": 14_000, "place_id": 1, "condition": "worn"})


def lent(to: int, quantity: int, due: date = DUE) -> Act:
    return "lent", {"quantity_milli": quantity, "other_member_id": to, "due_on": due}


def back(of: int, quantity: int) -> Act:
    return "returned", {"quantity_milli": quantity, "other_member_id": of}


def out(plot: int, quantity: int) -> Act:
    return "deployed", {"quantity_milli": quantity, "plot_id": plot}


def home(plot: int, quantity: int) -> Act:
    return "brought back", {"quantity_milli": quantity, "plot_id": plot}


def test_what_comes_first_says_where_it_is_and_how_and_more_of_it_does_not() -> None:
    first = lot(CAME)
    more = lot(CAME, ("made", {"quantity_milli": 500, "place_id": 2, "condition": "sound"}))
    plain = lot(("made", {"quantity_milli": 1}))

    assert (first.is_there, first.on_hand_milli, first.came_milli) == (True, 14_000, 14_000)
    assert (first.place_id, first.condition) == (1, "worn")
    assert (more.on_hand_milli, more.came_milli, more.place_id, more.condition) == (
        14_500,
        14_500,
        1,
        "worn",
    )
    assert (plain.place_id, plain.condition) == (None, "sound")


def test_loans_are_kept_by_member_with_the_newest_day() -> None:
    state = lot(CAME, lent(9, 3_000), lent(2, 1_000), lent(9, 2_000, LATER))

    assert state.on_hand_milli == 8_000
    assert state.loans == (Lent(2, 1_000, DUE), Lent(9, 5_000, LATER))
    assert state.lent_milli == 6_000
    assert state.is_balanced()


def test_what_comes_back_is_taken_off_that_members_loan_only() -> None:
    some = lot(CAME, lent(9, 3_000), lent(2, 1_000), back(9, 1_000))
    all_of_it = lot(CAME, lent(9, 3_000), lent(2, 1_000), back(9, 3_000))

    assert (some.on_hand_milli, some.loans) == (11_000, (Lent(2, 1_000, DUE), Lent(9, 2_000, DUE)))
    assert (all_of_it.on_hand_milli, all_of_it.loans) == (13_000, (Lent(2, 1_000, DUE),))
    assert some.is_balanced() and all_of_it.is_balanced()


def test_what_is_out_is_kept_by_plot() -> None:
    state = lot(CAME, out(5, 2_000), out(3, 1_000), out(5, 500))
    less = lot(CAME, out(5, 2_000), out(3, 1_000), home(5, 500), home(3, 1_000))

    assert (state.on_hand_milli, state.out, state.out_milli) == (
        10_500,
        ((3, 1_000), (5, 2_500)),
        3_500,
    )
    assert (less.on_hand_milli, less.out) == (12_500, ((5, 1_500),))
    assert state.is_balanced() and less.is_balanced()


def test_cutting_and_leaving_and_counting_are_kept_apart() -> None:
    state = lot(
        CAME,
        ("cut", {"quantity_milli": 4_000}),
        ("retired", {"quantity_milli": 1_000, "went_to": "recycled"}),
        ("counted", {"quantity_milli": 10_000}),
        ("counted", {"quantity_milli": 8_000, "place_id": 7}),
    )

    assert (state.cut_milli, state.retired_milli, state.found_milli) == (4_000, 1_000, -1_000)
    assert (state.on_hand_milli, state.place_id) == (8_000, 7)
    assert state.is_balanced()
    assert lot(CAME, ("counted", {"quantity_milli": 0})).place_id == 1


def test_a_lot_is_moved_harmed_and_mended() -> None:
    assert lot(CAME, ("moved", {"place_id": 4})).place_id == 4
    broken = lot(CAME, ("damaged", {"condition": "broken"}))
    assert broken.condition == "broken"
    assert apply_to_lot(broken, entries(*[("mended", {})] * 3)[2]).condition == "sound"
    assert lot(CAME, ("mended", {"condition": "worn"})).condition == "worn"


@pytest.mark.parametrize(
    ("acts", "words"),
    [
        ([CAME, ("deployed", {"quantity_milli": 1})], "plot where you use it"),
        ([CAME, ("lent", {"quantity_milli": 1, "due_on": DUE})], "who has it"),
        ([CAME, ("lent", {"quantity_milli": 1, "other_member_id": 2})], "until when"),
        ([CAME, lent(2, 14_001)], "only 14, not 14.001"),
        ([CAME, lent(2, 3_000), back(2, 3_001)], "More would come back than was lent"),
        ([CAME, out(5, 1_000), home(5, 1_001)], "than is out on that plot"),
        ([CAME, out(5, 1_000), home(6, 1)], "than is out on that plot"),
        ([CAME, ("retired", {"quantity_milli": 1})], "Enter where it went"),
        ([CAME, ("counted", {})], "0 or more"),
        ([CAME, ("counted", {"quantity_milli": -1})], "0 or more"),
        ([CAME, ("cut", {})], "more than 0"),
        ([CAME, ("cut", {"quantity_milli": 0})], "more than 0"),
        ([("acquired", {"quantity_milli": 1}), ("mended", {})], "nothing to mend"),
        ([CAME, ("flown", {"quantity_milli": 1})], "flown"),
        ([("moved", {"place_id": 4})], "never had any of it"),
    ],
)
def test_what_cannot_be_is_refused_in_words(acts: list[Act], words: str) -> None:
    *past, last = entries(*acts)
    state = replay_lot(past)

    with pytest.raises(Impossible, match=words):
        apply_to_lot(state, last)


def test_exactly_all_may_be_lent_brought_back_and_put_out() -> None:
    assert lot(CAME, lent(2, 14_000)).on_hand_milli == 0
    assert lot(CAME, lent(2, 14_000), back(2, 14_000)).loans == ()
    assert lot(CAME, out(5, 14_000), home(5, 14_000)).out == ()


def test_what_is_kept_of_a_thing_on_loan_and_on_a_bed() -> None:
    def thing(*acts: Act) -> ThingState:
        return replay_thing(entries(*acts))

    came: Act = ("acquired", {"place_id": 1})
    loan = thing(came, ("lent", {"other_member_id": 7, "due_on": DUE}))
    bed: Act = ("deployed", {"plot_id": 3, "night_of": DUE})
    once = thing(came, bed)

    assert (loan.status, loan.holder_id, loan.due_on, loan.place_id) == ("lent", 7, DUE, 1)
    assert (once.status, once.plot_id, once.night_of, once.uses) == ("out", 3, DUE, 1)
    assert thing(came, bed, ("brought back", {}), bed).uses == 2
    gone = thing(came, ("retired", {"went_to": "recycled"}))
    assert (gone.status, gone.went_to) == ("retired", "recycled")


def test_only_the_latest_of_a_lot_can_be_undone() -> None:
    state = lot(CAME, lent(2, 1_000), ("moved", {"place_id": 9}))

    def undo(of: LotState, number: int) -> LotState:
        return apply_to_lot(of, Entry(of.last + 1, "reversed", AT, reverses=number))

    with pytest.raises(Impossible, match="only the latest can be undone"):
        undo(state, 2)
    once = undo(state, 3)
    assert once == lot(CAME, lent(2, 1_000))
    assert undo(once, 2) == lot(CAME)
    with pytest.raises(Impossible, match="nothing to undo"):
        undo(LotState(), 0)


@pytest.mark.parametrize(("said", "after"), [({}, "sound"), ({"condition": "worn"}, "worn")])
def test_what_is_mended_is_sound_unless_it_is_said_to_be_worn(
    said: dict[str, object], after: str
) -> None:
    broken: list[Act] = [("acquired", {"place_id": 1}), ("damaged", {"condition": "broken"})]

    assert replay_thing(entries(*broken, ("mended", said))).condition == after
    with pytest.raises(Impossible):
        replay_thing(entries(*broken, ("mended", {"condition": "broken"})))
