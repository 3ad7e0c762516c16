"""The map of the garden as it is kept, and the walks it gives."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.people import Garden, LogEntry, Member
from gardenapp.services.garden import map as maps
from gardenapp.services.garden import plots
from gardenapp.services.garden.map import BadMap
from gardenapp.services.store import covers
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.garden.test_plots import whole

DRAWN = "G  =   =   =\nA1  A2  A3  shed:Long shed"


@pytest.fixture
def odile(make: Factory) -> Member:
    """A coordinator of a garden with three plots and a shed."""
    for label, distance_m in (("A1", 30.0), ("A2", 20.0), ("A3", 10.0)):
        make.plot(label, distance_m=distance_m)
    make.place("Long shed")
    return make.coordinator("Odile")


def save(text: str, member: Member, north: float | None = None) -> None:
    maps.save_map(text=text, north=north, member=member, now=NOW)


def test_a_garden_has_no_map_until_somebody_draws_it(odile: Member) -> None:
    page = maps.get_map()

    assert not page.is_drawn
    assert page.missing_plots == ("A1", "A2", "A3")


def test_without_a_garden_there_is_no_map(make: Factory) -> None:
    with pytest.raises(NotFound):
        maps.get_map()


def test_a_map_is_kept_with_its_columns_put_straight(odile: Member) -> None:
    save(DRAWN, odile, north=90.0)

    page = maps.get_map()
    assert page.text == "G   =   =   =\nA1  A2  A3  shed:Long shed"
    assert page.north == 90.0
    assert set(page.garden_map.plots) == {"A1", "A2", "A3"}
    assert page.missing_plots == page.missing_places == ()
    assert set(page.plot_ids) == {"A1", "A2", "A3"}
    entry = db.session.scalars(select(LogEntry)).one()
    assert (entry.action, entry.member_id) == ("map of the garden drawn", odile.id)


def test_saving_the_same_map_again_changes_nothing(odile: Member) -> None:
    save(DRAWN, odile)
    save(maps.get_map().text, odile)

    assert len(db.session.scalars(select(LogEntry)).all()) == 1


def test_what_is_not_on_the_map_is_told_and_allowed(odile: Member) -> None:
    save("A1 =", odile)

    page = maps.get_map()
    assert page.missing_plots == ("A2", "A3")
    assert page.missing_places == ("Long shed",)


def test_names_the_garden_does_not_have_are_refused_with_their_lines(odile: Member) -> None:
    save(DRAWN, odile)

    with pytest.raises(BadMap) as refusal:
        save("A1 A9\nB1 shed:Barn", odile)

    assert [error.line for error in refusal.value.errors] == [1, 2, 2]
    assert refusal.value.field == "map_text"
    assert str(refusal.value.message).startswith("Line 1: There is no plot A9.")
    assert maps.get_map().text.startswith("G ")


def test_north_is_somewhere_on_the_circle(odile: Member) -> None:
    with pytest.raises(FieldRefused):
        save(DRAWN, odile, north=361.0)

    save(DRAWN, odile, north=360.0)
    assert maps.get_map().north == 0.0


def test_only_a_coordinator_draws(make: Factory, odile: Member) -> None:
    with pytest.raises(NotAllowed):
        save(DRAWN, make.member())


def test_an_empty_text_takes_the_map_away(odile: Member) -> None:
    save(DRAWN, odile)

    save("", odile)

    assert not maps.get_map().is_drawn


def test_looking_at_a_text_keeps_nothing(odile: Member) -> None:
    page, errors = maps.look_at(text="A1 A9", north=None)

    assert [error.line for error in errors] == [1]
    assert set(page.garden_map.plots) == {"A1", "A9"}
    assert not maps.get_map().is_drawn


def test_a_map_to_begin_with_can_be_saved_as_it_is(odile: Member) -> None:
    save(maps.begin_map(), odile)

    page = maps.get_map()
    assert page.missing_plots == page.missing_places == ()


def test_the_map_follows_a_plot_and_a_place_that_get_other_names(odile: Member) -> None:
    save(DRAWN, odile)
    plot_id = maps.get_map().plot_ids["A2"]
    (place,) = covers.list_places()

    plots.change_plot(plot_id=plot_id, **whole(label="South bed", member=odile))
    covers.change_place(place_id=place.id, label="Shed W", note="", member=odile, now=NOW)

    page = maps.get_map()
    assert set(page.garden_map.plots) == {"A1", "South bed", "A3"}
    assert set(page.garden_map.places) == {"Shed W"}
    assert page.missing_plots == page.missing_places == ()


def test_a_kept_map_whose_names_went_is_drawn_all_the_same(odile: Member) -> None:
    garden = db.session.get(Garden, 1)
    assert garden is not None
    garden.map_text = "A1 Z9"
    db.session.commit()

    assert set(maps.get_map().garden_map.plots) == {"A1", "Z9"}


# --- walks ------------------------------------------------------------------------------------


def test_a_walk_goes_along_the_paths_of_the_map(odile: Member) -> None:
    # The shed stands at the other end than the distances say: A1 is the first it comes to.
    save("=   =   =   =\nA3  A2  A1  shed:Long shed", odile)

    assert maps.walk_order_for("Long shed", ["A3", "A1", "A2"]) == ["A1", "A2", "A3"]


def test_without_a_map_a_walk_goes_by_the_distances_that_were_said(odile: Member) -> None:
    assert maps.walk_order_for("Long shed", ["A1", "A2", "A3"]) == ["A3", "A2", "A1"]
    assert maps.walk_order_for("", ["A2", "nowhere", "A3", "A3"]) == ["A3", "A2", "nowhere"]


def test_from_a_place_off_the_map_a_walk_begins_at_the_gate_or_goes_by_distance(
    make: Factory, odile: Member
) -> None:
    make.place("Barn")
    save("G = =\nA1 A2 A3", odile)
    assert maps.walk_order_for("Barn", ["A3", "A1"]) == ["A1", "A3"]

    save("= = =\nA1 A2 A3", odile)
    assert maps.walk_order_for("Barn", ["A3", "A1"]) == ["A3", "A1"]


def test_plots_that_are_not_drawn_come_last_by_distance(odile: Member) -> None:
    save("= =\nA1 shed:Long shed", odile)

    assert maps.walk_order_for("Long shed", {"A1", "A2", "A3"}) == ["A1", "A3", "A2"]
