"""Printing join slips, and typing their codes, as a coordinator and a new member see it."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest
from flask import Flask
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.people import Member
from gardenapp.services.garden import join_slips, people
from gardenapp.web.qr import qr_code
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import XHTML, Page
from tests.phones import Phone

CODE = re.compile(r'class="code">([2-9A-Z]{4}-[2-9A-Z]{4})<')


def of_coordinator(app: Flask, make: Factory) -> Phone:
    phone = Phone(app)
    phone.sign_in(make.coordinator())
    return phone


def print_slips(desk: Phone, who: str = "waiting") -> Page:
    return desk.follow(desk.post("/members/slips", {"who": who}))


def code_for(desk: Phone, member: Member) -> str:
    found = CODE.findall(print_slips(desk, str(member.id)).html)
    assert len(found) == 1
    return str(found[0])


def slips_of(page: Page) -> dict[str, str]:
    """The text of each slip by its name."""
    found = {}
    for section in page.all("section"):
        name = "".join(section.find(f"{XHTML}h2").itertext())  # type: ignore[union-attr]
        found[name] = re.sub(r"\s+", " ", " ".join(section.itertext())).strip()
    return found


def is_signed_in(phone: Phone) -> bool:
    return bool(phone.client.get("/me").status_code == 200)


# --- printing ---------------------------------------------------------------------------------


def test_one_press_prints_a_slip_for_everybody_who_has_not_joined(
    app: Flask, make: Factory
) -> None:
    desk = of_coordinator(app, make)
    tamsin, wes, came = make.member("Tamsin"), make.member("Wes"), make.member("Came")
    make.plot("A1", holders=(tamsin,))
    make.plot("A2", holders=(tamsin,))
    people.redeem_invite(token=people.make_invite(member_id=came.id, by_id=None, now=NOW), now=NOW)

    form = desk.get("/members/slips")
    assert form.values()["who"] == "waiting"
    assert "all 2 who have not joined yet" in form.text
    assert "New slips end these members’ earlier slips and unused links." in form.text
    page = print_slips(desk)

    slips = slips_of(page)
    assert set(slips) == {"Tamsin", "Wes"}
    assert "Lantern Lane Plots · Plots A1, A2" in slips["Tamsin"]
    assert "Plot" not in slips["Wes"].replace("Lantern Lane Plots", "")
    for text in slips.values():
        assert "http://localhost/join" in text
        assert "until Tue 8 Dec, 15:00. Keep it to yourself." in text
    assert len(set(CODE.findall(page.html))) == 2
    assert page.response.headers["Cache-Control"] == "no-store"
    assert wes.name in page.text


@pytest.mark.parametrize(
    ("who", "names"), [("all", {"Tamsin", "Wes"}), ("one", {"Wes"}), ("waiting", {"Tamsin"})]
)
def test_whom_slips_are_for_can_be_chosen(
    app: Flask, make: Factory, who: str, names: set[str]
) -> None:
    desk = of_coordinator(app, make)
    make.member("Tamsin")
    wes = make.member("Wes", password_hash="set", sign_in_name="wes")

    page = print_slips(desk, str(wes.id) if who == "one" else who)

    assert set(slips_of(page)) == names


def test_a_members_page_leads_to_their_slip(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)
    make.member("Tamsin")
    wes = make.member("Wes")
    assert f"/members/slips?for={wes.id}" in desk.get(f"/members/{wes.id}").html
    assert "/members/slips" in desk.get("/members").html

    form = desk.get(f"/members/slips?for={wes.id}")

    assert form.values()["who"] == str(wes.id)
    assert desk.get("/members/slips?for=nonsense").values()["who"] == "waiting"


def test_each_slip_is_in_its_members_language_and_the_page_in_the_readers(
    app: Flask, make: Factory
) -> None:
    make.garden(language="es")
    desk = Phone(app)
    desk.sign_in(make.coordinator(language="en"))
    make.member("Tamsin", language="en")
    lupe = make.member("Lupe")
    make.plot("A1", holders=(lupe,))

    page = print_slips(desk)

    assert page.heading == "Join slips"
    slips = slips_of(page)
    assert "Scan the picture" in slips["Tamsin"]
    assert "Escanea el dibujo" in slips["Lupe"]
    assert "Parcela A1" in slips["Lupe"]
    assert [s.get("lang") for s in page.all("section")] == ["es", "en"]


def test_the_picture_holds_the_link_and_the_link_is_the_members(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)
    tamsin = make.member("Tamsin")

    with desk.client.session_transaction() as session:
        session.pop("join_slips", None)
    answer = desk.post("/members/slips", {"who": str(tamsin.id)})
    with desk.client.session_transaction() as session:
        seed = session["join_slips"]["seed"]
    page = desk.follow(answer)

    with app.app_context():
        (slip,) = join_slips.read_slips(seed=seed, secret=app.config["SECRET_KEY"], now=NOW)
    picture = str(qr_code(f"http://localhost/join/{slip.token}"))
    assert picture in page.html
    assert slip.token not in page.html.replace(picture, "")
    phone = Phone(app)
    assert phone.get(f"/join/{slip.token}").heading == "Hello Tamsin"


def test_slips_are_shown_once_and_go_on_working(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)
    tamsin = make.member("Tamsin")
    code = code_for(desk, tamsin)

    again = desk.follow(desk.get("/members/slips/print", status=303))

    assert "We show slips only once. Those you printed work" in again.text
    phone = Phone(app)
    assert phone.follow(phone.post("/join", {"code": code})).heading == "Hello Tamsin"


def test_slips_nobody_looked_at_are_not_shown_to_the_next_at_that_computer(
    app: Flask, make: Factory, clock: list[datetime]
) -> None:
    desk = of_coordinator(app, make)
    tamsin = make.member("Tamsin")
    desk.post("/members/slips", {"who": str(tamsin.id)})

    clock[0] += timedelta(minutes=30)

    desk.get("/members/slips/print", status=303)


def test_a_choice_that_is_not_on_the_list_is_refused_beside_the_field(
    app: Flask, make: Factory
) -> None:
    desk = of_coordinator(app, make)
    gone = make.member("Gone", is_active=False)
    make.member("Tamsin")

    for who in ("", "everybody", str(gone.id), "9" * 30, "waiting,all"):
        page = desk.post("/members/slips", {"who": who}, status=422)
        assert "Choose one of the list." in page.text


def test_alone_one_is_led_to_adding_members(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)

    page = desk.get("/members/slips")

    assert "Only you so far" in page.text
    assert not [f for f in page.all("form") if f.get("action") == "/members/slips"]
    desk.post("/members/slips", {"who": "all"}, status=422)


def test_opened_by_this_computers_own_name_the_page_says_so(app: Flask, make: Factory) -> None:
    odile = make.coordinator()
    make.member("Tamsin")
    desk = Phone(app)
    desk.sign_in(odile)
    by_address = "http://192.0.2.7:8080"
    with desk.client.session_transaction(base_url=by_address) as session:
        session["_user_id"], session["_fresh"] = f"{odile.id}:{odile.session_epoch}", True

    assert "the slips would work on no phone" in desk.get("/members/slips").text
    elsewhere = desk.client.get("/members/slips", base_url=by_address)
    assert elsewhere.status_code == 200
    assert "work on no phone" not in elsewhere.text


# --- joining ----------------------------------------------------------------------------------


def test_a_code_that_is_typed_joins_after_a_press_and_leads_to_the_plot(
    app: Flask, make: Factory
) -> None:
    desk = of_coordinator(app, make)
    tamsin = make.member("Tamsin")
    plot = make.plot("A1", holders=(tamsin,))
    code = code_for(desk, tamsin)
    phone = Phone(app)

    hello = phone.follow(phone.post("/join", {"code": code.lower().replace("-", " ")}))
    assert (hello.heading, is_signed_in(phone)) == ("Hello Tamsin", False)
    assert "Plot A1" in hello.text
    assert code not in hello.html
    assert hello.response.headers["Cache-Control"] == "no-store"
    for _ in range(3):
        phone.get("/join/code")
    joined = phone.post("/join/code")

    assert joined.response.headers["Location"] == f"/plots/{plot.id}"
    assert is_signed_in(phone)
    other = Phone(app)
    page = other.post("/join", {"code": code}, status=422)
    assert "This code does not work." in page.text


@pytest.mark.parametrize("typed", ["2222-2222", "k7m", "O0O0-O0O0", "<b>{{7*7}}", "", " - "])
def test_a_wrong_code_is_told_beside_the_field_and_kept(
    app: Flask, make: Factory, typed: str
) -> None:
    make.garden()
    phone = Phone(app)

    page = phone.post("/join", {"code": typed}, status=422)

    assert page.values()["code"] == typed.strip()
    (field,) = [f for f in page.all("input") if f.get("name") == "code"]
    assert field.get("aria-invalid") == "true"
    assert page.response.headers["Cache-Control"] == "no-store"


def test_after_ten_wrong_codes_the_page_says_how_long_to_wait_and_another_way(
    app: Flask, make: Factory, clock: list[datetime]
) -> None:
    desk = of_coordinator(app, make)
    code = code_for(desk, make.member("Tamsin"))
    phone = Phone(app)
    for _ in range(10):
        phone.post("/join", {"code": "2222-2222"}, status=422)

    page = phone.post("/join", {"code": code}, status=429)

    assert page.response.headers["Retry-After"] == "5"
    assert "Too many tries. Wait 5 seconds, then try again." in page.text
    assert "The picture on your slip still works" in page.text
    assert page.values()["code"] == code
    Phone(app, address="198.51.100.7").post("/join", {"code": code})
    clock[0] += timedelta(seconds=5)
    phone.post("/join", {"code": code})


def test_a_forged_forwarding_header_makes_no_new_address(app: Flask, make: Factory) -> None:
    make.garden()
    phone = Phone(app)
    for number in range(10):
        there = {"X-Forwarded-For": f"203.0.113.{number}"}
        phone.post("/join", {"code": "2222-2222"}, status=422, headers=there)

    phone.post(
        "/join", {"code": "2222-2222"}, status=429, headers={"X-Forwarded-For": "203.0.113.99"}
    )


def test_wrong_and_used_codes_get_the_same_page(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)
    used = code_for(desk, make.member("Tamsin"))
    phone = Phone(app)
    phone.post("/join", {"code": used})
    phone.post("/join/code")

    def answer(code: str) -> tuple[str, dict[str, str]]:
        page = Phone(app).post("/join", {"code": code}, status=422)
        headers = {k: v for k, v in page.response.headers if k not in {"Set-Cookie", "Date"}}
        headers.pop("X-Request-Id", None)
        headers.pop("Content-Length", None)
        return re.sub(r'value="[^"]*"', "", page.html), headers

    assert answer(used) == answer("2222-2222")


def test_a_code_that_ended_between_typing_and_pressing_says_so(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)
    tamsin = make.member("Tamsin")
    code = code_for(desk, tamsin)
    one, other = Phone(app), Phone(app)
    for phone in (one, other):
        phone.post("/join", {"code": code})
    one.post("/join/code")

    assert other.post("/join/code", status=404).heading == "This code has ended"
    assert "no longer works" in other.get("/join/code", status=404).text
    assert not is_signed_in(other)


def test_a_typed_code_waits_half_an_hour_for_the_press(
    app: Flask, make: Factory, clock: list[datetime]
) -> None:
    desk = of_coordinator(app, make)
    code = code_for(desk, make.member("Tamsin"))
    phone = Phone(app)
    phone.post("/join", {"code": code})

    clock[0] += timedelta(minutes=30)

    for answer in (phone.get("/join/code", status=303), phone.post("/join/code")):
        assert answer.response.headers["Location"] == "/join"
    assert not is_signed_in(phone)


def test_without_a_typed_code_nobody_comes_in(app: Flask, make: Factory) -> None:
    make.member("Tamsin")
    phone = Phone(app)

    assert phone.post("/join/code").response.headers["Location"] == "/join"
    phone.get("/join/code", status=303)
    assert not is_signed_in(phone)


def test_the_phone_keeps_a_hash_of_the_code_and_only_until_it_is_used(
    app: Flask, make: Factory
) -> None:
    desk = of_coordinator(app, make)
    code = code_for(desk, make.member("Tamsin"))
    phone = Phone(app)
    phone.post("/join", {"code": code})
    with phone.client.session_transaction() as session:
        assert code.replace("-", "") not in repr(dict(session))
    phone.post("/join/code")
    with phone.client.session_transaction() as session:
        assert "join_code" not in session


def test_joining_on_a_phone_that_is_somebody_elses_says_so_first(app: Flask, make: Factory) -> None:
    desk = of_coordinator(app, make)
    wes = make.member("Wes")
    code = code_for(desk, make.member("Tamsin"))
    phone = Phone(app)
    phone.sign_in(wes)

    hello = phone.follow(phone.post("/join", {"code": code}))

    assert "This phone is signed in as Wes now." in hello.text


@pytest.mark.parametrize("way", ["link", "code"])
def test_whoever_is_greeted_is_greeted_in_their_own_language(
    app: Flask, make: Factory, way: str
) -> None:
    desk = of_coordinator(app, make)
    lupe = make.member("Lupe", language="es")
    phone = Phone(app)
    if way == "code":
        hello = phone.follow(phone.post("/join", {"code": code_for(desk, lupe)}))
        path = "/join/code"
    else:
        path = f"/join/{people.make_invite(member_id=lupe.id, by_id=None, now=NOW)}"
        hello = phone.get(path)

    assert hello.heading == "Hola, Lupe"
    assert "Soy yo" in hello.text
    assert hello.root.get("lang") == hello.response.headers["Content-Language"] == "es"
    after = phone.follow(phone.post(path))
    assert "La sesión queda abierta en este teléfono" in after.text


def test_without_a_language_of_their_own_the_phone_decides(app: Flask, make: Factory) -> None:
    make.garden(language="es")
    path = f"/join/{people.make_invite(member_id=make.member('Jo').id, by_id=None, now=NOW)}"
    client = Phone(app).client

    english = client.get(path, headers={"Accept-Language": "en-GB"})
    spanish = client.get(path)

    assert (english.headers["Content-Language"], spanish.headers["Content-Language"]) == (
        "en",
        "es",
    )


def test_before_there_is_a_garden_there_is_nothing_to_join(app: Flask) -> None:
    phone = Phone(app)

    assert phone.get("/join", status=303).response.headers["Location"] == "/first-steps"


def test_the_sign_in_page_leads_to_the_code(app: Flask, make: Factory) -> None:
    make.garden()

    assert 'href="/join"' in Phone(app).get("/sign-in").html


# --- language of a new member -----------------------------------------------------------------


def member_row(name: str) -> Member:
    db.session.rollback()  # to see what a request has written since
    wanted = select(Member).where(Member.name == name)
    return db.session.scalars(wanted.execution_options(populate_existing=True)).one()


@pytest.mark.parametrize(("picked", "kept"), [("es", "es"), ("", None)])
def test_a_member_is_added_with_their_language(
    app: Flask, make: Factory, picked: str, kept: str | None
) -> None:
    desk = of_coordinator(app, make)

    desk.post("/members/new", {"name": "Lupe", "role": "member", "language": picked})

    assert member_row("Lupe").language == kept


def test_a_coordinator_changes_a_members_language_and_leaves_it_to_the_phone_again(
    app: Flask, make: Factory
) -> None:
    desk = of_coordinator(app, make)
    lupe = make.member("Lupe", language="es")
    path = f"/members/{lupe.id}"
    form = desk.get(path)
    assert form.values()["language"] == "es"

    desk.post(path, {"name": "Lupe", "role": "member", "language": ""})
    assert member_row("Lupe").language is None
    desk.post(path, {"name": "Lupe", "role": "member", "language": "xx"}, status=422)
    desk.post(path, {"name": "Lupe", "role": "member", "language": "en"})
    assert member_row("Lupe").language == "en"
