"""Signing in, links, one's own page and the coordinator's list, as a phone sees them."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest
import segno
from flask import Flask
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.people import LogEntry, Member, PlotHolder
from gardenapp.services.garden import people
from tests.conftest import NOW
from tests.factories import PASSWORD, Factory
from tests.pages import XHTML, Page
from tests.phones import Phone
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)

pytestmark = pytest.mark.usefixtures("quick_hashes")


@pytest.fixture
def phone(app: Flask) -> Phone:
    return Phone(app)


def signed_in(phone: Phone, name: str = "Odile", password: str = PASSWORD) -> Phone:
    """Sign in by the page, as a person does."""
    phone.post("/sign-in", {"name": name, "password": password})
    return phone


def is_signed_in(phone: Phone) -> bool:
    return bool(phone.client.get("/me").status_code == 200)


def link_for(phone: Phone, member: Member) -> str:
    page = phone.follow(phone.post(f"/members/{member.id}/link"))
    found = re.search(r"/join/[\w-]+", page.text)
    assert found is not None
    return found.group()


def send(phone: Phone, path: str, data: dict[str, str]) -> int:
    """The status alone: a control character sent back in a field is not valid HTML."""
    answer = phone.client.post(path, data=data | {"csrf_token": phone._token()})
    return int(answer.status_code)


def value(page: Page, name: str) -> str:
    return page.values().get(name, "")


# --- signing in -------------------------------------------------------------------------------


def test_the_right_password_lets_in_and_leads_to_the_board(make: Factory, phone: Phone) -> None:
    make.coordinator(password=PASSWORD)

    answer = phone.post("/sign-in", {"name": "odile", "password": PASSWORD})

    assert answer.response.headers["Location"] == "/tonight"
    assert is_signed_in(phone)


def test_a_wrong_password_keeps_the_name_and_never_sends_the_password_back(
    make: Factory, phone: Phone
) -> None:
    make.coordinator(password=PASSWORD)

    page = phone.post("/sign-in", {"name": "Odile", "password": "wrong-words"}, status=422)

    assert "That name and password do not match. Try again, or ask for a link." in page.text
    assert value(page, "name") == "Odile"
    assert "wrong-words" not in page.html
    assert not is_signed_in(phone)


def test_known_and_unknown_names_get_the_same_page(make: Factory, phone: Phone) -> None:
    make.coordinator(password=PASSWORD)

    known, unknown = (
        phone.post("/sign-in", {"name": name, "password": "wrong-words"}, status=422)
        for name in ("Odile", "Xanto")
    )

    def plain(page: Page) -> str:
        return re.sub(r'value="[^"]*"', "", page.html)

    assert plain(known) == plain(unknown)


def test_too_many_tries_say_how_long_to_wait_and_keep_the_name(
    make: Factory, phone: Phone, clock: list[datetime]
) -> None:
    make.coordinator(password=PASSWORD)
    for _ in range(5):
        phone.post("/sign-in", {"name": "Odile", "password": "wrong-words"}, status=422)

    page = phone.post("/sign-in", {"name": "Odile", "password": PASSWORD}, status=429)
    assert "Wait 5 seconds" in page.text
    assert page.response.headers["Retry-After"] == "5"
    assert value(page, "name") == "Odile"

    clock[0] += timedelta(seconds=5)
    signed_in(phone)
    assert is_signed_in(phone)


def test_a_forged_forwarding_header_does_not_make_another_address(
    make: Factory, phone: Phone
) -> None:
    make.coordinator(password=PASSWORD)
    for number in range(5):
        phone.post(
            "/sign-in",
            {"name": "Odile", "password": "wrong-words"},
            status=422,
            headers={"X-Forwarded-For": f"203.0.113.{number}"},
        )

    phone.post(
        "/sign-in",
        {"name": "Odile", "password": PASSWORD},
        status=429,
        headers={"X-Forwarded-For": "203.0.113.99"},
    )


@pytest.mark.parametrize(
    "hostile",
    [
        "//evil.example", "////evil.example", "/\\evil.example", "\\\\evil.example",
        "https://evil.example/", "http:evil.example", "javascript:alert(1)", "data:text/html,x",
        "/\tevil", "/\r\nLocation: https://evil.example", "%2f%2fevil.example", "/%2fevil.example",
        "/%5cevil.example", "//user@evil.example/plots", "https:/evil.example", "///plots",
        "/plots/../../evil", " //evil.example", "/nowhere", "", "plots", "/sign-out",
        "/plots@evil.example", "/.evil.example", "\x00/plots", "/static/garden.css",
    ],
)  # fmt: skip
def test_where_to_go_on_after_signing_in_stays_at_home(
    app: Flask, make: Factory, phone: Phone, hostile: str
) -> None:
    make.coordinator(password=PASSWORD)

    answer = phone.client.post(
        "/sign-in",
        query_string={"next": hostile},
        data={"name": "Odile", "password": PASSWORD, "csrf_token": phone._token()},
    )

    assert (answer.status_code, answer.headers["Location"]) == (303, "/tonight")


def test_where_to_go_on_is_kept_through_a_mistyped_password(make: Factory, phone: Phone) -> None:
    make.coordinator(password=PASSWORD)
    asked = phone.get("/members", status=303)
    page = phone.follow(asked)
    action = next(f.get("action", "") for f in page.all("form"))
    assert action == "/sign-in?next=/members"

    again = phone.post(action, {"name": "Odile", "password": "wrong-words"}, status=422)
    action = next(f.get("action", "") for f in again.all("form"))
    answer = phone.post(action, {"name": "Odile", "password": PASSWORD})

    assert answer.response.headers["Location"] == "/members"


def test_the_sign_in_form_helps_password_managers(make: Factory, phone: Phone) -> None:
    make.coordinator(password=PASSWORD)

    fields = {e.get("name"): e for e in phone.get("/sign-in").all("input")}

    assert fields["name"].get("autocomplete") == "username"
    assert fields["password"].get("autocomplete") == "current-password"
    assert fields["password"].get("type") == "password"


@pytest.mark.parametrize(
    "typed", ["", "x" * 5_000, "\x00", "\x1b[31m", "9" * 20, "nan", "🌱", "\ud800", "{{7*7}}"]
)
def test_nothing_typed_at_the_sign_in_page_breaks_it(
    make: Factory, phone: Phone, typed: str
) -> None:
    make.coordinator(password=PASSWORD)
    typed = typed.encode("utf-8", "replace").decode()

    for data in ({"name": typed, "password": PASSWORD}, {"name": "Odile", "password": typed}):
        assert send(phone, "/sign-in", data) == 422


# --- cookies ----------------------------------------------------------------------------------


def test_a_cookie_planted_before_signing_in_is_useless_after(make: Factory, app: Flask) -> None:
    make.coordinator(password=PASSWORD)
    attacker, victim = Phone(app), Phone(app)
    attacker.get("/sign-in")
    planted = attacker.cookie()
    victim.plant(planted)

    signed_in(victim)

    assert is_signed_in(victim)
    assert victim.cookie() != planted
    assert not is_signed_in(attacker)


def test_what_was_in_the_session_before_is_dropped(make: Factory, phone: Phone) -> None:
    make.coordinator(password=PASSWORD)
    with phone.client.session_transaction() as session:
        session["planted"] = "by a stranger"
        session["may_set_password_until"] = "2999-01-01T00:00:00+00:00"

    signed_in(phone)

    with phone.client.session_transaction() as session:
        assert "planted" not in session
        assert "may_set_password_until" not in session


def sign_out(phone: Phone, _: Member) -> None:
    phone.post("/sign-out")


def sign_out_everywhere(phone: Phone, _: Member) -> None:
    phone.post("/me/sign-out-everywhere")


def change_password(phone: Phone, _: Member) -> None:
    phone.post("/me/password", {"current": PASSWORD, "new": "four new warm words"})


def be_let_go(phone: Phone, member: Member) -> None:
    people.deactivate(member_id=member.id, by_id=None, now=NOW)
    db.session.remove()


def be_signed_out(phone: Phone, member: Member) -> None:
    people.sign_out_everywhere(member_id=member.id, by_id=None, now=NOW)
    db.session.remove()


@pytest.mark.parametrize(
    "ending", [sign_out, sign_out_everywhere, change_password, be_let_go, be_signed_out]
)
def test_a_cookie_saved_before_the_end_of_a_session_is_useless_after(
    app: Flask, make: Factory, ending: Callable[[Phone, Member], None]
) -> None:
    make.coordinator()
    member = make.member("Tamsin", password=PASSWORD)
    phone, thief = signed_in(Phone(app), "Tamsin"), Phone(app)
    thief.plant(phone.cookie())
    assert is_signed_in(thief)

    ending(phone, member)

    assert not is_signed_in(thief)


def test_signing_out_leaves_the_members_other_phone_signed_in(app: Flask, make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    one, other = signed_in(Phone(app)), signed_in(Phone(app))

    sign_out(one, None)  # type: ignore[arg-type]

    assert not is_signed_in(one)
    assert is_signed_in(other)


def test_a_session_without_a_phones_mark_ends_with_all_the_others(
    app: Flask, make: Factory
) -> None:
    odile = make.coordinator(password=PASSWORD)
    unmarked, thief = Phone(app), Phone(app)
    unmarked.sign_in(odile)
    unmarked.get("/me")
    thief.plant(unmarked.cookie())

    unmarked.post("/sign-out")

    assert not is_signed_in(thief)


def test_changing_the_password_keeps_this_phone_and_ends_the_others(
    app: Flask, make: Factory
) -> None:
    make.coordinator(password=PASSWORD)
    one, other = signed_in(Phone(app)), signed_in(Phone(app))

    change_password(one, None)  # type: ignore[arg-type]

    assert is_signed_in(one)
    assert not is_signed_in(other)


def test_a_role_taken_away_counts_at_once(app: Flask, make: Factory) -> None:
    make.coordinator("Bram")
    odile = make.coordinator(password=PASSWORD)
    phone = signed_in(Phone(app))
    phone.get("/members")

    people.change_member(member_id=odile.id, role="member", by_id=None, now=NOW)
    db.session.remove()

    phone.get("/members", status=403)


# --- links ------------------------------------------------------------------------------------


def test_a_coordinator_makes_a_link_and_the_members_phone_is_let_in(
    app: Flask, make: Factory
) -> None:
    make.coordinator(password=PASSWORD)
    tamsin = make.member("Tamsin")
    link = link_for(signed_in(Phone(app)), tamsin)
    phone = Phone(app)

    greeting = phone.get(link)
    assert greeting.heading == "Hello Tamsin"
    assert not is_signed_in(phone)
    phone.post(link)

    assert is_signed_in(phone)
    with phone.client.session_transaction() as session:
        assert session.permanent
    ended = Phone(app).get(link, status=404)
    assert "no longer works" in ended.text


def test_previews_do_not_use_the_link_up(app: Flask, make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    tamsin = make.member("Tamsin")
    link = link_for(signed_in(Phone(app)), tamsin)

    for _ in range(3):
        preview = Phone(app)
        preview.get(link)
        preview.client.head(link)

    phone = Phone(app)
    phone.post(link)
    assert is_signed_in(phone)


def test_the_link_is_shown_once_and_kept_by_no_cache(app: Flask, make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    tamsin = make.member("Tamsin")
    phone = signed_in(Phone(app))
    made = phone.post(f"/members/{tamsin.id}/link")

    first = phone.follow(made)
    second = phone.get(f"/members/{tamsin.id}/link", status=303)

    assert first.response.headers["Cache-Control"] == "no-store"
    assert "only once" in phone.follow(second).text


def test_the_picture_holds_exactly_the_link(app: Flask, make: Factory) -> None:
    make.coordinator(password=PASSWORD)
    tamsin = make.member("Tamsin")
    phone = signed_in(Phone(app))

    page = phone.follow(phone.post(f"/members/{tamsin.id}/link"))

    address = next("".join(p.itertext()) for p in page.all("p") if p.get("class") == "copy").strip()
    assert address.startswith("http://localhost/join/")
    svg = page.root.find(".//{http://www.w3.org/2000/svg}svg")
    assert svg is not None
    drawn = [path.get("d") for path in svg]
    wanted = segno.make(address, error="m", micro=False).svg_inline(border=4, omitsize=True)
    assert f'd="{drawn[-1]}"' in wanted
    assert "works on no phone" in page.text  # the test's host is called localhost


def test_a_coordinator_who_forgot_the_password_comes_by_link_and_sets_a_new_one(
    app: Flask, make: Factory, clock: list[datetime]
) -> None:
    make.coordinator(password=PASSWORD)
    bram = make.coordinator("Bram", password=PASSWORD)
    link = link_for(signed_in(Phone(app)), bram)
    phone = Phone(app)
    phone.post(link)

    page = phone.get("/me/password")
    assert "current" not in {e.get("name") for e in page.all("input")}
    phone.post("/me/password", {"new": "four new warm words"})

    signed_in(Phone(app), "Bram", "four new warm words")
    page = phone.get("/me/password")  # done once: now the current one is asked for again
    assert "current" in {e.get("name") for e in page.all("input")}


def test_half_an_hour_after_the_link_the_current_password_is_asked_for(
    app: Flask, make: Factory, clock: list[datetime]
) -> None:
    make.coordinator(password=PASSWORD)
    bram = make.coordinator("Bram", password=PASSWORD)
    link = link_for(signed_in(Phone(app)), bram)
    phone = Phone(app)
    phone.post(link)
    clock[0] += timedelta(minutes=30)

    phone.post("/me/password", {"new": "four new warm words"}, status=422)


def test_a_link_for_ones_own_second_phone_does_not_replace_the_password(
    app: Flask, make: Factory
) -> None:
    make.coordinator(password=PASSWORD)
    page = signed_in(one := Phone(app)).post("/me/link")
    shown = one.follow(page)
    found = re.search(r"/join/[\w-]+", shown.text)
    assert found is not None
    second = Phone(app)

    second.post(found.group())

    assert is_signed_in(second)
    second.post("/me/password", {"new": "four new warm words"}, status=422)


@pytest.mark.parametrize("token", ["x", "x" * 64, "..%2f", "%00", "%F0%9F%8C%B1", "'--"])
def test_a_made_up_link_says_that_it_has_ended(make: Factory, phone: Phone, token: str) -> None:
    make.coordinator()

    page = phone.get(f"/join/{token}", status=404)

    assert page.heading in {"This link has ended", "We can’t find that page"}


# --- one's own page ---------------------------------------------------------------------------


def test_units_are_the_members_own(make: Factory, phone: Phone) -> None:
    phone.sign_in(make.coordinator())

    phone.follow(phone.post("/me", {"temperature_unit": "F", "length_unit": "inch"}))

    page = phone.get("/me")
    assert (value(page, "temperature_unit"), value(page, "length_unit")) == ("F", "inch")


def test_a_unit_that_does_not_exist_is_refused(make: Factory, phone: Phone) -> None:
    phone.sign_in(make.coordinator())

    phone.post("/me", {"temperature_unit": "K", "length_unit": "inch"}, status=422)


def test_a_new_password_that_is_not_good_says_why(make: Factory, phone: Phone) -> None:
    phone.sign_in(make.coordinator())

    page = phone.post("/me/password", {"new": "password123"}, status=422)

    assert "Many people use this one" in page.text
    assert "password123" not in page.html


# --- the coordinator's list -------------------------------------------------------------------


def test_a_member_is_added_with_plots_and_stands_in_the_list(make: Factory, phone: Phone) -> None:
    plot = make.plot("A1")
    phone.sign_in(make.coordinator())

    phone.post("/members/new", {"name": "Tamsin", "role": "member", "plots": str(plot.id)})

    page = phone.get("/members")
    assert "Tamsin" in page.text
    assert "Plot A1" in page.text
    assert db.session.scalar(select(LogEntry.action)) == "added a member"


def test_a_name_that_is_taken_is_refused_and_nothing_typed_is_lost(
    make: Factory, phone: Phone
) -> None:
    plot = make.plot("A1")
    phone.sign_in(make.coordinator(sign_in_name="odile"))

    page = phone.post(
        "/members/new",
        {"name": "odile", "role": "coordinator", "plots": str(plot.id)},
        status=422,
    )

    assert "already somebody called Odile" in page.text
    assert value(page, "name") == "odile"
    assert value(page, "role") == "coordinator"
    assert value(page, "plots") == str(plot.id)


def test_plots_are_given_and_taken_away(make: Factory, phone: Phone) -> None:
    tamsin = make.member("Tamsin")
    one, two = make.plot("A1", holders=(tamsin,)), make.plot("A2")
    phone.sign_in(make.coordinator())

    phone.post(f"/members/{tamsin.id}", {"name": "Tamsin", "role": "member", "plots": str(two.id)})

    held = db.session.scalars(
        select(PlotHolder.plot_id).where(PlotHolder.member_id == tamsin.id)
    ).all()
    assert held == [two.id]
    assert one.id not in held


def test_the_only_coordinator_cannot_stop_being_one(make: Factory, phone: Phone) -> None:
    odile = make.coordinator()
    phone.sign_in(odile)

    page = phone.post(f"/members/{odile.id}", {"name": "Odile", "role": "member"}, status=422)
    refused = phone.post(f"/members/{odile.id}/let-go", status=409)

    assert "only coordinator" in page.text
    assert "only coordinator" in refused.text
    phone.get("/members")


def test_somebody_is_let_go_and_taken_back(make: Factory, phone: Phone) -> None:
    tamsin = make.member("Tamsin")
    phone.sign_in(make.coordinator())
    own = f"/members/{tamsin.id}"

    gone = phone.follow(phone.post(f"{own}/let-go"))
    back = phone.follow(phone.post(f"{own}/take-back"))

    assert "cannot sign in" in gone.text
    assert "Make a link" in back.text


@pytest.mark.parametrize(
    ("field", "typed"),
    [
        ("name", "x" * 81), ("name", "a\x00b"), ("name", "line\nbreak"), ("name", ""),
        ("name", "\u202eevil"), ("role", "owner"), ("role", ""), ("plots", "99999999999999999999"),
        ("plots", "nan"), ("plots", "-1"),
    ],
)  # fmt: skip
def test_hostile_input_about_a_member_is_a_form_error(
    make: Factory, phone: Phone, field: str, typed: str
) -> None:
    make.plot("A1")
    phone.sign_in(make.coordinator())
    before = db.session.scalars(select(Member.id)).all()

    data = {"name": "Tamsin", "role": "member"} | {field: typed}
    assert send(phone, "/members/new", data) == 422

    assert db.session.scalars(select(Member.id)).all() == before


@pytest.mark.parametrize("name", ["🌱 Ives", "<b>Bo</b>", "O'Shea & sons", "{{7*7}}", "日本"])
def test_any_printable_name_is_shown_as_it_is(make: Factory, phone: Phone, name: str) -> None:
    phone.sign_in(make.coordinator())

    phone.post("/members/new", {"name": name, "role": "member"})

    page = phone.get("/members")
    assert name in page.text
    assert not page.root.findall(f".//{XHTML}li//{XHTML}b")
