"""What the server does by itself, when, and by one worker only."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
import requests
import requests_mock
from flask import Flask
from sqlalchemy import select, update

from gardenapp.errors import FieldRefused, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.notices import Lease, Timetable
from gardenapp.services import fetching
from gardenapp.services.night import forecasts
from gardenapp.services.notices import telling
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.upkeep import scheduler
from tests.factories import Factory
from tests.readers.samples_at import sample
from tests.system.garden import REAL_FILE, REAL_PLACE

URL = "https://weather.example.org/points"
# The afternoon of the evening that the real file speaks of, at its place: 15:00 local.
AFTERNOON = datetime(2022, 2, 4, 20, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> Iterator[requests_mock.Mocker]:
    monkeypatch.setattr(fetching, "resolve_addresses", lambda host, port: ("93.184.216.34",))
    with requests_mock.Mocker() as mocker:
        yield mocker


@pytest.fixture
def out(tmp_path: Path) -> Iterator[Outlet]:
    with requests.Session() as http:
        yield Outlet(instance=tmp_path, http=http)


@pytest.fixture
def garden(make: Factory) -> None:
    """A garden that fetches at 14:30 its time, with no minutes added."""
    make.garden(contact="garden@example.org", **REAL_PLACE)
    odile = make.coordinator()
    forecasts.set_address(url=URL, member_id=odile.id, now=AFTERNOON)
    scheduler.change_timetable(text="6:15, 14.30", by_id=odile.id, now=AFTERNOON)
    db.session.execute(update(Timetable).values(extra_s=0))
    db.session.commit()


def beats() -> dict[str, scheduler.Beat]:
    db.session.expire_all()
    return {beat.job: beat for beat in scheduler.list_heartbeats()}


# --- times ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "times"),
    [
        ("", []),
        ("6:30", [time(6, 30)]),
        ("15:00, 06.30 15:00", [time(6, 30), time(15, 0)]),
        ("23:59;0:00", [time(0, 0), time(23, 59)]),
    ],
)
def test_times_are_read_as_people_write_them(text: str, times: list[time]) -> None:
    assert scheduler.parse_times(text) == times


@pytest.mark.parametrize(
    "text", ["24:00", "6", "12:60", "noon", "-1:00", "٦:٣٠", "1:00 2:00 3:00 4:00 5:00 6:00 7:00"]
)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(FieldRefused):
        scheduler.parse_times(text)


def test_a_member_cannot_change_the_timetable(make: Factory) -> None:
    with pytest.raises(NotAllowed):
        scheduler.change_timetable(text="6:00", by_id=make.member().id, now=make.now)


def test_a_random_wait_is_added_once_and_kept(make: Factory) -> None:
    make.garden()
    scheduler.change_timetable(text="6:00", by_id=None, now=make.now)
    first = scheduler.get_timetable().extra_s

    scheduler.change_timetable(text="7:00", by_id=None, now=make.now)

    assert 30 <= first <= 1230
    assert scheduler.get_timetable().extra_s == first


# --- fetching ---------------------------------------------------------------------------------


def test_a_fetch_is_due_once_its_time_has_come(make: Factory, garden: None) -> None:
    at = AFTERNOON - timedelta(minutes=31)  # 14:29
    scheduler.beat(job=scheduler.FETCH, result="", was_good=True, now=at - timedelta(hours=3))

    assert not scheduler.fetch_is_due(at)
    assert scheduler.fetch_is_due(at + MINUTE)


def test_a_time_missed_while_the_server_was_off_is_made_up_for(make: Factory, garden: None) -> None:
    scheduler.beat(job=scheduler.FETCH, result="", was_good=True, now=AFTERNOON - timedelta(days=2))

    assert scheduler.fetch_is_due(AFTERNOON + timedelta(hours=3))


def test_without_an_address_or_times_nothing_is_fetched(make: Factory, garden: None) -> None:
    scheduler.change_timetable(text="", by_id=None, now=AFTERNOON)
    assert not scheduler.fetch_is_due(AFTERNOON)
    scheduler.change_timetable(text="14:30", by_id=None, now=AFTERNOON)
    forecasts.set_address(url="", member_id=1, now=AFTERNOON)

    assert not scheduler.fetch_is_due(AFTERNOON)


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        # The night the clocks go back in London: 01:30 comes twice, 06:15 is at 06:15 UTC after.
        (datetime(2026, 10, 25, 6, 14, tzinfo=UTC), datetime(2026, 10, 24, 5, 15, tzinfo=UTC)),
        (datetime(2026, 10, 25, 6, 15, tzinfo=UTC), datetime(2026, 10, 25, 6, 15, tzinfo=UTC)),
    ],
    ids=["before", "after"],
)
def test_times_are_the_gardens_own_across_a_clock_change(
    make: Factory, now: datetime, expected: datetime
) -> None:
    make.garden(time_zone="Europe/London")
    scheduler.change_timetable(text="6:15", by_id=None, now=now)
    db.session.execute(update(Timetable).values(extra_s=0))
    db.session.commit()

    assert scheduler._latest_time(now) == expected


@pytest.mark.outside(
    "US National Weather Service gridpoint file of 2022-02-04, a real answer of the public service"
)
def test_a_due_fetch_brings_a_forecast_and_plans_tonight(
    make: Factory, garden: None, wire: requests_mock.Mocker, out: Outlet
) -> None:
    wire.get(URL, content=sample(REAL_FILE))

    assert scheduler.tick(holder="one", now=AFTERNOON, outlet=out)

    planned = db.session.scalars(select(Plan).where(Plan.is_current)).one()
    assert planned.night_of.isoformat() == "2022-02-04"
    assert planned.made_by_id is None
    assert beats()[scheduler.FETCH].last_result == "New forecast."
    assert beats()[scheduler.PLAN].last_result == "The night of 2022-02-04 is planned."
    scheduler.tick(holder="one", now=AFTERNOON + MINUTE, outlet=out)
    assert len(wire.request_history) == 1


def test_a_failed_fetch_is_noted_and_tried_again_later_and_mail_still_goes(
    make: Factory, garden: None, wire: requests_mock.Mocker, out: Outlet
) -> None:
    wire.get(URL, status_code=503)

    scheduler.tick(holder="one", now=AFTERNOON, outlet=out)
    scheduler.tick(holder="one", now=AFTERNOON + 5 * MINUTE, outlet=out)
    early = len(wire.request_history)
    scheduler.tick(holder="one", now=AFTERNOON + 21 * MINUTE, outlet=out)

    assert (early, len(wire.request_history)) == (1, 2)
    found = beats()
    assert not found[scheduler.FETCH].was_good
    assert "503" in found[scheduler.FETCH].last_result
    assert found[scheduler.SEND].was_good


def test_a_service_that_asks_to_be_left_alone_is_left_alone(
    make: Factory, garden: None, wire: requests_mock.Mocker, out: Outlet
) -> None:
    wire.get(URL, status_code=429, headers={"Retry-After": "7200"})

    for minutes in (0, 30, 90, 119):
        scheduler.tick(holder="one", now=AFTERNOON + minutes * MINUTE, outlet=out)

    assert len(wire.request_history) == 1


def test_an_unexpected_error_in_one_job_leaves_the_others_their_turn(
    make: Factory, garden: None, out: Outlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(**_: object) -> None:
        raise RuntimeError("a secret detail")

    monkeypatch.setattr(forecasts, "fetch", broken)

    scheduler.tick(holder="one", now=AFTERNOON, outlet=out)

    found = beats()
    assert found[scheduler.FETCH].last_result == "Unexpected: RuntimeError."
    assert found[scheduler.SEND].was_good


# --- one worker -------------------------------------------------------------------------------


def test_only_one_of_two_workers_ticks(make: Factory, out: Outlet) -> None:
    make.garden()

    first = scheduler.tick(holder="one", now=make.now, outlet=out)
    second = scheduler.tick(holder="two", now=make.now + MINUTE, outlet=out)
    again = scheduler.tick(holder="one", now=make.now + 2 * MINUTE, outlet=out)

    assert (first, second, again) == (True, False, True)


def test_a_dead_workers_lease_runs_out(make: Factory, out: Outlet) -> None:
    make.garden()
    scheduler.tick(holder="one", now=make.now, outlet=out)

    taken = scheduler.take_lease(holder="two", now=make.now + scheduler.LEASE_FOR)

    assert taken
    assert not scheduler.take_lease(holder="one", now=make.now + scheduler.LEASE_FOR + MINUTE)


def test_a_worker_that_stops_gives_the_lease_back(make: Factory, out: Outlet) -> None:
    make.garden()
    scheduler.take_lease(holder="one", now=make.now)

    scheduler.give_lease_back(holder="one", now=make.now + MINUTE)

    assert scheduler.take_lease(holder="two", now=make.now + MINUTE)


def test_many_workers_at_once_agree_on_one(app: Flask, make: Factory) -> None:
    make.garden()
    db.session.remove()
    gate, won = threading.Barrier(8), []

    def worker(name: str) -> None:
        with app.app_context():
            gate.wait()
            if scheduler.take_lease(holder=name, now=make.now):
                won.append(name)
            db.session.remove()

    threads = [threading.Thread(target=worker, args=(f"w{n}",)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)

    assert len(won) == 1
    assert db.session.scalars(select(Lease.holder)).all() == won


def test_before_there_is_a_garden_nothing_runs(app: Flask, out: Outlet) -> None:
    with app.app_context():
        assert not scheduler.tick(holder="one", now=AFTERNOON, outlet=out)
        assert scheduler.list_heartbeats() == ()
        db.session.remove()


def test_the_loop_outlives_an_error_and_stops_when_told(
    app: Flask, make: Factory, out: Outlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden()
    stop, seen = threading.Event(), []

    def tick(**_: object) -> bool:
        seen.append(1)
        if len(seen) == 3:
            stop.set()
        raise RuntimeError

    monkeypatch.setattr(scheduler, "tick", tick)

    scheduler.run(
        context=app.app_context,
        clock=lambda: make.now,
        outlet=out,
        stop=stop,
        first_wait_s=0.0,
        every_s=0.0,
    )

    assert len(seen) == 3


def test_sending_is_noted_with_its_counts(make: Factory, out: Outlet) -> None:
    make.garden()

    scheduler.tick(holder="one", now=make.now, outlet=out)

    assert beats()[scheduler.SEND].last_result == "0 sent, 0 failed, 0 waiting."
    assert telling.count_failed(now=make.now) == 0
