"""What a cut plan says of each board and each missing piece, and what it will not plan at all."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.timber.cutting import (
    KEEP_FROM_MM,
    Cut,
    MissingPiece,
    Piece,
    Stock,
    plan_cuts,
)


def in_words(missing: Iterable[MissingPiece]) -> list[tuple[object, ...]]:
    """Each piece that is missing, with the reason as the shell would print it."""
    return [
        (piece.name, piece.length_mm, piece.count, piece.section, str(piece.reason))
        for piece in missing
    ]


def test_every_millimetre_of_a_board_is_accounted_for() -> None:
    # 1000 mm with a knot from 400 to 420: two cuts before it, one after it.
    board = Stock("shop", 1000.0, price=5.0, defects=((400.0, 420.0),))
    plan = plan_cuts(
        [Piece("rail", 150.0, 2), Piece("leg", 200.0)], [board], kerf_mm=3.0, keep_from_mm=300.0
    )

    (cut_up,) = plan.boards
    assert cut_up.defect_mm == 20.0
    total = (
        sum(cut.length_mm for cut in cut_up.cuts)
        + sum(length for _, length in cut_up.kept)
        + cut_up.scrap_mm
        + cut_up.sawdust_mm
        + cut_up.defect_mm
    )
    assert total == pytest.approx(1000.0)
    assert (plan.bought_mm, plan.bound_mm, plan.cost) == (1000.0, 1000.0, 5.0)
    assert plan.bought == (("shop", 1),)
    assert plan.pieces_mm == 500.0
    assert (plan.scrap_mm, plan.sawdust_mm) == (cut_up.scrap_mm, cut_up.sawdust_mm)
    assert plan.kept_mm == sum(length for _, length in cut_up.kept)
    assert plan.is_proven and plan.is_scrap_proven and plan.is_complete
    assert (plan.gap_fraction, plan.method, plan.notes) == (0.0, "integer program", ())


def test_pieces_lie_one_behind_the_other_with_a_cut_between() -> None:
    plan = plan_cuts([Piece("a", 100.0, 2), Piece("b", 50.0)], [Stock("s", 600.0)], kerf_mm=2.0)

    (board,) = plan.boards
    assert board.cuts == (Cut("a", 0.0, 100.0), Cut("a", 102.0, 100.0), Cut("b", 204.0, 50.0))
    assert board.kept == ((256.0, 344.0),)
    assert (board.sawdust_mm, board.scrap_mm) == (6.0, 0.0)
    assert plan.cost is None  # nobody said what such a board costs


@pytest.mark.parametrize(("rest_mm", "is_kept"), [(300.0, True), (299.9, False)])
def test_a_left_over_of_the_least_length_is_kept(rest_mm: float, is_kept: bool) -> None:
    board = Stock("s", 500.0 + rest_mm)

    (cut_up,) = plan_cuts([Piece("a", 500.0)], [board], kerf_mm=0.0).boards

    assert KEEP_FROM_MM == 300.0
    assert cut_up.kept == (((500.0, rest_mm),) if is_kept else ())
    assert cut_up.scrap_mm == (0.0 if is_kept else rest_mm)


def test_a_last_cut_that_runs_off_the_end_makes_only_the_dust_that_is_there() -> None:
    (board,) = plan_cuts([Piece("a", 498.0)], [Stock("s", 500.0)], kerf_mm=3.0).boards

    assert (board.sawdust_mm, board.scrap_mm, board.kept) == (2.0, 0.0, ())


def test_boards_come_in_the_order_in_which_they_are_fetched() -> None:
    stock = [
        Stock("shop", 500.0),
        Stock("own", 500.0, count=1),
        Stock("offcut", 500.0, count=1, is_offcut=True),
    ]

    plan = plan_cuts([Piece("a", 400.0, 3)], stock, kerf_mm=3.0)

    assert [board.stock_name for board in plan.boards] == ["offcut", "own", "shop"]
    assert [board.is_bought for board in plan.boards] == [False, False, True]
    assert [board.is_offcut for board in plan.boards] == [True, False, False]
    assert plan.bought == (("shop", 1),)


def test_what_is_bought_costs_its_price_each_time_and_what_is_there_nothing() -> None:
    stock = [Stock("own", 500.0, count=1), Stock("shop", 500.0, price=4.0)]

    plan = plan_cuts([Piece("a", 400.0, 3)], stock, kerf_mm=3.0)

    assert (plan.bought, plan.cost, plan.bought_mm) == ((("shop", 2),), 8.0, 1000.0)


def test_a_piece_longer_than_all_and_pieces_too_many_are_told_each_in_words() -> None:
    stock = [Stock("own", 500.0, count=1)]

    plan = plan_cuts(
        [Piece("long", 600.0, 2), Piece("a", 200.0, 2), Piece("b", 200.0, 2)], stock, kerf_mm=0.0
    )

    assert in_words(plan.missing) == [
        (
            "long", 600.0, 2, "",
            "It is longer than any sound length there is: 600 mm against 500 mm. Join two shorter "
            "ones or find a longer board.",
        ),
        ("b", 200.0, 2, "", "The boards on hand do not reach and none like them can be bought."),
    ]  # fmt: skip
    assert not plan.is_complete
    assert [cut.name for cut in plan.boards[0].cuts] == ["a", "a"]


@pytest.mark.parametrize(
    ("stock", "section", "reason"),
    [
        ([], "38 × 38", "There are no boards with section 38 × 38."),
        ([], "", "There are no boards."),
        ([Stock("s", 500.0, count=0)], "", "All boards of this section are used up or spoilt."),
        (
            [Stock("s", 500.0, count=1, defects=((0.0, 500.0),))],
            "",
            "All boards of this section are used up or spoilt.",
        ),
    ],
)
def test_why_there_is_no_board_is_told(stock: list[Stock], section: str, reason: str) -> None:
    plan = plan_cuts([Piece("a", 100.0, 3, section)], stock, kerf_mm=0.0)

    assert in_words(plan.missing) == [("a", 100.0, 3, section, reason)]
    assert (plan.boards, plan.bought_mm, plan.cost, plan.method) == ((), 0.0, 0.0, "first fit")


def test_sections_written_alike_are_the_same() -> None:
    plan = plan_cuts(
        [Piece("a", 100.0, 1, "38 × 38 MM")], [Stock("s", 500.0, None, "38 x  38 mm")], kerf_mm=0.0
    )

    assert plan.is_complete


def usual(**changes: Any) -> dict[str, Any]:
    return {
        "pieces": [Piece("a", 100.0)], "stock": [Stock("s", 500.0)], "kerf_mm": 3.0,
        "keep_from_mm": 300.0,
    } | changes  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"pieces": []}, "There are no pieces to cut."),
        ({"kerf_mm": 20.1}, "kerf_mm must be 0 to 20, not 20.1"),
        ({"kerf_mm": -0.1}, "kerf_mm must be 0 to 20, not -0.1"),
        ({"kerf_mm": math.nan}, "kerf_mm must be 0 to 20, not nan"),
        ({"keep_from_mm": -0.1}, "keep_from_mm must be 0 or more, not -0.1"),
        ({"keep_from_mm": math.inf}, "keep_from_mm must be 0 or more, not inf"),
        ({"pieces": [Piece("a", 100.0, 0)]}, "piece a: count must be 1 or more, not 0"),
        (
            {"pieces": [Piece("a", 0.09)]},
            "piece a: length must be 0.1 mm to 30 m, not 0.09 mm",
        ),
        (
            {"stock": [Stock("s", 30_001.0)]},
            "board s: length must be 0.1 mm to 30 m, not 30001 mm",
        ),
        (
            {"pieces": [Piece("a", 100.0, 1_500), Piece("b", 100.0, 501)]},
            "A cut plan takes at most 2,000 pieces; this is 2,001.",
        ),
        (
            {"pieces": [Piece("a", 100.0 + n) for n in range(201)]},
            "A cut plan takes at most 200 different lengths of piece.",
        ),
        (
            {"stock": [Stock("s", 500.0)] * 201},
            "A cut plan takes at most 200 kinds of board and 2,000 pieces; this one has 201 and 1.",
        ),
        (
            {"stock": [Stock("s", 500.0, is_offcut=True)]},
            "board s: an offcut needs a count; nobody sells them without limit",
        ),
        ({"stock": [Stock("s", 500.0, count=-1)]}, "board s: count must be 0 or more, not -1"),
        ({"stock": [Stock("s", 500.0, price=-1.0)]}, "board s: price must be 0 or more, not -1.0"),
        (
            {"stock": [Stock("s", 500.0, price=math.inf)]},
            "board s: price must be 0 or more, not inf",
        ),
        (
            {"stock": [Stock("s", 500.0, defects=((10.0, 5.0),))]},
            "board s: the defect 10-5 does not lie on a board of 500 mm",
        ),
        (
            {"stock": [Stock("s", 500.0, defects=((490.0, 501.0),))]},
            "board s: the defect 490-501 does not lie on a board of 500 mm",
        ),
        (
            {"stock": [Stock("s", 500.0, defects=((-1.0, 5.0),))]},
            "board s: the defect -1-5 does not lie on a board of 500 mm",
        ),
    ],
)
def test_what_cannot_be_planned_is_refused_in_just_these_words(
    changes: dict[str, Any], words: str
) -> None:
    with pytest.raises(OutOfRange) as refused:
        plan_cuts(**usual(**changes))

    assert str(refused.value) == words


@pytest.mark.parametrize(
    "changes",
    [
        {"kerf_mm": 0.0},
        {"kerf_mm": 20.0},
        {"keep_from_mm": 0.0},
        {"pieces": [Piece("a", 0.1)]},
        {"stock": [Stock("s", 30_000.0)]},
        {"pieces": [Piece("a", 1.0, 2_000)], "kerf_mm": 0.0},
        {"pieces": [Piece("a", 1.0 + n) for n in range(200)], "kerf_mm": 0.0},
        {"stock": [Stock("s", 500.0)] * 200},
        {"stock": [Stock("s", 500.0, count=1, is_offcut=True, price=0.0)]},
        {"stock": [Stock("s", 500.0, defects=((0.0, 5.0), (495.0, 500.0), (250.0, 250.0)))]},
    ],
    ids=range(10),
)
def test_what_lies_just_inside_the_limits_is_planned(changes: dict[str, Any]) -> None:
    plan = plan_cuts(**usual(time_limit_s=0.5, **changes))

    assert plan.is_complete
    assert plan.scrap_mm >= 0.0


def test_long_boards_in_odd_lengths_are_counted_in_coarser_steps_and_that_is_told() -> None:
    plan = plan_cuts(
        [Piece("a", 1000.0001), Piece("b", 700.0007)], [Stock("s", 6100.0)], kerf_mm=3.0
    )

    assert tuple(map(str, plan.notes)) == ("Lengths were counted in steps of 0.05 mm.",)
    assert plan.is_complete
