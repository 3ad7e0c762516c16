from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gardenapp.errors import OutOfRange
from gardenapp.science.timber import search
from gardenapp.science.timber.columns import SolverFailed
from gardenapp.science.timber.cutting import CutPlan, Piece, Stock, plan_cuts
from gardenapp.science.units import inch_to_cm
from tests.science.timber.binpack_u120 import U120


def mm(inches: float) -> float:
    return inch_to_cm(inches) * 10.0


def pieces_of(lengths: Sequence[float], counts: Sequence[int]) -> list[Piece]:
    return [
        Piece(f"p{length:g}", length, count) for length, count in zip(lengths, counts, strict=True)
    ]


def assert_sound(
    plan: CutPlan, pieces: Sequence[Piece], stock: Sequence[Stock], kerf_mm: float
) -> None:
    """The plan by hand: every piece once, none over another, a knot or the end."""
    cut = Counter((cut.name, cut.length_mm) for board in plan.boards for cut in board.cuts)
    short = Counter[tuple[str, float]]()
    for missing in plan.missing:
        short[missing.name, missing.length_mm] += missing.count
    wanted = Counter[tuple[str, float]]()
    for piece in pieces:
        wanted[piece.name, piece.length_mm] += piece.count
    assert cut + short == wanted
    by_name = {board.name: board for board in stock}
    used = Counter(board.stock_name for board in plan.boards)
    for name, count in used.items():
        most = by_name[name].count
        assert most is None or count <= most
    for board in plan.boards:
        source = by_name[board.stock_name]
        at = -math.inf
        for piece_cut in sorted(board.cuts, key=lambda c: c.from_mm):
            assert piece_cut.from_mm >= at + (kerf_mm if at > -math.inf else 0.0) - 1e-6
            at = piece_cut.from_mm + piece_cut.length_mm
            assert piece_cut.from_mm >= 0 and at <= source.length_mm + 1e-6
            for begin, end in source.defects:
                assert at <= begin + 1e-6 or piece_cut.from_mm >= end - 1e-6
        parts = (
            math.fsum(c.length_mm for c in board.cuts)
            + math.fsum(rest for _, rest in board.kept)
            + board.scrap_mm
            + board.sawdust_mm
            + board.defect_mm
        )
        assert parts == pytest.approx(board.length_mm, abs=1e-3)
    assert plan.bought_mm >= plan.bound_mm - 1e-6
    assert plan.bought_mm <= plan.first_fit_mm + 1e-6 or plan.missing


@pytest.mark.outside("Public worked example, 5600 mm paper rolls: 73 masters, waste 0.40 %")
def test_thirteen_widths_of_paper_take_seventy_three_rolls() -> None:
    widths = [1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200]
    pieces = pieces_of(widths, [22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20])

    plan = plan_cuts(pieces, [Stock("roll", 5600)], kerf_mm=0)

    assert plan.pieces_mm == 407160
    assert len(plan.boards) == 73 and plan.is_proven
    assert 1 - plan.pieces_mm / plan.bought_mm == pytest.approx(0.0040, abs=0.00005)


@pytest.mark.outside(
    "Modelling system's gallery, four widths of paper: 453 rolls (roll of 100 from memory)"
)
def test_four_widths_of_paper_take_453_rolls() -> None:
    plan = plan_cuts(
        pieces_of([45, 36, 31, 14], [97, 610, 395, 211]), [Stock("roll", 100)], kerf_mm=0
    )

    assert len(plan.boards) == 453 and plan.is_proven


@pytest.mark.outside("Public repository AndreaG93/AMOD-Project, test and test2: 47 and 35")
@pytest.mark.parametrize(
    ("stock", "lengths", "counts", "best"),
    [
        (1100, [200, 450, 500, 550, 750], [48, 35, 24, 10, 8], 47),
        (218, [81, 70, 68], [44, 3, 48], 35),
    ],
    ids=["five sizes", "three sizes"],
)
def test_classic_student_instances(
    stock: float, lengths: list[float], counts: list[int], best: int
) -> None:
    plan = plan_cuts(pieces_of(lengths, counts), [Stock("bar", stock)], kerf_mm=0)

    assert len(plan.boards) == best and plan.is_proven


@pytest.mark.outside(
    "OR-Library binpack1 (Falkenauer): u120_00 best known 48; the file says 51 and 50 for "
    "u120_08 and u120_19, proved 50 and 49 later"
)
@pytest.mark.parametrize(
    ("name", "total", "first_fit", "best"),
    [("u120_00", 7078, 49, 48), ("u120_08", 7478, 51, 50), ("u120_19", 7322, 50, 49)],
)
def test_uniform_bin_packing_instances(name: str, total: int, first_fit: int, best: int) -> None:
    sizes = U120[name]
    assert len(sizes) == 120 and sum(sizes) == total

    plan = plan_cuts(
        [Piece(str(size), size) for size in sizes], [Stock("bin", 150)], kerf_mm=0, time_limit_s=20
    )

    assert plan.first_fit_mm == 150 * first_fit
    assert len(plan.boards) == best and plan.is_proven


@pytest.mark.outside("Woodworking article: four 2-ft pieces do not come out of an 8-ft board")
def test_the_saw_takes_the_fourth_piece() -> None:
    pieces = [Piece("two feet", mm(24), 4)]

    with_saw = plan_cuts(pieces, [Stock("8 ft", mm(96), count=1)], kerf_mm=mm(1 / 8))
    without = plan_cuts(pieces, [Stock("8 ft", mm(96), count=1)], kerf_mm=0)

    assert sum(m.count for m in with_saw.missing) == 1
    assert not without.missing
    # Three pieces, three cuts: the fourth would be short by three cuts of 1/8 in.
    assert with_saw.boards[0].kept == ((mm(72 + 3 / 8), pytest.approx(mm(24 - 3 / 8))),)


@pytest.mark.parametrize(("kerf_mm", "bars"), [(0, 2), (3, 3)])
def test_three_millimetres_of_saw_can_cost_a_bar(kerf_mm: float, bars: int) -> None:
    plan = plan_cuts(pieces_of([1500, 1000], [2, 3]), [Stock("bar", 3000)], kerf_mm=kerf_mm)

    assert len(plan.boards) == bars and plan.is_proven


@pytest.mark.outside("common practice, no source: the 30 x 42 x 56 in frame from six 96 in boards")
@pytest.mark.parametrize("kerf_mm", [0.0, 3.175], ids=["no kerf", "eighth of an inch"])
def test_the_usual_frame_comes_from_six_boards(kerf_mm: float) -> None:
    pieces = pieces_of([mm(30), mm(42), mm(56)], [4, 4, 4])

    plan = plan_cuts(pieces, [Stock("8 ft", mm(96))], kerf_mm=kerf_mm)

    assert plan.pieces_mm == pytest.approx(mm(512))
    assert plan.pieces_mm / mm(96) == pytest.approx(5.33, abs=0.005)
    assert len(plan.boards) == 6 and plan.is_proven


def test_sixteenths_of_an_inch_fit_exactly() -> None:
    plan = plan_cuts(
        [Piece("half", mm(5 + 11 / 16), 2)], [Stock("board", mm(11 + 3 / 8))], kerf_mm=0
    )

    assert len(plan.boards) == 1


def test_offcuts_come_before_boards_and_boards_before_the_shop() -> None:
    stock = [
        Stock("new", 2400, price=8.0),
        Stock("whole", 2400, count=1),
        Stock("offcut", 800, count=2, is_offcut=True),
    ]

    one = plan_cuts([Piece("rail", 700, 2)], stock, kerf_mm=3)
    more = plan_cuts([Piece("rail", 700, 5)], stock, kerf_mm=3)
    most = plan_cuts([Piece("rail", 700, 6)], stock, kerf_mm=3)

    assert [b.stock_name for b in one.boards] == ["offcut", "offcut"]
    assert [b.stock_name for b in more.boards] == ["offcut", "offcut", "whole"]
    assert one.bought_mm == more.bought_mm == 0
    assert most.bought == (("new", 1),) and most.cost == 8.0


def test_among_equals_the_plan_with_less_scrap_is_taken() -> None:
    # Either offcut serves; the longer leaves a piece worth keeping, the shorter only scrap.
    stock = [
        Stock("short", 890, count=1, is_offcut=True),
        Stock("long", 1200, count=1, is_offcut=True),
    ]

    plan = plan_cuts([Piece("rail", 700)], stock, kerf_mm=3, keep_from_mm=300)

    assert plan.boards[0].stock_name == "long"
    assert plan.scrap_mm == 0 and plan.kept_mm == 497


def test_a_knot_in_the_middle_halves_a_board() -> None:
    sound = Stock("sound", 2000, count=1)
    knotty = Stock("knotty", 2000, count=1, defects=((950, 1050),))

    assert plan_cuts([Piece("long", 1500)], [sound], kerf_mm=3).is_complete
    plan = plan_cuts([Piece("long", 1500)], [knotty], kerf_mm=3)
    halves = plan_cuts([Piece("half", 900, 2)], [knotty], kerf_mm=3)

    assert "longer than any sound length" in str(plan.missing[0].reason)
    assert [(c.from_mm, c.length_mm) for c in halves.boards[0].cuts] == [(0, 900), (1050, 900)]
    assert halves.boards[0].defect_mm == 100


def brute_force_bought(pieces: Sequence[float], stock: Sequence[float], kerf: float) -> float:
    """Least length bought, by trying every way to share pieces among boards."""
    best = [math.inf]

    def place(left: tuple[float, ...], loads: tuple[float, ...]) -> None:
        if not left:
            total = 0.0
            for load in loads:
                fitting = [length for length in stock if length + kerf >= load - 1e-9]
                if not fitting:
                    return
                total += min(fitting)
            best[0] = min(best[0], total)
            return
        for number in range(len(loads) + 1):
            extended = list(loads) + ([0.0] if number == len(loads) else [])
            extended[number] += left[0] + kerf
            if extended[number] <= max(stock) + kerf + 1e-9:
                place(left[1:], tuple(extended))

    place(tuple(pieces), ())
    return best[0]


@pytest.mark.parametrize("seed", range(25))
def test_small_plans_equal_trying_everything(seed: int) -> None:
    rng = random.Random(seed)
    lengths = [float(rng.randint(200, 1400)) for _ in range(7)]
    stock = sorted(rng.sample([1500.0, 1800.0, 2100.0, 2400.0, 2700.0], 3))
    kerf = rng.choice([0.0, 3.0, 3.2])

    plan = plan_cuts(
        [Piece(f"p{i}", length) for i, length in enumerate(lengths)],
        [Stock(f"{length:g}", length) for length in stock],
        kerf_mm=kerf,
    )

    assert plan.is_proven
    assert plan.bought_mm == pytest.approx(brute_force_bought(lengths, stock, kerf))


def simple_first_fit_decreasing(lengths: Sequence[float], board: float, kerf: float) -> int:
    rooms: list[float] = []
    for length in sorted(lengths, reverse=True):
        for number, room in enumerate(rooms):
            if room >= length - 1e-9:
                rooms[number] = room - length - kerf
                break
        else:
            rooms.append(board - length - kerf)
    return len(rooms)


@settings(max_examples=60, deadline=None)
@given(
    lengths=st.lists(st.integers(50, 2400), min_size=1, max_size=25),
    kerf=st.sampled_from([0.0, 1.5, 3.2]),
    offcuts=st.lists(st.integers(100, 1500), max_size=3),
    knot=st.integers(0, 2300),
)
def test_every_plan_is_sound_and_never_worse_than_first_fit(
    lengths: list[int], kerf: float, offcuts: list[int], knot: int
) -> None:
    pieces = [Piece(f"p{i}", length) for i, length in enumerate(lengths)]
    stock = [
        Stock("shop", 2400),
        Stock("knotty", 2400, count=1, defects=((knot, knot + 40),)),
        *(Stock(f"o{i}", o, count=1, is_offcut=True) for i, o in enumerate(offcuts)),
    ]

    plan = plan_cuts(pieces, stock, kerf_mm=kerf, time_limit_s=0.5)

    assert_sound(plan, pieces, stock, kerf)
    assert plan.is_complete
    assert plan.bought_mm <= 2400 * simple_first_fit_decreasing(lengths, 2400, kerf)


def test_too_little_timber_cuts_what_it_can_and_says_so() -> None:
    pieces = pieces_of([1000, 600], [2, 2])

    plan = plan_cuts(pieces, [Stock("plank", 2100, count=1)], kerf_mm=3)

    assert_sound(plan, pieces, [Stock("plank", 2100, count=1)], 3)
    assert plan.pieces_mm == 2000  # the most that comes out of it
    assert "none like them can be bought" in str(plan.missing[0].reason)


def test_sections_are_not_mixed() -> None:
    pieces = [Piece("rail", 500, 1, "38 x 38"), Piece("board", 500, 1, "19 x 89")]
    stock = [Stock("bar", 2400, section="38 × 38")]

    plan = plan_cuts(pieces, stock, kerf_mm=3)

    assert [cut.name for board in plan.boards for cut in board.cuts] == ["rail"]
    assert str(plan.missing[0].reason) == "There are no boards with section 19 x 89."


@pytest.mark.parametrize(
    ("pieces", "stock", "words"),
    [
        ([], [], "no pieces"),
        ([Piece("a", -1)], [], "length must be"),
        ([Piece("a", math.nan)], [], "length must be"),
        ([Piece("a", 10, 0)], [], "count must be 1"),
        ([Piece("a", 10, 10_000)], [], "at most 2,000 pieces; this is 10,000"),
        ([Piece(str(i), 10 + i) for i in range(201)], [], "at most 200 different lengths"),
        ([Piece("a", 10)], [Stock("s", 100, defects=((50, 120),))], "does not lie on a board"),
        ([Piece("a", 10)], [Stock("s", 100, is_offcut=True)], "an offcut needs a count"),
        ([Piece("a", 10)], [Stock("s", 100, price=-1)], "price must be"),
    ],
    ids=[
        "none",
        "negative",
        "nan",
        "no count",
        "ten thousand",
        "kinds",
        "defect",
        "offcut",
        "price",
    ],
)
def test_what_cannot_be_planned_is_refused_in_words(
    pieces: list[Piece], stock: list[Stock], words: str
) -> None:
    with pytest.raises(OutOfRange, match=words):
        plan_cuts(pieces, stock, kerf_mm=3)


def test_without_a_solver_the_first_fit_plan_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object, **__: object) -> None:
        raise SolverFailed("highspy cannot be imported")

    monkeypatch.setattr(search, "solve", fails)

    plan = plan_cuts(pieces_of([1500, 1000], [2, 3]), [Stock("bar", 3000)], kerf_mm=0)

    assert plan.method == "first fit" and plan.is_complete
    assert plan.bound_mm < plan.bought_mm and not plan.is_proven
    assert "highspy" in str(plan.notes[0])


@pytest.mark.parametrize("time_limit_s", [0.0, 0.02, 0.1])
def test_with_no_time_the_plan_is_whole_and_its_bound_still_holds(time_limit_s: float) -> None:
    widths = [1380, 1520, 1560, 1710, 1820, 1880, 1930, 2000, 2050, 2100, 2140, 2150, 2200]
    pieces = pieces_of(widths, [22, 25, 12, 14, 18, 18, 20, 10, 12, 14, 16, 18, 20])

    plan = plan_cuts(pieces, [Stock("roll", 5600)], kerf_mm=0, time_limit_s=time_limit_s)

    assert_sound(plan, pieces, [Stock("roll", 5600)], 0)
    assert plan.bound_mm <= 73 * 5600 <= plan.bought_mm
    assert plan.is_proven == (plan.bought_mm == plan.bound_mm)


@pytest.mark.parametrize("seed", range(8))
def test_small_plans_with_offcuts_and_knots_equal_trying_every_choice_of_boards(seed: int) -> None:
    """Least length bought = least over every set of bought boards into which all pieces go."""
    rng = random.Random(100 + seed)
    lengths = [rng.randint(200, 1100) for _ in range(6)]
    offcut, board = rng.randint(400, 1300), 2000
    knot = rng.randint(300, 1700)
    stock = [
        Stock("offcut", offcut, count=1, is_offcut=True),
        Stock("knotty", board, count=1, defects=((knot, knot + 50),)),
        Stock("a", 1200),
        Stock("b", 1900),
    ]

    plan = plan_cuts([Piece(f"p{i}", length) for i, length in enumerate(lengths)], stock, kerf_mm=3)

    best = math.inf
    free = [offcut, knot, board - knot - 50]
    for shorts in range(7):
        for longs in range(7):
            rooms = [*free, *([1200] * shorts), *([1900] * longs)]
            if 1200 * shorts + 1900 * longs < best and fits(lengths, rooms, 3):
                best = 1200 * shorts + 1900 * longs
    assert plan.is_proven and plan.bought_mm == best


def fits(lengths: Sequence[float], rooms: Sequence[float], kerf: float) -> bool:
    """Whether all pieces go into these rooms, by trying every room for every piece."""
    if not lengths:
        return True
    first, rest = lengths[0], lengths[1:]
    tried: set[float] = set()
    for number, room in enumerate(rooms):
        if room >= first and room not in tried:
            tried.add(room)
            left = [*rooms[:number], room - first - kerf, *rooms[number + 1 :]]
            if fits(rest, left, kerf):
                return True
    return False


def test_the_same_question_has_the_same_answer_where_the_search_came_to_its_end() -> None:
    pieces = pieces_of([597, 797], [3, 2])
    stock = [Stock(str(length), length) for length in (1797, 2400)]

    plans = [plan_cuts(pieces, stock, kerf_mm=3) for _ in range(2)]

    assert plans[0].is_scrap_proven
    assert plans[0].boards == plans[1].boards


def test_the_order_of_the_stock_does_not_matter() -> None:
    pieces = pieces_of([710, 523, 340, 1180], [5, 7, 9, 3])
    stock = [Stock(str(length), length) for length in (1800, 2400, 3000)]

    found = {
        plan_cuts(pieces, order, kerf_mm=3).bought_mm for order in itertools.permutations(stock)
    }

    assert len(found) == 1
