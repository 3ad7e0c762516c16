"""The pages of plots and plantings."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.models.weather import DailyWeather
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import Pages
from tests.web.hostile import (
    FIGURE,
    HOSTILE,
    SOME_FIGURE,
    SOME_WORDS,
    UNREAD,
    WORDS,
    answer_to,
)


def look_again() -> None:
    """Forget what the test's own session has read: requests have written since."""
    db.session.rollback()
    db.session.expire_all()


def plot_values(**changes: str) -> dict[str, str]:
    values = {
        "label": "12",
        "length_cm": "500",
        "width_cm": "250",
        "bed_width_cm": "",
        "distance_m": "20",
        "offset_choice": "pocket",
        "offset_k": "",
        "offset_sd_k": "",
        "offset_reason": "white there first",
        "note": "",
    }
    return values | changes


def planting_values(stage_id: int, **changes: str) -> dict[str, str]:
    values = {"stage_id": str(stage_id), "count": "6", "mind": "dearly", "form_key": "k1"}
    return values | changes


def saved_plot() -> Plot:
    look_again()
    return db.session.scalars(select(Plot).order_by(Plot.id.desc())).first()  # type: ignore[return-value]


def test_a_garden_without_plots_says_what_to_do(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())

    page = pages.get("/plots")

    assert "Add the first one" in page.text


def test_visitors_see_plots_and_no_names(make: Factory, pages: Pages) -> None:
    plot = make.plot("7", holders=(make.member("Vera Quill"),))
    make.planting(plot, make.stage("tomato"))

    listed, shown = pages.get("/plots"), pages.get(f"/plots/{plot.id}")

    assert "Vera" not in listed.html + shown.html
    assert "tomato" in shown.text.lower()
    assert "Add a planting" not in shown.text


def test_own_plots_stand_first(make: Factory, pages: Pages) -> None:
    vera = make.member()
    make.plot("A")
    make.plot("B", holders=(vera,))

    page = pages.sign_in(vera).get("/plots")

    assert page.text.index("Yours B") < page.text.index("The others A")


def test_a_coordinator_adds_a_plot_with_a_usual_offset(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())

    page = pages.follow(pages.post("/plots/new", plot_values()))

    assert page.heading == "Plot 12"
    assert "2.5 °C colder than the forecast" in page.text
    assert "common practice, no source" in page.text
    assert saved_plot().offset_reason == "white there first"


def test_an_own_offset_in_fahrenheit_is_a_difference(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator(temperature_unit="F"))

    pages.post("/plots/new", plot_values(offset_choice="own", offset_k="−3.6", offset_sd_k="1.8"))

    assert saved_plot().offset_k == pytest.approx(-2.0)
    assert saved_plot().offset_sd_k == pytest.approx(1.0)


def test_lengths_typed_in_inches_are_kept_in_centimetres(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator(length_unit="inch"))

    pages.post("/plots/new", plot_values(length_cm="100", width_cm="50", distance_m="100"))

    assert saved_plot().length_cm == pytest.approx(254.0)
    assert saved_plot().distance_m == pytest.approx(30.48)


def test_saving_a_form_in_inches_unchanged_shifts_nothing(make: Factory, pages: Pages) -> None:
    plot = make.plot("7", length_cm=601.0, width_cm=333.0, bed_width_cm=119.0, distance_m=17.0)
    pages.sign_in(make.coordinator(length_unit="inch"))
    form = pages.get(f"/plots/{plot.id}/edit").values()

    pages.post(f"/plots/{plot.id}/edit", form | {"offset_choice": "open"})

    kept = saved_plot()
    assert (kept.length_cm, kept.width_cm, kept.bed_width_cm, kept.distance_m) == (
        601.0,
        333.0,
        119.0,
        17.0,
    )


def test_a_refused_plot_comes_back_with_everything_typed(make: Factory, pages: Pages) -> None:
    pages.sign_in(make.coordinator())
    typed = plot_values(
        offset_choice="own", offset_k="cold", offset_reason="Aunt said so", note="by the\ngate"
    )

    page = pages.post("/plots/new", typed, status=422)

    held = page.values()
    assert {name: held[name] for name in typed} == typed
    assert "There is a problem" in page.text


def test_a_label_that_is_taken_is_said_beside_the_field(make: Factory, pages: Pages) -> None:
    make.plot("12")
    pages.sign_in(make.coordinator())

    page = pages.post("/plots/new", plot_values(), status=422)

    assert "There is already a plot 12" in page.text
    assert db.session.scalar(select(func.count()).select_from(Plot)) == 1


@pytest.mark.parametrize("value", HOSTILE.values(), ids=HOSTILE)
def test_hostile_plot_input_is_never_an_error_of_ours(
    make: Factory, pages: Pages, value: str
) -> None:
    pages.sign_in(make.coordinator())
    typed = value.encode("utf-8", "replace").decode()

    csrf = token(pages)
    kinds = {
        "label": WORDS,
        "length_cm": SOME_FIGURE,
        "width_cm": SOME_FIGURE,
        "bed_width_cm": SOME_FIGURE,
        "distance_m": FIGURE,
        "offset_choice": FIGURE,
        "offset_k": SOME_FIGURE,
        "offset_sd_k": SOME_FIGURE,
        "offset_reason": SOME_WORDS,
        "note": SOME_WORDS,
    }
    assert set(kinds) == set(plot_values())

    for number, (name, kind) in enumerate(kinds.items()):
        data = plot_values(label=str(number)) | {name: typed, "csrf_token": csrf}
        response = pages.client.post("/plots/new", data=data)
        assert response.status_code == answer_to(kind, value), name
        assert "<script>alert" not in response.text
    assert "<script>alert" not in pages.get("/plots").html


def token(pages: Pages) -> str:
    return pages.get("/plots/new").token()


def test_a_holder_is_asked_only_for_what_a_holder_changes(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    pages.sign_in(vera)
    form = pages.get(f"/plots/{plot.id}/edit").values()

    pages.post(
        f"/plots/{plot.id}/edit",
        form | {"offset_choice": "wall", "bed_width_cm": "80", "label": "mine", "length_cm": "9"},
    )

    kept = saved_plot()
    assert "label" not in form
    assert (kept.label, kept.length_cm, kept.bed_width_cm) == ("7", 600.0, 80.0)
    assert kept.offset_choice == "wall"


def test_another_members_plot_is_refused(make: Factory, pages: Pages) -> None:
    plot = make.plot("7", holders=(make.member(),))
    pages.sign_in(make.member())

    pages.get(f"/plots/{plot.id}/edit", status=403)
    pages.post(f"/plots/{plot.id}/edit", plot_values(), status=403)
    pages.get(f"/plots/{plot.id}/plantings/new", status=403)
    pages.get(f"/plots/{plot.id}/holders", status=403)


def test_holders_are_ticked_and_saved(make: Factory, pages: Pages) -> None:
    vera, odile = make.member("Vera"), make.coordinator()
    plot = make.plot("7", holders=(odile,))
    pages.sign_in(odile)

    page = pages.follow(pages.post(f"/plots/{plot.id}/holders", {"holders": str(vera.id)}))

    assert "Held by Vera." in page.text
    pages.post(f"/plots/{plot.id}/holders", {"holders": "999"}, status=422)


def test_a_planting_is_added_with_the_usual_sizes(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    stage = make.stage("tomato", usual_height_cm=90.0)
    pages.sign_in(vera)

    page = pages.follow(pages.post(f"/plots/{plot.id}/plantings/new", planting_values(stage.id)))

    assert "6 plants" in page.text
    assert "90 cm tall" in page.text
    assert "it cannot be replaced" in page.text


def test_pressing_twice_makes_one_planting(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot, stage = make.plot("7", holders=(vera,)), make.stage("tomato")
    pages.sign_in(vera)
    form = pages.get(f"/plots/{plot.id}/plantings/new").values()
    sent = form | {"stage_id": str(stage.id), "count": "3"}

    pages.post(f"/plots/{plot.id}/plantings/new", sent)
    pages.post(f"/plots/{plot.id}/plantings/new", sent)

    assert form["form_key"]
    assert db.session.scalar(select(func.count()).select_from(Planting)) == 1


def test_a_crop_is_found_without_script(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    make.stage("tomato")
    make.stage("leek")
    pages.sign_in(vera)

    page = pages.get(f"/plots/{plot.id}/plantings/new?q=leek")

    options = ["".join(o.itertext()) for o in page.all("option")]
    assert any(o.startswith("leek") for o in options)
    assert not any(o.startswith("tomato") for o in options)


def test_a_refused_planting_keeps_crop_ticks_and_words(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    make.stage("leek")
    stage = make.stage("tomato")
    pages.sign_in(vera)
    typed = planting_values(
        stage.id, count="0", in_pot="y", note="two lines\nhere", height_cm="1,5", name="row"
    )

    page = pages.post(f"/plots/{plot.id}/plantings/new?q=leek", typed, status=422)

    held = page.values()
    assert {name: held.get(name) for name in typed} == typed
    assert "Enter a whole number between 1 and 5000." in page.text


@pytest.mark.parametrize("value", HOSTILE.values(), ids=HOSTILE)
def test_hostile_planting_input_is_never_an_error_of_ours(
    make: Factory, pages: Pages, value: str
) -> None:
    vera = make.member()
    plot, stage = make.plot("7", holders=(vera,)), make.stage("tomato")
    pages.sign_in(vera)
    path = f"/plots/{plot.id}/plantings/new"
    csrf = pages.get(path).token()
    typed = value.encode("utf-8", "replace").decode()

    kinds = {
        "stage_id": FIGURE,
        "count": FIGURE,
        "mind": FIGURE,
        "form_key": UNREAD,
        "height_cm": SOME_FIGURE,
        "note": SOME_WORDS,
        "name": SOME_WORDS,
    }
    assert set(planting_values(1)) < set(kinds)

    for name, kind in kinds.items():
        data = planting_values(stage.id, form_key=name) | {name: typed, "csrf_token": csrf}
        response = pages.client.post(path, data=data)
        assert response.status_code == answer_to(kind, value), name
    assert "<script>alert" not in pages.get(f"/plots/{plot.id}").html
    assert pages.client.get(path, query_string={"q": typed, "like": typed}).status_code == 200


def test_same_again_starts_from_the_planting_it_copies(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    planting = make.planting(plot, count=9, height_cm=33.0, in_pot=True, mind="little")
    pages.sign_in(vera)

    held = pages.get(f"/plots/{plot.id}/plantings/new?like={planting.id}").values()

    assert held["stage_id"] == str(planting.stage_id)
    assert (held["count"], held["height_cm"], held["mind"]) == ("9", "33", "little")
    assert "in_pot" in held


def test_a_planting_of_another_plot_is_not_copied(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    elsewhere = make.planting()
    pages.sign_in(vera)

    pages.get(f"/plots/{plot.id}/plantings/new?like={elsewhere.id}", status=403)


def test_a_planting_ends_and_comes_back(make: Factory, pages: Pages) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    planting = make.planting(plot, make.stage("tomato"))
    pages.sign_in(vera)

    ended = pages.follow(pages.post(f"/plantings/{planting.id}/end"))
    back = pages.follow(pages.post(f"/plantings/{planting.id}/restore"))

    assert "Ended (1)" in ended.text
    assert "Ended" not in back.text


def test_a_planting_is_changed(make: Factory, pages: Pages) -> None:
    vera = make.member(length_unit="inch")
    plot = make.plot("7", holders=(vera,))
    planting = make.planting(plot, height_cm=21.3)
    pages.sign_in(vera)
    form = pages.get(f"/plantings/{planting.id}/edit").values()

    pages.post(f"/plantings/{planting.id}/edit", form | {"count": "2"})

    look_again()
    kept = db.session.get(Planting, planting.id)
    assert kept is not None
    assert (kept.count, kept.height_cm) == (2, 21.3)


def test_a_stranger_reads_no_notes_on_an_open_board(make: Factory, pages: Pages) -> None:
    plot = make.plot("A1", note="the gate code is 4711")
    make.planting(plot, note="away until the 9th")
    make.garden(board_is_open=True)

    page = pages.get(f"/plots/{plot.id}")

    assert "4711" not in page.html
    assert "away until" not in page.html


def test_what_somebody_knows_of_its_hardness_and_its_pot_is_kept(
    make: Factory, pages: Pages
) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    stage = make.stage("leek", hardened_threshold_c=-8.0, hardens="leafy")
    pages.sign_in(vera)
    address = f"/plots/{plot.id}/plantings/new"
    typed = planting_values(
        stage.id, in_pot="y", pot_l="3,5", pot_material="clay", state="soft", state_on="2026-11-20",
        worth_per="bed",
    )  # fmt: skip

    page = pages.follow(pages.post(address, typed))
    number = db.session.scalar(select(Planting.id))
    form = pages.get(f"/plantings/{number}/edit")

    assert "Fine down to about" in page.text and "the bed, by its area" in page.text
    held = form.values()
    assert {name: held.get(name) for name in ("state", "state_on", "pot_l", "worth_per")} == {
        "state": "soft", "state_on": "2026-11-20", "pot_l": "3.5", "worth_per": "bed",
    }  # fmt: skip
    assert "The weather says: fine down to about" in form.text


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"state": "soft"}, "Enter the day they were like that."),
        ({"state": "soft", "state_on": "soon"}, "Enter a date, such as 2026-11-24."),
        ({"pot_l": "-3", "in_pot": "y"}, "Enter a number between 0.1 and 1000."),
        ({"state": "steel"}, "Choose"),
    ],
)
def test_a_state_without_a_day_or_a_pot_of_nothing_is_told_beside_the_field(
    make: Factory, pages: Pages, changes: dict[str, str], says: str
) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    stage = make.stage("leek", hardened_threshold_c=-8.0, hardens="leafy")
    pages.sign_in(vera)

    page = pages.post(
        f"/plots/{plot.id}/plantings/new", planting_values(stage.id, note="kept", **changes),
        status=422,
    )  # fmt: skip

    assert says in page.text
    assert page.values()["note"] == "kept"


def test_blossom_that_has_moved_on_asks_to_be_looked_at(
    make: Factory, pages: Pages, clock: list[datetime]
) -> None:
    vera = make.member()
    plot = make.plot("7", holders=(vera,))
    first = make.stage("apple", name="silver tip", kind="damage", threshold_c=-9.0)
    bloom = CropStage(crop_id=first.crop_id, name="full bloom", kind="damage", threshold_c=-2.0)
    db.session.add(bloom)
    db.session.commit()
    make.planting(plot, first, stage_on=date(2026, 3, 1))
    for n in range(320):
        on = date(2026, 1, 5) + timedelta(days=n)
        db.session.add(DailyWeather(on_date=on, source="record", min_c=2.0, mean_c=9.2))
    db.session.commit()
    pages.sign_in(vera)
    clock[0] = datetime(2026, 4, 8, 12, tzinfo=UTC)

    page = pages.get(f"/plots/{plot.id}")

    assert "full bloom" in page.text
    assert "when somebody saw it at silver tip. Look, and correct it." in page.text


def test_the_gardens_days_are_shown_with_their_gaps(make: Factory, pages: Pages) -> None:
    make.garden()
    today = NOW.date()
    for back in (0, 1, 3):
        db.session.add(
            DailyWeather(on_date=today - timedelta(days=back), source="low", min_c=-1.5, mean_c=2.0)
        )
    db.session.commit()

    page = pages.get("/weather")

    assert "3 of the last 45 days are known" in page.text
    assert page.text.count("gap: nobody knows") == 42
    assert "−1.5 °C" in page.text and "the mean guessed" in page.text
