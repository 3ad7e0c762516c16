"""Trials in a browser's terms."""

from __future__ import annotations

import zlib
from io import BytesIO
from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.config import MAX_LOGGER_UPLOAD_BYTES
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Member
from gardenapp.models.trials import Trial, TrialDay, TrialNight
from gardenapp.readers.logger import LoggerOptions
from gardenapp.web.trials import chart
from gardenapp.web.trials import cover_trials as view
from tests.factories import Factory
from tests.logger_files import LONDON, sent, trial_files
from tests.pages import Page, Pages
from tests.readers.malformed_loggers import AWKWARD, BROKEN


@pytest.fixture
def ines(make: Factory, pages: Pages) -> Member:
    member = make.member("Ines")
    pages.sign_in(member)
    return member


@pytest.fixture
def kind(make: Factory) -> CoverKind:
    return make.cover_kind("Big crate")


def count() -> int:
    return sum(
        db.session.scalar(select(func.count()).select_from(table)) or 0
        for table in (Trial, TrialNight, TrialDay)
    )


def add(pages: Pages, kind: CoverKind, *, status: int = 303, **more: Any) -> Page:
    inside, outside = trial_files()
    return pages.post("/trials/new", sent(inside, outside, kind_id=kind.id, **more), status=status)


def test_without_a_trial_the_page_says_how_to_make_one(pages: Pages, ines: Member) -> None:
    page = pages.get("/trials")

    assert "Hang two loggers at the same height" in page.text


def test_two_files_become_a_result_with_chart_and_figures(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    page = pages.follow(add(pages, kind))

    assert page.heading == "Trial of Big crate"
    assert "Lift at night, at the low+4.5 °C" in page.text
    assert "The same relative humidity at a higher temperature is more water" in page.text
    assert "Night of" not in page.heading
    lines = [line.get("class") for line in page.root.iter() if line.tag.endswith("}polyline")]
    assert {"in", "out", "diff"} <= set(lines)
    shaded = [e for e in page.root.iter() if e.tag.endswith("}rect") and e.get("class") == "night"]
    assert len(shaded) == 8
    assert "The curves in numbers" in page.text


def test_a_reader_of_fahrenheit_sees_differences_without_the_thirty_two(
    make: Factory, pages: Pages, kind: CoverKind
) -> None:
    pages.sign_in(make.member("Ford", temperature_unit="F"))

    page = pages.follow(add(pages, kind))

    assert "Lift at night, at the low+8.1 °F" in page.text


def test_the_kinds_page_shows_before_nights_and_after(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    untried = pages.get(f"/covers/kinds/{kind.id}").text
    add(pages, kind)

    page = pages.get(f"/covers/kinds/{kind.id}")

    assert "no trial here has tested it yet" in untried
    assert "Clear and calm +2.0 °C ± 0.8 °C 4 of 1 trial" in page.text
    assert "Each night and how much it counted" in page.text


def test_an_error_names_file_and_line_and_keeps_what_was_typed(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    inside, outside = trial_files()
    inside += b"\n2026-11-25 12:00:00,warm,90"
    form = sent(inside, outside, kind_id=kind.id, sky="mixed", note="by the wall")

    page = pages.post("/trials/new", form, status=422)

    assert "tote in.csv, the logger inside" in page.text
    assert f"Line {len(inside.splitlines())}" in page.text
    values = page.values()
    assert (values["kind_id"], values["sky"]) == (str(kind.id), "mixed")
    assert (values["place"], values["note"]) == ("by the south wall", "by the wall")
    assert count() == 0


def test_a_missing_file_is_said_beside_its_field(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    inside, outside = trial_files()
    form = sent(inside, outside, kind_id=kind.id)
    del form["outside"]

    page = pages.post("/trials/new", form, status=422)

    assert "Choose the file of the logger outside." in page.text
    assert count() == 0


def test_the_units_of_a_file_that_does_not_say_can_be_chosen(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    inside, outside = trial_files()
    inside = inside.replace("Temperature (°C)".encode(), b"Temperature")
    first = pages.post("/trials/new", sent(inside, outside, kind_id=kind.id), status=422)

    page = pages.follow(
        pages.post("/trials/new", sent(inside, outside, kind_id=kind.id, inside_unit="C"))
    )

    assert "Temperature: say whether °C or °F" in first.text
    assert "+4.5 °C" in page.text


def test_leaving_out_and_using_again(pages: Pages, ines: Member, kind: CoverKind) -> None:
    path = add(pages, kind).response.headers["Location"]

    out = pages.follow(pages.post(f"{path}/leave-out"))
    back = pages.follow(pages.post(f"{path}/use"))

    assert "left out" in out.text and "What the kind has learnt" not in out.text
    assert "in use" in back.text and "What the kind has learnt" in back.text


def test_another_member_reads_a_trial_and_cannot_leave_it_out(
    make: Factory, pages: Pages, ines: Member, kind: CoverKind
) -> None:
    path = add(pages, kind).response.headers["Location"]
    other = Pages(pages.app).sign_in(make.member("Wes"))

    page = other.get(path)

    assert "Leave it out" not in page.text
    other.post(f"{path}/leave-out", status=403)


def test_the_download_is_a_table_of_numbers(pages: Pages, ines: Member, kind: CoverKind) -> None:
    path = add(pages, kind).response.headers["Location"]

    page = pages.get(f"{path}/readings.csv")

    assert page.response.mimetype == "text/csv"
    assert page.response.headers["Content-Disposition"].startswith("attachment; filename=")
    assert page.response.text.splitlines()[1].startswith("2026-11-20T12:00:00Z,18.55,9.55,9.00")


def test_a_form_sent_twice_is_one_trial(pages: Pages, ines: Member, kind: CoverKind) -> None:
    key = pages.get("/trials/new").values()["form_key"]

    one, two = (add(pages, kind, form_key=key) for _ in range(2))

    assert one.response.headers["Location"] == two.response.headers["Location"]


def test_a_body_above_the_limit_is_refused_before_it_is_read(pages: Pages, ines: Member) -> None:
    class Endless(BytesIO):
        def read(self, *args: Any) -> bytes:
            raise AssertionError("the body was read")

    response = pages.client.open(
        "/trials/new",
        method="POST",
        input_stream=Endless(),
        headers={"Content-Type": "multipart/form-data; boundary=x"},
        environ_overrides={"CONTENT_LENGTH": "200000000"},
    )

    assert response.status_code == 413
    assert "64" in response.text


@pytest.mark.parametrize("who", ["stranger", "member"])
def test_only_a_signed_in_member_may_send_a_large_body(
    make: Factory, pages: Pages, who: str
) -> None:
    make.garden()
    if who == "member":
        pages.sign_in(make.member())

    response = pages.client.open(
        "/trials/new",
        method="POST",
        data={"note": (BytesIO(b"x" * 5_000_000), "big.csv")},
    )

    assert response.status_code == (413 if who == "stranger" else 400)
    assert MAX_LOGGER_UPLOAD_BYTES > 5_000_000


@pytest.mark.parametrize(
    "more",
    [
        {"kind_id": "9" * 20},
        {"kind_id": "nan"},
        {"cover_id": "9" * 20},
        {"sky": "purple"},
        {"place": "x" * 5_000},
        {"note": "\x00\x07"},
        {"inside_column": "=HYPERLINK()"},
        {"heat_max": "nan"},
        {"inside_unit": "K"},
    ],
    ids=lambda more: next(iter(more)) + ":" + ascii(next(iter(more.values())))[:12],
)
def test_hostile_fields_never_break_the_page(
    pages: Pages, ines: Member, kind: CoverKind, more: dict[str, str]
) -> None:
    inside, outside = trial_files(days=1.2)
    form = sent(inside, outside, kind_id=kind.id) | more
    form["csrf_token"] = pages._token()

    response = pages._ask("post", "/trials/new", data=form)

    assert response.status_code == 422
    assert count() == 0


def test_a_hostile_key_against_double_sending_is_only_a_key(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    add(pages, kind, form_key="\u202e" * 32)

    assert db.session.scalar(select(func.count()).select_from(Trial)) == 1


def test_a_hostile_file_name_is_shown_as_text(pages: Pages, ines: Member, kind: CoverKind) -> None:
    form = sent(trial_files()[0], b"", kind_id=kind.id)
    form["outside"] = (BytesIO(b"junk"), "<b>x\x07.csv")

    page = pages.post("/trials/new", form, status=422)

    assert "<b>x" in page.text


def test_packed_bytes_that_were_damaged_are_refused_in_words(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    path = add(pages, kind).response.headers["Location"]
    trial = db.session.scalars(select(Trial)).one()
    trial.data = zlib.compress(b"not it")
    db.session.commit()

    page = pages.get(f"{path}/readings.csv", status=409)

    assert "can no longer read" in page.text


def test_a_chart_needs_two_points() -> None:
    assert chart.draw([], [], zone=LONDON, shown=float, shown_difference=float) is None


def test_flags_speak_the_readers_unit(app: Any, make: Factory) -> None:
    make.garden(temperature_unit="F")
    flag = {"code": "swapped", "params": {"day_k": -5.0, "night_k": -1.0}, "words": "K"}

    with app.test_request_context():
        words = view.flag_words(flag)

    assert "−9.0" in words.replace("\u202f", " ") and "°F" in words


def as_form(options: LoggerOptions, side: str) -> dict[str, str] | None:
    """The form's answers that mean `options`; None where the form does not ask for it."""
    columns = dict(options.columns or {})
    column = columns.pop("temperature", "")
    zone = str(options.csv_time_zone or "")
    if columns or zone not in {"", "UTC"}:
        return None
    return {
        f"{side}_column": column,
        f"{side}_zone": zone,
        f"{side}_unit": options.temperature_unit or "",
        f"{side}_dates": options.date_order or "",
        f"{side}_letters": options.encoding or "",
    }


def test_awkward_files_are_kept_through_the_page(
    make: Factory, pages: Pages, ines: Member, kind: CoverKind
) -> None:
    wrong, tried = [], 0
    token = pages._token()

    for name, (data, zone, options, *_) in AWKWARD.items():
        answers = as_form(options, "inside")
        if answers is None:
            continue
        tried += 1
        make.garden(time_zone=zone.key)
        form = sent(data, data, kind_id=kind.id, csrf_token=token, **answers)
        form |= as_form(options, "outside") or {}
        response = pages._ask("post", "/trials/new", data=form)
        if response.status_code != 303:
            wrong.append(f"{name}: {response.status_code}")
            continue
        page = pages.get(response.headers["Location"])
        if page.status != 200:
            wrong.append(f"{name}: its page answers {page.status}")

    assert not wrong, "\n".join(wrong)
    assert tried >= 25


def test_broken_files_are_refused_with_their_line_and_leave_nothing(
    pages: Pages, ines: Member, kind: CoverKind
) -> None:
    wrong, tried = [], 0
    token = pages._token()

    for name, (data, options, line, _words) in BROKEN.items():
        answers = as_form(options, "inside")
        if answers is None or len(data) > 10_000_000:
            continue
        tried += 1
        good = trial_files()[1]
        form = sent(data, good, kind_id=kind.id, csrf_token=token, **answers)
        page = pages._check(
            pages._ask("post", "/trials/new", data=form), 422, f"/trials/new ({name})"
        )
        if line is not None and f"Line {line}" not in page.text:
            wrong.append(f"{name}: line {line} is not named")
        if "have saved nothing" not in page.text and data != b"":
            wrong.append(f"{name}: not said")

    assert not wrong, "\n".join(wrong)
    assert tried >= 20
    assert count() == 0
