"""Calendars, feeds and data, read back by parsers that are not ours."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from typing import Any

import icalendar
import pytest
from sqlalchemy import select

from gardenapp.errors import NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.notices import FeedLink
from gardenapp.models.people import Member
from gardenapp.services.garden import people
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.notices import feeds
from gardenapp.services.notices.feeds import Event, Reader
from tests.factories import Factory

EVENING = date(2026, 11, 24)
RFC_5545 = "RFC 5545, read by the icalendar library"
EVERYTHING = Reader("C", None)


def plan(now: datetime, low_c: float) -> int:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now)
    return plan_night.plan_night(night_of=EVENING, member_id=None, now=now)


def events(data: bytes) -> list[Any]:
    return list(icalendar.Calendar.from_ical(data).walk("VEVENT"))


@pytest.fixture
def tamsin(make: Factory) -> Member:
    member = make.member("Tamsin")
    make.planting(make.plot("A1", holders=(member,)), make.stage(heat_max_c=12.0), name="beans")
    make.planting(make.plot("B2"), make.stage(heat_max_c=12.0), name="squash")
    kind = make.cover_kind("glass, big; old", clear_mean_k=5.0, cloudy_mean_k=5.0, day_gain_k=15.0)
    for label in ("T1", "T2"):
        make.cover(kind, label=label)
    return member


# --- calendar ---------------------------------------------------------------------------------


@pytest.mark.outside(RFC_5545)
def test_put_on_and_lift_off_are_events_with_alarms_in_utc(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)

    found = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))

    titles = sorted(str(event["SUMMARY"]) for event in found)
    assert titles == [
        "Open or take off covers: plot A1",
        "Open or take off covers: plot B2",
        "Put covers on: plot A1",
        "Put covers on: plot B2",
    ]
    page = tonight.tonight_page(now=make.now)
    by_at = min(job.by_at for job in page.jobs if job.by_at is not None)
    for event in found:
        assert event["DTSTART"].dt.tzinfo is not None
        assert event["DTSTART"].dt.utcoffset() == timedelta(0)
        (alarm,) = event.walk("VALARM")
        assert alarm["ACTION"] == "DISPLAY"
        assert alarm["TRIGGER"].dt == timedelta(minutes=-30)
    ends = [e["DTEND"].dt for e in found if str(e["SUMMARY"]).startswith("Put")]
    assert all(timedelta(0) <= by_at - end < timedelta(minutes=15) for end in ends)
    assert "glass, big; old" in str(found[0]["DESCRIPTION"])


def test_a_link_for_ones_own_plots_shows_no_others(make: Factory, tamsin: Member) -> None:
    token = feeds.make_link(member_id=tamsin.id, all_plots=False, now=make.now)
    plan(make.now, -1.0)

    reader = feeds.reader_of(token)
    text = feeds.tonight_calendar(reader=reader, now=make.now).decode()
    entries = feeds.board_feed(reader=reader, now=make.now).entries
    data = feeds.board_data(reader=reader, now=make.now)

    for shown in (text, str(entries), json.dumps(data)):
        assert "A1" in shown
        assert "B2" not in shown
        assert "squash" not in shown
    assert sum(data["counts"].values()) == 1


def test_a_link_for_all_plots_shows_them(make: Factory, tamsin: Member) -> None:
    token = feeds.make_link(member_id=tamsin.id, all_plots=True, now=make.now)
    plan(make.now, -1.0)

    text = feeds.tonight_calendar(reader=feeds.reader_of(token), now=make.now).decode()

    assert "plot B2" in text


def test_uids_stay_and_the_sequence_rises_with_each_plan(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    first = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))
    plan(make.now + timedelta(minutes=5), -1.4)

    second = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))

    assert {str(e["UID"]) for e in first} == {str(e["UID"]) for e in second}
    assert {int(e["SEQUENCE"]) for e in first} == {0}
    assert {int(e["SEQUENCE"]) for e in second} == {1}
    assert len({str(e["UID"]) for e in first}) == len(first)


def test_a_renamed_garden_keeps_its_uids(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    before = {
        str(e["UID"]) for e in events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))
    }
    make.garden(name="Another Name")

    after = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))

    assert {str(e["UID"]) for e in after} == before


def test_what_is_on_rings_no_more(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    for job in tonight.tonight_page(now=make.now).jobs:
        tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)

    titles = [
        str(e["SUMMARY"]) for e in events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))
    ]

    assert not any(title.startswith("Put") for title in titles)
    assert sum(title.startswith("Open or take off") for title in titles) == 2


def test_what_cannot_be_done_rings_no_more(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    for cover in db.session.scalars(select(Cover)):
        cover.condition = "broken"
    db.session.commit()

    found = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))

    assert [str(event["SUMMARY"]) for event in found if event.walk("VALARM")] == []


def test_an_entry_from_an_old_forecast_says_how_old(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)

    found = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now + timedelta(hours=13)))

    told = [str(e["DESCRIPTION"]) for e in found if str(e["SUMMARY"]).startswith("Put")]
    assert told
    assert all("13 hours" in text for text in told)


@pytest.mark.parametrize(
    ("low_c", "title"),
    [(None, "No plan for tonight yet"), (12.0, "Nothing to do tonight")],
    ids=["no plan", "a warm night"],
)
def test_a_calendar_is_never_empty(
    make: Factory, tamsin: Member, low_c: float | None, title: str
) -> None:
    if low_c is not None:
        plan(make.now, low_c)

    (event,) = events(feeds.tonight_calendar(reader=EVERYTHING, now=make.now))

    assert str(event["SUMMARY"]) == title
    assert event["DTSTART"].dt == EVENING
    assert not event.walk("VALARM")


def test_the_same_plan_gives_the_same_bytes(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)

    first = feeds.tonight_calendar(reader=EVERYTHING, now=make.now)
    later = feeds.tonight_calendar(reader=EVERYTHING, now=make.now + timedelta(hours=2))

    assert first == later


NASTY = 'Łäüß 🥶 a,b;c\\d "e"\n' * 12 + "END:VEVENT"


@pytest.mark.outside(RFC_5545 + ", 3.1 (folding) and 3.3.11 (escaping)")
def test_long_and_odd_text_comes_back_as_it_went_in() -> None:
    moment = datetime(2026, 11, 24, 16, 0, tzinfo=UTC)

    data = feeds.calendar(
        name="Garden; of, odd\\names",
        events=[
            Event("one@x", 3, moment, moment, moment + timedelta(minutes=30), NASTY, NASTY, NASTY)
        ],
    )

    (event,) = events(data)
    # A summary is one line to a person, but its line ends must still not end the property.
    assert str(event["SUMMARY"]) == NASTY
    assert str(event["DESCRIPTION"]) == NASTY
    assert int(event["SEQUENCE"]) == 3
    assert all(len(line) <= 75 for line in data.split(b"\r\n"))
    assert b"\n" not in data.replace(b"\r\n", b"")
    for line in data.split(b"\r\n"):
        line.decode("utf-8")  # cut in no character


def test_control_characters_are_left_out() -> None:
    moment = datetime(2026, 11, 24, 16, 0, tzinfo=UTC)

    data = feeds.calendar(
        name="x", events=[Event("u@x", 0, moment, moment, moment, "a\x00b\x0bc\rd", "\x1b[0m")]
    )

    assert not any(byte < 32 and byte not in (10, 13) for byte in data)
    (event,) = events(data)
    assert str(event["SUMMARY"]) == "abcd"


# --- links ------------------------------------------------------------------------------------


def test_the_secret_is_long_and_only_its_hash_is_kept(make: Factory, tamsin: Member) -> None:
    token = feeds.make_link(member_id=tamsin.id, all_plots=False, now=make.now)

    row = db.session.query(FeedLink).one()

    assert len(token) * 6 >= 128
    assert token not in str(row.__dict__)


@pytest.mark.parametrize("how", ["a new link", "ended", "let go", "wrong", "surrogate"])
def test_a_link_that_is_no_more_opens_nothing(make: Factory, tamsin: Member, how: str) -> None:
    token = feeds.make_link(member_id=tamsin.id, all_plots=False, now=make.now)
    if how == "a new link":
        feeds.make_link(member_id=tamsin.id, all_plots=True, now=make.now)
    elif how == "ended":
        feeds.end_link(member_id=tamsin.id, now=make.now)
    elif how == "let go":
        people.deactivate(member_id=tamsin.id, by_id=None, now=make.now)
    else:
        token = "\ud800" if how == "surrogate" else token[:-1]

    with pytest.raises(NotFound, match="no longer works"):
        feeds.reader_of(token)


# --- feed -------------------------------------------------------------------------------------


def test_each_plan_is_an_entry_of_its_own_with_a_lasting_id(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    first = feeds.board_feed(reader=EVERYTHING, now=make.now)
    plan(make.now + timedelta(minutes=5), -3.0)

    second = feeds.board_feed(reader=EVERYTHING, now=make.now)

    assert first.id == second.id
    assert first.entries[0].id != second.entries[0].id
    assert second.updated_at > first.updated_at


def test_temperatures_are_in_the_readers_unit(make: Factory, tamsin: Member) -> None:
    plan(make.now, -10.0)

    (entry,) = feeds.board_feed(reader=Reader("F", None), now=make.now).entries

    assert "14.0 °F" in "\n".join(entry.lines)


def test_signing_out_everywhere_ends_the_private_addresses_too(
    make: Factory, tamsin: Member
) -> None:
    token = feeds.make_link(member_id=tamsin.id, all_plots=False, now=make.now)
    feeds.reader_of(token)

    people.sign_out_everywhere(member_id=tamsin.id, by_id=tamsin.id, now=make.now)

    with pytest.raises(NotFound):
        feeds.reader_of(token)
