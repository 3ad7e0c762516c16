"""Tonight's board in a browser's terms."""

from __future__ import annotations

import gzip
import re
from datetime import date, datetime, timedelta

import pytest
from flask import Flask, template_rendered
from jinja2 import Template
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Member
from gardenapp.services.night import forecasts, plan_night
from tests.factories import Factory
from tests.pages import Page, Pages

EVENING = date(2026, 11, 24)


def plan(now: datetime, low_c: float = -2.0, **more: object) -> None:
    forecasts.enter_by_hand(
        night_of=EVENING,
        low_c=low_c,
        member_id=None,
        now=now,
        **more,  # type: ignore[arg-type]
    )
    plan_night.plan_night(night_of=EVENING, member_id=None, now=now)


def job_buttons(page: Page) -> list[str]:
    return [
        element.get("formaction", "").partition("#")[0]
        for element in page.all("button")
        if "/jobs/" in element.get("formaction", "")
    ]


def on_of(page: Page) -> str:
    """Where the first job of a board is marked as on, whoever does it."""
    return next(b for b in job_buttons(page) if b.endswith("/claim")).replace("/claim", "/on")


@pytest.fixture
def ines(make: Factory) -> Member:
    member = make.member("Ines")
    plot = make.plot("North 3", holders=(member,))
    make.planting(plot, name="runner beans")
    make.planting(make.plot("Far 9"), name="tall dahlia", height_cm=180.0)
    kind = make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0)
    make.cover(kind, label="T7", place_id=make.place("brick shed").id)
    return member


def test_the_board_says_what_to_do_with_which_cover_from_where_by_when(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)

    page = pages.get("/tonight")

    assert "Night of Tuesday 24 to Wednesday 25 November" in page.heading
    assert "runner beans" in page.text
    assert "T7 → North 3" in page.text
    assert "brick shed 1 job" in page.text
    assert re.search(r"by (15|16|17|18|19|2\d):\d\d", page.text)
    assert "1 with no cover" in page.text
    assert "No cover is tall enough: 4 tall dahlia, Far 9 (at least 180 cm high inside" in page.text


def test_anybody_reads_the_board_without_a_name_on_it(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)
    signed_in = Pages(pages.app).sign_in(ines)
    job = job_buttons(signed_in.get("/tonight"))[0]
    signed_in.post(job)

    page = pages.get("/tonight")

    assert "1 taken by others" in page.text
    assert "Ines" not in page.html
    assert job_buttons(page) == []


def test_a_closed_board_asks_a_stranger_to_sign_in(
    make: Factory, pages: Pages, ines: Member
) -> None:
    make.garden(board_is_open=False)
    plan(make.now)

    page = pages.get("/tonight", status=303)

    assert "/sign-in" in page.response.headers["Location"]


def test_claim_on_and_undo_are_one_press_each(make: Factory, pages: Pages, ines: Member) -> None:
    plan(make.now, low_c=-0.5)
    pages.sign_in(ines)
    claim = next(b for b in job_buttons(pages.get("/tonight")) if b.endswith("/claim"))

    claimed = pages.follow(pages.post(claim))
    on = next(b for b in job_buttons(claimed) if b.endswith("/on"))
    marked = pages.follow(pages.post(on))
    undo = next(b for b in job_buttons(marked) if b.endswith("/undo"))
    undone = pages.follow(pages.post(undo))

    assert "Yours by 18:02" in claimed.text
    assert "On since 15:00" in marked.text
    assert "1 ● covered" in marked.text
    assert any(b.endswith("/on") for b in job_buttons(undone))


def test_the_second_to_claim_is_told_who_was_first(
    make: Factory, pages: Pages, ines: Member
) -> None:
    tom = make.member("Tom")
    plan(make.now)
    claim = next(
        b for b in job_buttons(Pages(pages.app).sign_in(ines).get("/tonight")) if "/claim" in b
    )
    Pages(pages.app).sign_in(ines).post(claim)

    page = pages.sign_in(tom).post(claim, status=409)

    assert "Ines has already claimed that" in page.text


def test_my_plots_shows_only_mine(make: Factory, pages: Pages, ines: Member) -> None:
    plan(make.now)

    page = pages.sign_in(ines).get("/tonight?plots=mine")

    assert "runner beans" in page.text
    assert "tall dahlia" not in page.text


def test_a_kept_board_is_new_again_after_any_change(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)
    before = pages.get("/tonight")
    plan(make.now + timedelta(minutes=1), low_c=8.0)

    after = pages.get("/tonight")

    assert before.response.headers["ETag"] != after.response.headers["ETag"]
    assert "Nothing to cover tonight" in after.text


def test_an_unchanged_board_is_not_sent_twice(make: Factory, pages: Pages, ines: Member) -> None:
    plan(make.now)
    first = pages.client.get("/tonight")

    second = pages.client.get("/tonight", headers={"If-None-Match": first.headers["ETag"]})

    assert second.status_code == 304
    assert second.data == b""


def test_a_board_that_one_member_sees_is_not_given_to_another(
    make: Factory, pages: Pages, ines: Member
) -> None:
    tom = make.member("Tom")
    plan(make.now)
    hers = Pages(pages.app).sign_in(ines).get("/tonight")

    his = Pages(pages.app).sign_in(tom).get("/tonight")

    assert hers.token() != his.token()
    assert "Ines" not in his.html


def test_the_board_warns_of_an_old_forecast(
    make: Factory, pages: Pages, ines: Member, clock: list[datetime]
) -> None:
    plan(make.now)
    clock[0] = make.now + timedelta(hours=13)

    page = pages.get("/tonight")

    assert "Old forecast" in page.text


def test_a_reader_in_fahrenheit_sees_fahrenheit(make: Factory, pages: Pages) -> None:
    member = make.member("Fay", temperature_unit="F", length_unit="inch")
    make.planting(height_cm=180.0)
    plan(make.now, low_c=-2.0)

    page = pages.sign_in(member).get("/tonight")

    assert "28.4 °F" in page.text
    assert "70.9 in" in page.text


def test_why_shows_each_part_with_its_spread_and_source(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now, cloud_fraction=0.0, wind_mps=0.5)
    board = pages.get("/tonight")
    link = next(a.get("href", "") for a in board.all("a") if "/plantings/" in a.get("href", ""))

    page = pages.get(link)

    for word in ("Forecast low", "This plot", "Air at plant height", "Leaves", "bare", "invented"):
        assert word in page.text


@pytest.mark.parametrize(
    ("status", "words"),
    [
        ("seen", "The “warmer by” is a published figure"),
        ("derived", "The “warmer by” is worked out from published figures"),
        ("memory", "The “warmer by” is from memory"),
    ],
)
def test_why_calls_a_lift_published_only_where_it_is(
    make: Factory, pages: Pages, ines: Member, status: str, words: str
) -> None:
    for kind in db.session.scalars(select(CoverKind)):
        kind.status = status
    db.session.commit()
    plan(make.now, cloud_fraction=0.0, wind_mps=0.5)
    board = pages.get("/tonight")
    links = {a.get("href", "") for a in board.all("a") if "/plantings/" in a.get("href", "")}
    given = [t for t in (pages.get(link).text for link in links) if "What the plan gives it" in t]

    assert given
    for text in given:
        assert words in text
        assert ("published figure;" in text) == (status == "seen")


def test_every_source_that_why_names_has_a_page(make: Factory, pages: Pages, ines: Member) -> None:
    plan(make.now, cloud_fraction=0.0, wind_mps=0.5)
    board = pages.get("/tonight")
    whys = {a.get("href", "") for a in board.all("a") if "/plantings/" in a.get("href", "")}
    named = {
        (a.get("href", ""), a.text or "")
        for why in whys
        for a in pages.get(why).all("a")
        if a.get("href", "").startswith("/sources/")
    }

    assert len(named) >= 3
    for address, words in named:
        page = pages.get(address)
        assert "How a night is reckoned" in page.text or "taken from it" in page.text, address
        assert not re.fullmatch(r"[A-Z0-9_-]+", words.strip()), "a code says nothing to a reader"


def test_a_planting_that_is_not_in_the_plan_has_no_why(make: Factory, pages: Pages) -> None:
    make.garden()

    page = pages.get("/tonight/plantings/999", status=404)

    assert "not in tonight" in page.text


def test_the_board_as_json_holds_no_names(make: Factory, pages: Pages, ines: Member) -> None:
    plan(make.now)

    data = pages.client.get("/tonight.json").get_json()

    assert data["night_of"] == "2026-11-24"
    assert data["jobs"][0]["covers"] == [{"label": "T7", "kept_at": "brick shed"}]
    assert "Ines" not in str(data)


def fact_of(key: str, pressed_at: datetime) -> dict[str, str]:
    return {"fact": key, "pressed_at": pressed_at.isoformat()}


def test_a_mark_sent_twice_by_a_phone_counts_once(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)
    pages.sign_in(ines)
    on = on_of(pages.get("/tonight"))
    sent = fact_of("abcdefgh-1", make.now - timedelta(minutes=40))
    pages.post(on, sent)
    undo = on.replace("/on", "/undo")
    pages.post(undo, fact_of("abcdefgh-2", make.now))

    pages.post(on, sent)

    assert "On since" not in pages.get("/tonight").text
    assert any(b.endswith("/claim") for b in job_buttons(pages.get("/tonight")))


def test_a_mark_kept_on_a_phone_says_when_it_was_pressed(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)
    pages.sign_in(ines)
    on = on_of(pages.get("/tonight"))

    pages.post(on, fact_of("abcdefgh-3", make.now - timedelta(minutes=40)))

    assert "On since 14:20" in pages.get("/tonight").text


@pytest.mark.parametrize("minutes", [60, -60 * 24 * 3])
def test_a_mark_from_the_future_or_long_ago_counts_as_now(
    make: Factory, pages: Pages, ines: Member, minutes: int
) -> None:
    plan(make.now)
    pages.sign_in(ines)
    on = on_of(pages.get("/tonight"))

    sent = fact_of("abcdefgh-4", make.now + timedelta(minutes=minutes))
    pages.post(on, sent)

    assert "On since 15:00" in pages.get("/tonight").text


def test_a_phone_that_asks_for_json_is_told_in_words(
    make: Factory, pages: Pages, ines: Member
) -> None:
    tom = make.member("Tom")
    plan(make.now)
    claim = next(
        b for b in job_buttons(Pages(pages.app).sign_in(ines).get("/tonight")) if "/claim" in b
    )
    Pages(pages.app).sign_in(ines).post(claim)

    answer = pages.sign_in(tom).post(claim, status=409, headers={"Accept": "application/json"})

    said = answer.response.get_json()
    assert said["error"] == "Ines has already claimed that."
    assert said["card"].startswith('<article class="job claimed" id="job-')
    assert "Ines has already claimed that." in said["card"]


def test_a_plot_sign_is_remembered_by_the_phone(make: Factory, pages: Pages, ines: Member) -> None:
    plan(make.now)
    board = pages.follow(pages.get("/p/1", status=303))

    later = pages.get("/tonight")

    assert "runner beans" in board.text
    assert "tall dahlia" not in board.text
    assert any(a.get("href") == "/tonight?plot=1" for a in later.all("a"))


def test_the_coordinator_sees_hands_needed_and_who_has_not_looked(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)
    pages.sign_in(make.coordinator())

    before = pages.get("/tonight/walks").text.partition("Has not looked yet")[2]
    Pages(pages.app).sign_in(ines).post("/tonight/seen", status=204)
    after = pages.get("/tonight/walks").text.partition("Has not looked yet")[2]

    assert "1 job still free" in pages.get("/tonight/walks").text
    assert "Ines" in before
    assert "Ines" not in after


def test_the_sheet_for_the_gate_names_covers_and_no_people(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now)

    page = pages.get("/tonight/sheet")

    assert "brick shed 1 job" in page.text
    assert "T7 → North 3" in page.text
    assert "Ines" not in page.html
    assert page.all("path") or "<svg" in page.html


def rendered(app: Flask, name: str) -> list[str]:
    """Grows by one each time the template `name` is rendered."""
    found: list[str] = []

    def note(_sender: Flask, template: Template, **_more: object) -> None:
        if template.name == name:
            found.append(name)

    template_rendered.connect(note, app, weak=False)
    return found


def test_after_a_claim_the_board_is_rendered_once_with_its_message_and_once_in_all(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now, low_c=-0.5)
    pages.sign_in(ines)
    claim = next(b for b in job_buttons(pages.get("/tonight")) if b.endswith("/claim"))
    answer = pages.post(claim)
    boards = rendered(pages.app, "board/tonight.html")

    with_message = pages.follow(answer)
    after = pages.get("/tonight")
    again = pages.get("/tonight")

    assert len(boards) == 1
    assert "It is yours to do." in with_message.text
    assert [p.get("role") for p in with_message.all("p") if "flash" in p.get("class", "")] == [
        "status"
    ]
    assert "ETag" not in with_message.response.headers
    for page in (after, again):
        assert "Yours by 18:02" in page.text
        assert "It is yours to do" not in page.html
        assert "@@" not in page.html
        assert "ETag" in page.response.headers


def test_a_message_is_for_whoever_pressed_and_nobody_else(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now, low_c=-0.5)
    claim = next(
        b for b in job_buttons(pages.sign_in(ines).get("/tonight")) if b.endswith("/claim")
    )
    answer = pages.post(claim)
    stranger = Pages(pages.app).get("/tonight")

    pages.follow(answer)
    other = Pages(pages.app).sign_in(make.member("Tom")).get("/tonight")
    stranger_after = Pages(pages.app).get("/tonight")

    for page in (stranger, other, stranger_after):
        assert "It is yours to do" not in page.html


def test_a_message_in_a_packed_board_is_the_one_in_a_plain_board(
    make: Factory, pages: Pages, ines: Member
) -> None:
    plan(make.now, low_c=-0.5)
    pages.sign_in(ines)
    claim = next(b for b in job_buttons(pages.get("/tonight")) if b.endswith("/claim"))
    answer = pages.post(claim)

    packed = pages.client.get(
        answer.response.headers["Location"].partition("#")[0], headers={"Accept-Encoding": "gzip"}
    )

    html = gzip.decompress(packed.data).decode()
    assert '<p class="flash good" role="status">It is yours to do.</p>' in html


# A plan at once, and what takes two


def test_a_first_plan_says_so_and_how_far_it_is_can_be_asked(
    make: Factory, pages: Pages, ines: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    from gardenapp.services.night import improving
    from gardenapp.services.notices.planned import plan_and_tell

    begun: list[int] = []
    monkeypatch.setitem(improving._beginners, str(db.engine.url), begun.append)
    forecasts.enter_by_hand(night_of=EVENING, low_c=-2.0, member_id=None, now=make.now)
    plan_id = plan_and_tell(night_of=EVENING, member_id=None, now=make.now)

    page = pages.get("/tonight")
    assert begun == [plan_id]
    assert "A first plan, good to begin with; a better one is being looked for." in page.text
    assert job_buttons(page) == []  # a stranger reads it all the same
    assert pages.client.get("/tonight/progress").json["improving"] is True

    improving.improve(plan_id, clock=lambda: make.now)

    assert pages.client.get("/tonight/progress").json == {"improving": False, "gap": ""}
    assert "a better one is being looked for" not in pages.get("/tonight").text


def test_a_plan_that_a_stopped_server_left_is_taken_up_when_somebody_looks(
    make: Factory, pages: Pages, ines: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    from gardenapp.services.night import improving

    begun: list[int] = []
    monkeypatch.setitem(improving._beginners, str(db.engine.url), begun.append)
    forecasts.enter_by_hand(night_of=EVENING, low_c=-2.0, member_id=None, now=make.now)
    long_ago = make.now - timedelta(minutes=5)
    plan_id = plan_night.plan_night(night_of=EVENING, member_id=None, now=long_ago, at_once=True)

    pages.get("/tonight")

    assert begun == [plan_id]
