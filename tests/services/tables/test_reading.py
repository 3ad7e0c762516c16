"""What a table would do, line by line, and what is wrong with it, cell by cell."""

from __future__ import annotations

import pytest

from gardenapp.extensions import db
from gardenapp.models.people import Member, PlotHolder
from gardenapp.models.plants import CropStage
from gardenapp.readers.cells import read_file
from gardenapp.services.tables import importing, reading
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.tables.conftest import Paste, problems
from tests.workbooks import xlsx


def test_one_row_makes_a_plot_its_holder_and_a_planting(look: Paste) -> None:
    found = look(
        "Plot\tSize\tHolder\tCrop\tHow many\n"
        "A1\t6 x 3 m\tAmal Whitby\tkale (curly)\t12 ×\n"
        "\t\t\tlettuce\t8\n"
        "A2–A4\t60 x 40 ft\tAmal Whitby & Bruno Castell\tleek\t5"
    )
    assert not found.problems
    assert dict(found.counts) == {
        ("plot", "made"): 4, ("member", "made"): 2, ("planting", "made"): 5,
    }  # fmt: skip
    plots = {plot.label: plot.values for plot in found.acts.plots}
    assert plots["A1"] == {"length_cm": 600.0, "width_cm": 300.0}
    assert plots["A3"]["length_cm"] == pytest.approx(1828.8)
    kale, lettuce, *_leeks = found.acts.plantings
    assert (kale.plot.label, kale.name, kale.values["count"]) == ("A1", "curly", 12)
    assert lettuce.plot.label == "A1"
    assert len(found.acts.holders) == 1 + 3 * 2


@pytest.mark.parametrize(
    ("cells", "length", "width"),
    [
        ("6\t3", 600, 300), ("600\t300", 600, 300), ("6 m\t10 ft", 600, 304.8),
        ("20 ft\t", 609.6, None),
    ],
)  # fmt: skip
def test_bare_sizes_of_plots_are_metres_or_centimetres(
    look: Paste, cells: str, length: float, width: float | None
) -> None:
    (plot,) = look(f"Plot\tLength\tWidth\nA1\t{cells}").acts.plots
    assert plot.values["length_cm"] == pytest.approx(length)
    assert plot.values.get("width_cm") == (pytest.approx(width) if width else None)


def test_what_is_there_already_is_left_and_only_what_differs_is_changed(
    look: Paste, make: Factory
) -> None:
    ines = make.member("Inés Pell")
    plot = make.plot("A1", holders=(ines,))
    stage = db.session.query(CropStage).filter_by(name="leaves").first()
    assert stage is not None
    make.planting(plot, stage, count=4, height_cm=20, spread_cm=20)
    crop = stage.crop.name

    same = look(f"Plot\tHolder\tCrop\tHow many\nA1\tines pell\t{crop}\t4")
    assert dict(same.counts) == {
        ("planting", "left"): 1, ("plot", "left"): 1, ("member", "left"): 1,
    }  # fmt: skip
    assert same.acts.is_empty

    other = look(f"plot\tLength\tCrop\tHow many\na 1\t7 m\t{crop}\t6")
    assert {(line.what, line.verb) for line in other.lines} == {
        ("planting", "changed"), ("plot", "changed"),
    }  # fmt: skip
    (changed,) = [line for line in other.lines if line.what == "planting"]
    assert [(d.field, d.before, d.after) for d in changed.differences] == [("count", "4", "6")]


def test_a_crop_misspelt_is_taken_and_shown_and_one_unknown_is_asked(look: Paste) -> None:
    text = "Plot\tCrop\nA1\tcourgete\nA1\txyzzy\nA2\txyzzy"
    found = look(text)
    asked = {question.text: question for question in found.questions}
    assert not asked["courgete"].is_open
    assert str(dict(asked["courgete"].choices)[asked["courgete"].chosen]) == "squash and courgette"
    assert (asked["xyzzy"].is_open, asked["xyzzy"].times) == (True, 2)
    assert not found.may_be_kept

    left_out = look(text, **{asked["xyzzy"].key: "skip"})
    assert left_out.may_be_kept
    assert left_out.counts["planting", "made"] == 1


def test_a_member_with_another_spelling_is_asked_about(look: Paste, make: Factory) -> None:
    make.member("Ines Kettlewell")
    text = "Plot\tHolder\nA1\tInes Ketlewell\nA2\tines kettlewell"
    found = look(text)
    (question,) = found.questions
    assert question.text == "Ines Ketlewell"
    assert not found.may_be_kept

    same = look(text, **{question.key: question.choices[0][0]})
    assert same.counts["member", "made"] == 0
    assert len(same.acts.holders) == 2
    assert look(text, **{question.key: "new"}).counts["member", "made"] == 1


BAD = [
    ("Plot\tCrop\tHow many\nA1\tkale\t-5", "C2", "no count"),
    ("Plot\tSize\nA1\t6 x -3 m", "B2", "minus"),
    ("Plot\tSize\nA1\tbig", "B2", "no size"),
    ("Plot\tLength\nA1\t300 m", "B2", "10 cm to 200 m"),
    ("Plot\tCrop\tHow many\nA1\tkale\t=SUM(A1)", "C2", "formula"),
    ("Plot\tLength\nA1\t6 m\nA1\t6 m", "A3", "in A2 already"),
    ("Plot\tLength\tCrop\nA1\t6 m\tkale\nA1\t7 m\tleek", "B3", "says otherwise"),
    ("Plot\tCrop\nA1\tkale\na1\tKale", "B3", "The same as B2"),
    ("Plot\tCrop\tHow many\nA1\tkale\t\n", "C2", "Say how many"),
    ("Plot\tLength\tWidth\tBed width\nA1\t1 m\t1 m\t2 m", "2", "wider than the plot"),
    ("Plot\tCrop\tCan be carried in\tIn pots\nA1\tkale\tyes\tno", "C2", "Only plants in pots"),
    ("Plot\tCrop\tHeight\nA1\tkale\t30 m", "C2", "From 1 cm to 10 m"),
    ("Plot\tNote\nA1\tx\x00y", "2", "no text"),
    (f"Plot\tCrop\n{'x' * 81}\tkale", "A2", "at most 80"),
    ("Name\tPlots\nInes\tA9–A1", "B2", "no range"),
    ("Name\tLanguage\nInes\tKlingon", "B2", "one of: en, es"),
    ("Name\tPlots\nInes\tA1\nInes\tA2", "A3", "in A2 already"),
    ("1\t2\n3\t4", "1", "We don’t know these headings"),
    ("Plot\tSize\tSize\tCrop\n\tlength\twidth\t\nA1\t6\t3\tkale", "2", "both hold headings"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "address", "says"), BAD)
def test_what_is_wrong_is_told_at_its_cell_and_nothing_is_kept(
    look: Paste, text: str, address: str, says: str
) -> None:
    if "\0" in text:
        with pytest.raises(Exception, match=says):
            look(text)
        return
    found = look(text)
    assert says in problems(found).get(address, ""), problems(found)
    assert not found.may_be_kept


def test_merged_cells_speak_for_the_rows_below_and_merged_headings_are_told(odile: Member) -> None:
    def sent(data: bytes) -> dict[str, str]:
        token = importing.send(sheets=read_file(data), member=odile, now=NOW)
        found = importing.preview(token=token, member=odile, now=NOW)
        plants = {p.plot.label for p in found.acts.plantings}
        return problems(found) | {"plots": ", ".join(sorted(plants))}

    down = xlsx([["Plot", "Crop"], ["A1", "kale"], ["", "leek"], ["A2", "leek"]], merged=["A2:A3"])
    assert sent(down) == {"plots": "A1, A2"}
    heading = xlsx([["Plot", "Crop", ""], ["A1", "kale", "x"]], merged=["B1:C1"])
    assert "merged cells" in sent(heading)["B1"]
    across = xlsx([["Plot", "Crop", "Note"], ["The north side", "", ""]], merged=["A2:C2"])
    assert "Split it again" in sent(across)["A2"]


def test_somebody_who_was_let_go_is_not_taken_back_by_a_table(look: Paste, make: Factory) -> None:
    make.member("Wes Okafor", is_active=False)
    assert "was let go" in problems(look("Name\tPlots\nwes okafor\tA1"))["A2"]


def test_a_table_may_be_said_to_hold_something_else(look: Paste) -> None:
    text = "Name\tPlots\nkale\tA1"
    assert look(text).tables[0].holds == "members"
    found = look(text, **{"holds-1": "garden"})
    assert found.tables[0].holds == "garden"
    mapped = look(text, **{"holds-1": "garden", "column-1-1": "crop", "column-1-2": "plot"})
    mapped = look(
        "x\ty\nkale\tA1", **{"holds-1": "garden", "column-1-1": "crop", "column-1-2": "plot"}
    )
    assert mapped.counts["planting", "made"] in (1, 2)


def test_holders_that_hold_already_are_not_added_twice(look: Paste, make: Factory) -> None:
    ines = make.member("Ines")
    plot = make.plot("A1", holders=(ines,))
    found = look("Name\tPlots\nInes\tA1, A2")
    assert [(p.label, m.name) for p, m in found.acts.holders] == [("A2", "Ines")]
    assert db.session.query(PlotHolder).filter_by(plot_id=plot.id).count() == 1


def test_more_plants_than_a_planting_may_have_are_told(look: Paste) -> None:
    most = reading.MOST_PLANTS
    assert look(f"Plot\tCrop\tHow many\nA1\tkale\t{most}").may_be_kept
    assert "no count" in problems(look(f"Plot\tCrop\tHow many\nA1\tkale\t{most + 1}"))["C2"]


@pytest.mark.parametrize("word", sorted(reading.MINDS))
def test_how_much_one_would_mind_is_read_in_both_languages(look: Paste, word: str) -> None:
    (planting,) = look(f"Plot\tCrop\tWorth\nA1\tkale\t{word}").acts.plantings
    assert planting.values["mind"] == reading.MINDS[word]
