"""A fortnight as it comes: nights in files, a dead service, a changed clock, a restart each day."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
import requests
import requests_mock
from sqlalchemy import select, update

from gardenapp.errors import Refused
from gardenapp.extensions import db
from gardenapp.models.nights import Plan
from gardenapp.models.notices import OutgoingNotice, Timetable
from gardenapp.models.people import Member
from gardenapp.services import fetching
from gardenapp.services.clockwork import night_of_garden, tonight
from gardenapp.services.night import forecasts
from gardenapp.services.notices import planned, telling
from gardenapp.services.notices.telling import Outlet
from gardenapp.services.upkeep import scheduler
from tests.factories import Factory

WEATHER, HOOK, CHIEFS_HOOK = (
    "https://weather.example.org/lows.csv",
    "https://hook.example.org/tamsin",
    "https://hook.example.org/odile",
)
HOUR = timedelta(hours=1)
THRESHOLD_C = 0.0


class World:
    """The garden's clock and its weather service, which is dead on some days."""

    def __init__(self, begin: datetime, days: int, lows: dict[date, float], dead: set[date]):
        self.now, self.end = begin, begin + timedelta(days=days)
        self.lows, self.dead = lows, dead

    def answer(self, request: Any, context: Any) -> str:
        today = self.now.date()
        if today in self.dead:
            context.status_code = 503
            return "down"
        lines = ["Night of,Low (C)"]
        for ahead in range(3):
            evening = today + timedelta(days=ahead)
            # What is said of a night moves a little until it comes.
            lines.append(f"{evening},{self.lows[evening] + 0.2 * ahead:.1f}")
        return "\n".join(lines)


def lows_of(first: date, days: int) -> dict[date, float]:
    return {
        first + timedelta(days=n): round(1.0 + 3.5 * math.sin(1.3 * n), 1)
        for n in range(-2, days + 5)
    }


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> Iterator[requests_mock.Mocker]:
    monkeypatch.setattr(fetching, "resolve_addresses", lambda host, port: ("93.184.216.34",))
    with requests_mock.Mocker() as mocker:
        yield mocker


@pytest.fixture
def out(tmp_path: Path) -> Iterator[Outlet]:
    with requests.Session() as http:
        yield Outlet(instance=tmp_path, http=http)


def settle(make: Factory, now: datetime, times: str, **place: Any) -> tuple[int, int]:
    """A coordinator and a member who are told by hook, and something tender with a cover."""
    make.garden(contact="garden@example.org", **place)
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    make.planting(make.plot("A1", holders=(tamsin,)), make.stage(threshold_c=THRESHOLD_C))
    make.cover(make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0), label="T1")
    for member, url in ((tamsin, HOOK), (odile, CHIEFS_HOOK)):
        telling.set_hook(
            member_id=member.id,
            url=url,
            all_plots=False,
            tells_quiet=False,
            pages_at="http://garden.test",
            now=now,
        )
    forecasts.set_address(url=WEATHER, member_id=odile.id, now=now)
    scheduler.change_timetable(text=times, by_id=odile.id, now=now)
    db.session.execute(update(Timetable).values(extra_s=0))
    db.session.commit()
    return odile.id, tamsin.id


def live(world: World, out: Outlet, step: timedelta) -> None:
    """Tick until the end; each day another server."""
    while world.now < world.end:
        holder = f"server of {world.now.date()}"
        scheduler.tick(holder=holder, now=world.now, outlet=out)
        if (world.now + step).date() != world.now.date():
            scheduler.give_lease_back(holder=holder, now=world.now)
        world.now += step
        db.session.remove()


def first_plans() -> dict[date, datetime]:
    found: dict[date, datetime] = {}
    for night_of, made_at in db.session.execute(
        select(Plan.night_of, Plan.made_at).order_by(Plan.id)
    ):
        found.setdefault(night_of, made_at)
    return found


def told(member_id: int, kind: str) -> dict[date, list[OutgoingNotice]]:
    found: dict[date, list[OutgoingNotice]] = defaultdict(list)
    for row in db.session.scalars(
        select(OutgoingNotice)
        .where(
            OutgoingNotice.member_id == member_id,
            OutgoingNotice.kind == kind,
            OutgoingNotice.state == "sent",
        )
        .order_by(OutgoingNotice.id)
    ):
        assert row.night_of is not None
        found[row.night_of].append(row)
    return found


def test_over_a_fortnight_each_night_that_matters_is_planned_before_it_and_told_once(
    make: Factory, wire: requests_mock.Mocker, out: Outlet
) -> None:
    # The clocks go forward on the 29th. The service is dead for two days and a half.
    begin = datetime(2026, 3, 20, 0, 10, tzinfo=UTC)
    days = 14
    dead = {date(2026, 3, 25), date(2026, 3, 26)}
    world = World(begin, days, lows_of(begin.date(), days), dead)
    wire.get(WEATHER, text=world.answer)
    wire.post(requests_mock.ANY, text="")
    odile, tamsin = settle(make, begin, "06:30", time_zone="Europe/London")

    live(world, out, HOUR)

    garden = make.garden()
    plans = first_plans()
    evenings = [begin.date() + timedelta(days=n) for n in range(days - 1)]
    near = [day for day in evenings if world.lows[day] <= THRESHOLD_C + 3.0]
    assert len(near) >= 8
    for day in near:
        assert plans[day] < night_of_garden(garden, day).sunset_at, day
    kept = db.session.scalars(select(Plan).where(Plan.is_current)).all()
    for plan in kept:
        newest = forecasts.find_forecast(plan.night_of)
        assert newest is not None
        assert plan.forecast_id == newest.id
        assert abs(newest.low_c - world.lows[plan.night_of]) < 0.5
    news = told(tamsin, "plan")
    for day in near:
        concerns = [row.concern for row in news[day]]
        has_work = any(row.jobs for row in kept if row.night_of == day)
        assert bool(concerns) == has_work, day
        assert all(one != other for one, other in pairwise(concerns))
        for row in news[day]:  # in time to do something, not when the night is over
            assert row.sent_at is not None
            assert row.sent_at < night_of_garden(garden, day).sunrise_at - 2 * HOUR, day
    assert all(news[day] for day in near if world.lows[day] < -1.0)
    # The outage is told once, and that the forecast has grown old twice a night at most.
    outages = [row for rows in told(odile, "watch").values() for row in rows]
    about = [row.body["data"]["about"] for row in outages]
    assert len(about) == len(set(about))
    assert sum("fetch" in words for words in about) == 1
    assert {words.split()[1] for words in about if "fetch" not in words} <= {
        day.isoformat() for day in dead
    }


def test_near_the_pole_where_the_sun_stays_up_or_down_nights_are_planned_all_the_same(
    make: Factory, wire: requests_mock.Mocker, out: Outlet
) -> None:
    wire.post(requests_mock.ANY, text="")
    for begin, place in (
        (datetime(2026, 6, 18, 0, 10, tzinfo=UTC), "polar day"),
        (datetime(2026, 12, 18, 0, 10, tzinfo=UTC), "polar night"),
    ):
        world = World(begin, 4, lows_of(begin.date(), 4), set())
        wire.get(WEATHER, text=world.answer)
        if place == "polar day":
            settle(make, begin, "05:00", latitude=70.0, longitude=23.7, time_zone="Europe/Oslo")
        live(world, out, HOUR)
        plans = first_plans()
        for n in range(3):
            day = begin.date() + timedelta(days=n)
            assert plans[day] <= datetime.combine(day, time(20), ZoneInfo("Europe/Oslo")), place


# --- each way in which nights were missed -----------------------------------------------------

MORNING = datetime(2026, 11, 24, 9, 0, tzinfo=UTC)


@pytest.fixture
def garden(make: Factory) -> Member:
    make.planting()
    make.cover(make.cover_kind(clear_mean_k=4.0, cloudy_mean_k=4.0))
    return make.coordinator()


def planned_for(now: datetime) -> bool:
    db.session.expire_all()
    return (
        db.session.scalar(
            select(Plan.id).where(Plan.night_of == tonight(now), Plan.is_current.is_(True))
        )
        is not None
    )


def test_each_night_of_a_file_is_planned_when_its_turn_comes(garden: Member, out: Outlet) -> None:
    text = b"Night of,Low (C)\n2026-11-24,-2.0\n2026-11-25,-3.0\n2026-11-26,-1.0\n"
    forecasts.import_file(data=text, filename="lows.csv", member_id=None, now=MORNING)

    for days in range(3):
        at = MORNING + timedelta(days=days)
        scheduler.tick(holder=f"{days}", now=at, outlet=out)
        assert planned_for(at), days


def test_a_low_typed_at_nine_in_the_morning_is_planned(garden: Member) -> None:
    evening = tonight(MORNING)
    forecasts.enter_by_hand(night_of=evening, low_c=-2.0, member_id=None, now=MORNING)

    made = planned.replan_if_needed(nights=[evening], member_id=None, now=MORNING)

    assert evening == MORNING.date()
    assert len(made) == 1


def test_a_plan_that_failed_is_tried_again_though_no_new_forecast_comes(
    garden: Member, out: Outlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    forecasts.enter_by_hand(night_of=MORNING.date(), low_c=-2.0, member_id=None, now=MORNING)

    def broken(*_: Any, **__: Any) -> Any:
        raise Refused("the solver gave up")

    monkeypatch.setattr("gardenapp.services.night.plan_night.solve", broken)
    scheduler.tick(holder="one", now=MORNING, outlet=out)
    beats = {beat.job: beat for beat in scheduler.list_heartbeats()}
    assert not planned_for(MORNING)
    assert beats[scheduler.PLAN].last_result == "the solver gave up"
    monkeypatch.undo()

    scheduler.tick(holder="one", now=MORNING + timedelta(minutes=1), outlet=out)
    assert not planned_for(MORNING)  # solving takes a while: not at every tick
    scheduler.tick(holder="one", now=MORNING + timedelta(minutes=6), outlet=out)

    assert planned_for(MORNING)


def test_in_the_morning_nobody_is_told_to_cover_up_for_the_night_that_ended(
    make: Factory, out: Outlet, wire: requests_mock.Mocker
) -> None:
    wire.post(requests_mock.ANY, text="")
    dawn = datetime(2026, 11, 25, 8, 30, tzinfo=UTC)
    wire.get(WEATHER, text="Date,Low (C)\n2026-11-25,-4.0\n2026-11-26,-3.0\n")
    _odile, tamsin = settle(make, dawn, "08:15", time_zone="Europe/London")

    scheduler.tick(holder="one", now=dawn, outlet=out)

    assert set(told(tamsin, "plan")) == {date(2026, 11, 25)}
