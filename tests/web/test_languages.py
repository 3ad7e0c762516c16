"""Each reader's language: how it is chosen, that Spanish is whole, that no page lapses."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from datetime import date
from io import BytesIO
from xml.etree.ElementTree import Element

import html5lib
import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po
from flask import Flask

from gardenapp.errors import OutOfRange
from gardenapp.extensions import db
from gardenapp.folders import PACKAGE
from gardenapp.messages import Celsius, Day, Length, Number, say, say_n, to_json
from gardenapp.models.people import Garden, Member
from gardenapp.science.night.plan_records import TreatmentName
from gardenapp.services.garden import people
from gardenapp.services.night.plan_words import treatment_words
from gardenapp.services.notices import feeds
from gardenapp.web import catalogue, formats
from gardenapp.web.access import sign_in
from gardenapp.words import _, later, n_, speaking, told
from tests.conftest import NOW
from tests.factories import Factory
from tests.fuzz.test_forms import forms_of
from tests.pages import XHTML, Pages
from tests.web.test_access_matrix import World, rules, token_for, world  # noqa: F401  (a fixture)

PLACES = re.compile(r"%\(\w+\)s|%%|\{\}|</?\w+>")
ATTRIBUTES = ("aria-label", "title", "alt", "placeholder")
# Words that are the same signs in both languages in other contexts than the message's.
TOO_SHORT = 4


def messages() -> list[Message]:
    return [message for message in catalogue.read_translations("es") if message.id]


def strings(value: object) -> list[str]:
    return [str(part) for part in value] if isinstance(value, tuple | list) else [str(value or "")]


def spanish(pages: Pages) -> Pages:
    pages.client.set_cookie("language", "es")
    return pages


# The choice


def test_a_visitor_gets_the_gardens_language_where_nothing_is_asked_for(
    pages: Pages, make: Factory
) -> None:
    make.garden(language="es")

    page = pages.get("/tonight")

    assert page.root.get("lang") == "es"
    assert page.response.headers["Content-Language"] == "es"


@pytest.mark.parametrize(
    ("asked", "language"),
    [("es-MX,es;q=0.9", "es"), ("en-GB,es;q=0.5", "en"), ("fr", "en"), ("%%;;", "en")],
    ids=["spanish", "english first", "one we have not", "nonsense"],
)
def test_the_browser_is_heard(pages: Pages, make: Factory, asked: str, language: str) -> None:
    make.garden()

    response = pages.client.get("/tonight", headers={"Accept-Language": asked})

    assert f'<html lang="{language}"' in response.get_data(as_text=True)


def test_the_link_at_the_foot_is_remembered_and_wins_over_the_browser(
    pages: Pages, make: Factory
) -> None:
    make.garden()
    link = next(a for a in pages.get("/help").all("a") if a.get("lang") == "es")

    answer = pages.client.get(str(link.get("href")))
    page = pages.get("/help")

    assert (answer.status_code, answer.headers["Location"]) == (303, "/help")
    assert page.heading == "Ayuda y precauciones"


@pytest.mark.parametrize("target", ["//elsewhere.test", "https://elsewhere.test/", "/\\x"])
def test_the_language_link_leads_nowhere_else(pages: Pages, make: Factory, target: str) -> None:
    make.garden()

    answer = pages.client.get("/language/es", query_string={"next": target})

    assert answer.headers["Location"] == "/tonight"


def test_an_unknown_language_is_no_page(pages: Pages, make: Factory) -> None:
    make.garden()

    assert pages.client.get("/language/xx").status_code == 404


def test_a_members_own_choice_wins_over_the_phone(pages: Pages, make: Factory) -> None:
    member = make.member("Vera", language="es")
    pages.sign_in(member)
    pages.client.set_cookie("language", "en")

    assert pages.get("/me").root.get("lang") == "es"


def test_a_member_chooses_on_their_own_page(pages: Pages, make: Factory) -> None:
    member = make.member("Vera")
    pages.sign_in(member)

    pages.post("/me", {"temperature_unit": "C", "length_unit": "metric", "language": "es"})
    page = pages.get("/me")

    db.session.expire_all()
    kept = db.session.get(Member, member.id)
    assert kept is not None and kept.language == "es"
    assert "Tus preferencias están guardadas." in page.text


def test_the_garden_has_a_language(pages: Pages, make: Factory) -> None:
    pages.sign_in(make.coordinator())
    values = pages.get("/garden").values()

    pages.post("/garden", {**values, "language": "es"})

    db.session.expire_all()
    garden = db.session.get(Garden, 1)
    assert garden is not None and garden.language == "es"


def test_a_kept_board_is_not_shown_to_a_reader_of_the_other_language(
    pages: Pages, make: Factory
) -> None:
    make.garden()
    first = pages.get("/tonight")

    page = spanish(pages).get("/tonight")

    assert (first.root.get("lang"), page.root.get("lang")) == ("en", "es")
    assert "Accept-Language" in page.response.headers["Vary"]


# Dates, numbers and words


@pytest.fixture
def in_spanish(app: Flask, make: Factory) -> Iterator[None]:
    make.garden()
    with app.test_request_context("/", headers={"Accept-Language": "es"}):
        yield


@pytest.mark.usefixtures("in_spanish")
def test_nights_days_and_numbers_are_written_the_spanish_way() -> None:
    space = formats.SPACE

    assert formats.temperature(-1.5, "C") == f"−1,5{space}°C"
    assert formats.night_name(date(2026, 11, 24)) == (
        "Noche del martes 24 al miércoles 25 de noviembre"
    )
    assert formats.night_name(date(2026, 11, 30)) == (
        "Noche del lunes 30 de noviembre al martes 1 de diciembre"
    )
    assert formats.day_name(date(2026, 11, 24)) == "martes, 24 de noviembre de 2026"
    assert formats.plural(1, "plot") + formats.plural(2, "night", "nights") == "1 plot2 noches"
    assert formats.chance(0.001) == f"menos del 1{space}%"
    stack = TreatmentName(("Timber frame with clear film", "Loose straw, about 10 cm"))
    assert treatment_words(stack) == (
        "Armazón de madera con plástico transparente con Paja suelta, unos 10 cm debajo"
    )


@pytest.mark.usefixtures("in_spanish")
def test_words_are_said_when_read_and_kept_as_written() -> None:
    word = later("covered")

    assert (str(word), f"{word}", "{}".format(word)) == ("cubierta",) * 3  # noqa: UP032  (the way of older code)
    assert word == "covered"
    with speaking("en"):
        assert str(word) == "covered"


def test_without_an_app_words_stay_english() -> None:
    assert _("Enter %(kind)s.", kind="it") == "Enter it."
    assert n_("%(num)s night", "%(num)s nights", 2) == "2 nights"


def test_a_feed_speaks_its_members_language(app: Flask, make: Factory) -> None:
    member = make.member("Vera", language="es")
    token = feeds.make_link(member_id=member.id, all_plots=True, now=NOW)

    feed = feeds.tonight_calendar(reader=feeds.reader_of(token), now=NOW).decode()

    assert "Todavía no hay plan para esta noche" in feed
    assert "noches frías" in feed


def test_setting_units_can_leave_the_language_to_the_phone(app: Flask, make: Factory) -> None:
    member = make.member("Vera", language="es")

    people.set_units(
        member_id=member.id, temperature_unit="C", length_unit="metric", language=None, now=NOW
    )

    db.session.expire_all()
    kept = db.session.get(Member, member.id)
    assert kept is not None and kept.language is None


# The catalogue


def test_every_text_of_code_templates_and_tables_is_in_the_catalogue() -> None:
    wanted = {tuple(strings(m.id)) for m in catalogue.gather() if m.id}
    kept = {tuple(strings(m.id)) for m in messages()}

    assert wanted - kept == set(), "run: python -m gardenapp.web.catalogue, then translate"
    assert kept - wanted == set(), "run: python -m gardenapp.web.catalogue"


def test_no_translation_is_empty_or_doubtful() -> None:
    empty = [m.id for m in messages() if not all(strings(m.string))]

    assert empty == []
    assert [m.id for m in messages() if m.fuzzy] == []


def test_both_sides_have_the_same_places_to_fill() -> None:
    odd = []
    for message in messages():
        for one, other in zip(strings(message.id), strings(message.string), strict=True):
            if sorted(PLACES.findall(one)) != sorted(PLACES.findall(other)):
                odd.append(one)

    assert odd == []


def test_no_translation_breaks_an_attribute() -> None:
    odd = [
        message.id
        for message in messages()
        for one, other in zip(strings(message.id), strings(message.string), strict=True)
        if '"' in other and '"' not in one
    ]

    assert odd == []


def test_the_compiled_catalogue_is_that_of_the_text() -> None:
    path = catalogue.po_path("es")
    text = read_po(BytesIO(path.read_bytes()), locale="es")

    assert path.with_suffix(".mo").read_bytes() == catalogue.compiled(text)


# No page lapses into English


def texts(element: Element, *, is_english: bool = False) -> list[str]:
    """What the page says outside of parts marked as English."""
    is_english = element.get("lang", "en" if is_english else "es").startswith("en")
    found: list[str] = []
    if str(element.tag).removeprefix(XHTML) not in {"code", "pre", "script"}:
        if not is_english:
            found += [str(element.get(name)) for name in ATTRIBUTES if element.get(name)]
            found.append(element.text or "")
        for child in element:
            found += texts(child, is_english=is_english)
            if not is_english:
                found.append(child.tail or "")
    return [" ".join(text.split()) for text in found if text.strip()]


def english_only() -> tuple[set[str], list[re.Pattern[str]]]:
    """Texts that are said otherwise in Spanish: plain ones, and patterns for those with places."""
    plain, patterns = set(), []
    for message in messages():
        for one, other in zip(strings(message.id), strings(message.string), strict=True):
            bare = " ".join(re.sub(r"<[^>]+>", "", one).split())
            if one == other or len(bare) < TOO_SHORT:
                continue
            if "%(" not in bare:
                plain.add(bare.replace("%%", "%"))
            elif len(re.sub(r"%\(\w+\)s|\W", "", bare)) >= 8:
                pieces = [re.escape(p) for p in re.split(r"%\(\w+\)s", bare.replace("%%", "%"))]
                patterns.append(re.compile(".+?".join(pieces)))
    return plain, patterns


def test_no_page_says_a_sentence_in_english_to_a_spanish_reader(world: World) -> None:  # noqa: F811
    plain, patterns = english_only()
    client = world.client("coordinator")
    client.set_cookie("language", "es")
    own_words = {"bean", "tool shed", "String"}  # typed by members of the test garden
    lapses, read = [], 0
    for rule in rules(world.app):
        if "GET" not in (rule.methods or set()) or rule.endpoint == "people.sign_out":
            continue
        response = client.get(world.path(rule))
        if response.mimetype != "text/html" or response.status_code >= 300:
            continue
        read += 1
        root = html5lib.parse(response.get_data(as_text=True))
        assert root.get("lang") == "es", rule
        for text in texts(root):
            if text in own_words:
                continue
            if text in plain or any(pattern.fullmatch(text) for pattern in patterns):
                lapses.append(f"{rule}: {text}")

    assert lapses == [], "\n".join(lapses)
    assert read > 40


@pytest.mark.parametrize("nonsense", ["", "zzz"])
def test_no_form_that_comes_back_speaks_english_to_a_spanish_reader(
    world: World,  # noqa: F811
    nonsense: str,
) -> None:
    plain, patterns = english_only()
    forms = [f for f in forms_of(world.app, world) if not f[0].startswith("/sign-out")]
    client = world.client("coordinator")
    client.set_cookie("language", "es")
    token = token_for(world.app, client)
    own_words = {"bean", "tool shed", "String"}
    lapses, read = [], 0
    for action, fields in forms:
        data = dict.fromkeys(fields, nonsense) | {"csrf_token": token}
        response = client.post(action, data=data)
        if response.mimetype != "text/html" or response.status_code != 422:
            continue
        read += 1
        root = html5lib.parse(response.get_data(as_text=True))
        for text in texts(root):
            is_english = text in plain or any(pattern.fullmatch(text) for pattern in patterns)
            if is_english and text not in own_words:
                lapses.append(f"{action}: {text}")

    assert lapses == [], "\n".join(lapses)
    assert read >= 10


# Messages: what modules without languages give to be said


def calls_of_messages() -> list[ast.Call]:
    """Every place in the code that makes a message."""
    return [
        node
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in {"say", "say_n"}
    ]


def test_every_message_of_the_code_is_in_the_catalogue_with_all_its_values() -> None:
    known = {text for message in messages() for text in strings(message.id)}
    calls = calls_of_messages()

    assert len(calls) > 400
    for call in calls:
        name = getattr(call.func, "id", "")
        texts = [ast.literal_eval(part) for part in call.args[: 2 if name == "say_n" else 1]]
        given = {keyword.arg for keyword in call.keywords}
        assert set(texts) <= known
        for text in texts:
            assert set(re.findall(r"%\((\w+)\)s", text)) - {"num"} == given - {"num"}, text


# In the words of nights and notices, which are being made anew.
def test_no_text_has_a_space_at_its_edge() -> None:
    glued = {text for message in messages() for text in strings(message.id) if text != text.strip()}

    assert glued == set()


def test_a_translator_is_told_where_each_text_stands() -> None:
    assert [m.id for m in messages() if not m.locations] == []


def test_a_message_is_said_in_the_language_of_its_reader(app: Flask, make: Factory) -> None:
    make.garden()
    notice = say("a frost advisory")
    words = say(
        "The weather service has %(notice)s out for the night of %(day)s.",
        notice=notice,
        day=Day(date(2026, 5, 4)),
    )
    rows = say_n("%(num)s row without a low left out.", "%(num)s rows without a low left out.", 2)
    cold = say("%(value)s °C is outside −60 to +60 °C", value=Number(60.5))

    english = "The weather service has a frost advisory out for the night of 4 May 2026."
    assert str(words) == english
    with app.test_request_context("/", headers={"Accept-Language": "es"}):
        assert str(words) == english
        assert told(words) == (
            "El servicio meteorológico tiene una advertencia de escarcha en vigor para la "
            "noche del 4 de mayo de 2026."
        )
        assert told(rows) == "2 filas sin mínima, fuera de la cuenta."
        assert told(OutOfRange(cold)) == "60,5 °C está fuera de −60 a +60 °C"
        assert told(to_json(words)) == told(words)
        assert told("Odile’s own words") == "Odile’s own words"
        assert told(None) is None
        with speaking("en"):
            assert told(words) == english


def test_amounts_are_written_in_the_units_of_the_reader(make: Factory, pages: Pages) -> None:
    member = make.coordinator(temperature_unit="F", length_unit="inch", language="es")
    cold = say("%(text)s is not a date and time", text=Celsius(-1.1))
    size = say(
        "window %(across)s x %(down)s", across=Length(609.6, is_bare=True), down=Length(1016.0)
    )

    with pages.client.application.test_request_context():
        sign_in(member)
        assert told(cold).startswith(f"30,0{formats.SPACE}°F")
        assert told(size) == f"ventana 24 x 40{formats.SPACE}in"


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("/forecast/import", "TMIN: di si son °C o °F"),
        ("/season/import", "línea 1: El archivo no dice si sus temperaturas son °C, °F o décimas"),
        ("/replay", "línea 1: El archivo no dice si sus temperaturas son °C, °F o décimas"),
    ],
)
def test_a_broken_file_is_refused_in_spanish(
    make: Factory, pages: Pages, address: str, words: str
) -> None:
    spanish(pages).sign_in(make.coordinator(language="es"))
    table = b"DATE,TMIN\n2026-11-24,warm\n2026-11-25,cold\n"

    page = pages.post(address, {"file": (BytesIO(table), "table.csv")}, status=422)

    assert words in page.text
