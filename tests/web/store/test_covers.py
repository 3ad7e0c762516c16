"""The pages of covers, kinds and places."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.plots import StorePlace
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.night.day_gains import kind_by_day
from gardenapp.services.store.covers import untried_lift_words
from gardenapp.services.transaction import write_transaction
from tests.factories import Factory
from tests.pages import Pages
from tests.web.garden.test_plots import look_again
from tests.web.hostile import FIGURE, HOSTILE, SOME_FIGURE, SOME_WORDS, UNREAD, WORDS, answer_to


def kind_values(**changes: str) -> dict[str, str]:
    values = {
        "name": "Long tote",
        "construction": "upturned box",
        "material": "",
        "layers": "1",
        "inner_length_cm": "80",
        "inner_width_cm": "40",
        "inner_height_cm": "30",
        "outer_length_cm": "84",
        "outer_width_cm": "44",
        "minutes": "3",
        "is_rigid": "y",
        "gust_limit_mps": "12",
        "clear_mean_k": "-0.5",
        "clear_sd_k": "1",
        "cloudy_mean_k": "1",
        "cloudy_sd_k": "1",
        "leaf_shield": "0.5",
        "why": "two thermometers",
    }
    return values | changes


def add_values(**changes: str) -> dict[str, str]:
    values = {
        "how_many": "3",
        "prefix": "Tote",
        "first_number": "1",
        "owner_id": "",
        "lending": "garden",
        "place_id": "",
        "note": "",
    }
    return values | changes


def test_visitors_do_not_see_what_the_garden_owns(make: Factory, pages: Pages) -> None:
    make.garden()
    make.cover()

    page = pages.get("/covers", status=303)

    assert page.response.headers["Location"].startswith("/sign-in")


def test_a_garden_without_covers_says_what_to_do(make: Factory, pages: Pages) -> None:
    make.cover_kind("tote")

    page = pages.sign_in(make.member()).get("/covers")

    assert "Choose a kind below" in page.text


def test_covers_are_added_and_listed(make: Factory, pages: Pages) -> None:
    kind = make.cover_kind("tote")
    pages.sign_in(make.coordinator())

    page = pages.follow(pages.post(f"/covers/kinds/{kind.id}/covers/new", add_values()))

    assert "Added: Tote 1 to Tote 3" in page.text
    assert "3 of 3 ready to use" in pages.get("/covers").text
    form = pages.get(f"/covers/kinds/{kind.id}/covers/new").values()
    assert (form["prefix"], form["first_number"]) == ("Tote", "4")


def test_adding_twice_keeps_what_was_typed_and_adds_nothing(make: Factory, pages: Pages) -> None:
    kind = make.cover_kind("tote")
    pages.sign_in(make.coordinator())
    typed = add_values(note="from the market")
    pages.post(f"/covers/kinds/{kind.id}/covers/new", typed)

    page = pages.post(f"/covers/kinds/{kind.id}/covers/new", typed, status=422)

    assert "There is already a Tote 1" in page.text
    assert page.values()["note"] == "from the market"
    assert db.session.scalar(select(func.count()).select_from(Cover)) == 3


def test_a_member_adds_covers_only_for_themselves(make: Factory, pages: Pages) -> None:
    kind, vera, wes = make.cover_kind("tote"), make.member(), make.member()
    path = f"/covers/kinds/{kind.id}/covers/new"
    pages.sign_in(vera)

    pages.post(path, add_values(owner_id=str(wes.id)), status=422)
    pages.post(path, add_values(owner_id=str(vera.id)))

    assert set(db.session.scalars(select(Cover.owner_id))) == {vera.id}


def test_the_list_is_cut_to_mine_and_to_a_place(make: Factory, pages: Pages) -> None:
    vera, shed = make.member(), make.place("shed")
    make.cover(label="Alpha", owner_id=vera.id)
    make.cover(label="Beta", place_id=shed.id)
    pages.sign_in(vera)

    mine, there = pages.get("/covers?mine=1"), pages.get(f"/covers?place={shed.id}")
    odd = pages.get("/covers?place=99999999999999999999&mine=%F0%9F%A5%B6")

    assert ("Alpha" in mine.text, "Beta" in mine.text) == (True, False)
    assert ("Alpha" in there.text, "Beta" in there.text) == (False, True)
    assert "Beta" in odd.text


def test_a_kinds_page_says_how_sure_it_is_and_what_is_dangerous(
    make: Factory, pages: Pages
) -> None:
    pages.sign_in(make.member())
    with write_transaction() as session:
        seed_catalogue(session)

    for kind in db.session.scalars(select(CoverKind)):
        page = pages.get(f"/covers/kinds/{kind.id}")
        assert "give or take" in page.text
        assert "Take care" in page.text
        assert "Who decides" in page.text
    tote = db.session.scalar(select(CoverKind).where(CoverKind.reference_key == "tote"))
    assert tote is not None
    assert "Nothing is published for totes" in pages.get(f"/covers/kinds/{tote.id}").text


def test_every_kind_says_what_it_may_gain_today_and_never_the_figure_of_another_season(
    make: Factory, pages: Pages
) -> None:
    make.garden(latitude=51.5, longitude=0.0)
    pages.sign_in(make.member())
    with write_transaction() as session:
        seed_catalogue(session)

    for kind in db.session.scalars(select(CoverKind)):
        page = pages.get(f"/covers/kinds/{kind.id}")
        if kind.construction == "shelter":
            assert "By day, closed" not in page.text
            continue
        shown = kind_by_day(kind_id=kind.id, now=make.now)
        warm = f"{shown.today.high_k:.0f} °C"
        assert f"May be {warm} warmer than outside by noon today" in page.text
        month = f"{shown.clear_day.low_k:.0f} °C to {shown.clear_day.high_k:.0f} °C"
        assert month in page.text
        assert "heat balance" not in page.text
        by_day = page.text.partition("By day, closed")[2].partition("Where that comes from")[0]
        assert by_day and "up to" not in by_day
        assert by_day.endswith(" ")  # or the link stands glued to the sentence before it
        source = page.html.partition("By day, closed")[2].partition('href="')[2].partition('"')[0]
        assert "taken from it" in pages.get(source).text


def test_the_gain_by_day_is_told_in_the_readers_language_and_unit(
    make: Factory, pages: Pages
) -> None:
    make.garden(latitude=51.5, longitude=0.0)
    kind = make.cover_kind("Box of ours", day_gain_k=None)
    shown = kind_by_day(kind_id=kind.id, now=make.now).today.high_k

    page = pages.sign_in(make.member(temperature_unit="F", language="es")).get(
        f"/covers/kinds/{kind.id}"
    )

    assert f"{shown * 9 / 5:.0f} °F más caliente que fuera" in page.text
    assert "cuenta como transparente y cerrada" in page.text


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("seen", "The “warmer by” is a published figure"),
        ("derived", "The “warmer by” is worked out from published figures"),
        ("memory", "The “warmer by” is from memory"),
        ("practice", "The “warmer by” is common practice, without a source"),
        ("ours", "The “warmer by” is what this garden saved"),
    ],
)
def test_an_untried_lift_is_called_published_only_where_it_is(
    make: Factory, pages: Pages, status: str, words: str
) -> None:
    kind = make.cover_kind("box", status=status)

    page = pages.sign_in(make.member()).get(f"/covers/kinds/{kind.id}")

    assert words in page.text
    assert ("published figure;" in page.text) == (status == "seen")


def test_of_several_lifts_the_least_sure_speaks_and_an_old_plan_says_little() -> None:
    assert untried_lift_words({"seen", "memory"}) == untried_lift_words({"memory"})
    assert untried_lift_words({"seen", "derived"}) == untried_lift_words({"derived"})
    assert untried_lift_words(()) == "No trial here has tested how much warmer it is yet."


def test_a_lift_is_shown_as_a_difference_in_fahrenheit(make: Factory, pages: Pages) -> None:
    kind = make.cover_kind("tote", clear_mean_k=2.0, clear_sd_k=1.0)

    page = pages.sign_in(make.member(temperature_unit="F")).get(f"/covers/kinds/{kind.id}")

    assert "about 3.6 °F warmer than outside, give or take 1.8 °F" in page.text


def test_a_cover_colder_inside_says_so(make: Factory, pages: Pages) -> None:
    kind = make.cover_kind("film", clear_mean_k=-0.3)

    page = pages.sign_in(make.member()).get(f"/covers/kinds/{kind.id}")

    assert "about 0.3 °C colder than outside" in page.text


def test_a_coordinator_adds_a_kind_and_changes_it(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())
    pages.post("/covers/kinds/new", kind_values())
    kind = db.session.scalars(select(CoverKind)).one()
    form = pages.get(f"/covers/kinds/{kind.id}/edit").values()

    pages.post(f"/covers/kinds/{kind.id}/edit", form | {"minutes": "5"})

    look_again()
    assert (kind.minutes, kind.clear_mean_k, kind.gust_limit_mps) == (5.0, -0.5, 12.0)
    assert (kind.is_rigid, kind.is_sealed, kind.status) == (True, False, "ours")


def test_a_refused_kind_comes_back_with_everything_typed(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())
    typed = kind_values(outer_length_cm="79")

    page = pages.post("/covers/kinds/new", typed, status=422)

    assert {name: page.values()[name] for name in typed if name != "is_rigid"} == {
        name: value for name, value in typed.items() if name != "is_rigid"
    }
    assert "is_rigid" in page.values()
    assert "cannot be less than the length inside" in page.text


@pytest.mark.parametrize(
    ("typed", "status"), [("0", 303), ("40", 303), ("40.1", 422), ("-1", 422), ("", 303)]
)
def test_a_gust_limit_lies_between_0_and_40(
    make: Factory, pages: Pages, typed: str, status: int
) -> None:
    pages.sign_in(make.coordinator())

    pages.post("/covers/kinds/new", kind_values(gust_limit_mps=typed), status=status)


def test_a_member_copies_a_kind_in_another_size(make: Factory, pages: Pages) -> None:
    kind = make.cover_kind("tote")
    pages.sign_in(make.member())
    form = pages.get(f"/covers/kinds/{kind.id}/copy").values()

    page = pages.follow(
        pages.post(
            f"/covers/kinds/{kind.id}/copy",
            form | {"name": "Long tote", "inner_length_cm": "80", "outer_length_cm": "84"},
        )
    )

    assert form["name"] == ""
    assert page.heading == "Long tote"
    pages.get(f"/covers/kinds/{kind.id}/edit", status=403)
    pages.get("/covers/kinds/new", status=403)


@pytest.mark.parametrize("value", HOSTILE.values(), ids=HOSTILE)
def test_hostile_cover_input_is_never_an_error_of_ours(
    make: Factory, pages: Pages, value: str
) -> None:
    kind, cover = make.cover_kind("tote"), make.cover()
    pages.sign_in(make.coordinator())
    csrf = pages.get("/covers/kinds/new").token()
    typed = value.encode("utf-8", "replace").decode()
    edit = pages.get(f"/covers/{cover.id}/edit").values()
    words = dict.fromkeys(("name", "why", "label", "prefix", "construction"), WORDS)
    words |= {"note": SOME_WORDS, "material": SOME_WORDS}
    # A tick is a tick, whatever it sends.
    other = dict.fromkeys(("is_rigid", "is_usable"), UNREAD)
    other |= dict.fromkeys(("owner_id", "place_id", "gust_limit_mps"), SOME_FIGURE)
    answers, expected = {}, {}

    for path, values, own in (
        ("/covers/kinds/new", kind_values(), "name"),
        (f"/covers/kinds/{kind.id}/covers/new", add_values(), "prefix"),
        (f"/covers/{cover.id}/edit", edit, "label"),
        ("/covers/places/new", {"label": "a", "note": ""}, "label"),
    ):
        for number, name in enumerate(values):
            if name == "csrf_token":
                continue
            fresh = values | {own: f"own {number}", name: typed, "csrf_token": csrf}
            answers[path, name] = pages.client.post(path, data=fresh).status_code
            expected[path, name] = answer_to((words | other).get(name, FIGURE), value)
    assert answers == expected
    assert "<script>alert" not in pages.get("/covers").html


def test_a_cover_is_changed_by_its_owner_and_refused_to_others(make: Factory, pages: Pages) -> None:
    vera = make.member()
    cover = make.cover(owner_id=vera.id, label="Alpha")
    pages.sign_in(vera)
    form = pages.get(f"/covers/{cover.id}/edit").values()

    pages.post(f"/covers/{cover.id}/edit", form | {"condition": "worn"})
    page = pages.post(f"/covers/{cover.id}/edit", form | {"condition": "broken"}, status=422)
    pages.sign_in(make.member()).get(f"/covers/{cover.id}/edit", status=403)

    look_again()
    assert (cover.condition, cover.is_usable, cover.owner_id) == ("worn", True, vera.id)
    assert "untick this or call it worn" in page.text


def test_a_cover_can_be_taken_out_of_use_and_stays_in_the_list(make: Factory, pages: Pages) -> None:
    cover = make.cover(label="Alpha")
    pages.sign_in(make.coordinator())
    form = pages.get(f"/covers/{cover.id}/edit").values()
    form.pop("is_usable")

    pages.post(f"/covers/{cover.id}/edit", form | {"condition": "broken"})

    page = pages.get("/covers")
    assert "0 of 1 ready to use" in page.text
    assert "Alpha not in use broken" in page.text


def test_places_are_listed_added_and_renamed(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())
    pages.post("/covers/places/new", {"label": "porch", "note": "left of the door"})
    place = db.session.scalars(select(StorePlace)).one()

    pages.post(f"/covers/places/{place.id}/edit", {"label": "back porch", "note": ""})

    assert "back porch 0 covers" in pages.get("/covers/places").text
    pages.post("/covers/places/new", {"label": "back porch", "note": ""}, status=422)
    pages.sign_in(make.member()).get("/covers/places/new", status=403)


def test_the_shelter_offers_no_covers_to_add(make: Factory, pages: Pages) -> None:
    shelter = make.cover_kind("shed", construction="shelter")
    pages.sign_in(make.coordinator())

    page = pages.get(f"/covers/kinds/{shelter.id}")

    assert "Add covers of this kind" not in page.text
    pages.get(f"/covers/kinds/{shelter.id}/covers/new", status=403)
