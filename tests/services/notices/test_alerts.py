"""What loggers report reaches a phone once, and wakes nobody who did not agree to it."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused
from gardenapp.extensions import db
from gardenapp.models.notices import OutgoingNotice
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot
from gardenapp.readers.readings_json import SentReading
from gardenapp.services.notices import alerts, telling
from gardenapp.services.notices.alerts import HARD_FROST_C, Choices
from gardenapp.services.trials import readings
from gardenapp.services.trials.readings import LoggerEntry
from tests.factories import Factory

HOUR = timedelta(hours=1)
QUIET = Choices(True, "22:00", "06:00", wakes_for_frost=False)


def by_hook(member: Member, now: datetime) -> None:
    telling.set_hook(
        member_id=member.id,
        url=f"https://hook.example.org/{member.id}",
        all_plots=False,
        tells_quiet=False,
        pages_at="http://garden.test",
        now=now,
    )


@pytest.fixture
def tamsin(make: Factory) -> Member:
    member, boss = make.member("Tamsin"), make.coordinator("Odile")
    make.plot("N3", holders=(member,))
    by_hook(member, make.now)
    by_hook(boss, make.now)
    other = make.member("Wes")
    make.plot("Z9", holders=(other,))
    by_hook(other, make.now)
    return member


def logger(make: Factory, kind: str = "inside", **limits: float) -> int:
    plot_id = db.session.scalars(select(Plot.id).where(Plot.label == "N3")).one()
    boss = db.session.scalars(select(Member).where(Member.name == "Odile")).one()
    entry = LoggerEntry(
        label="post 1",
        plot_id=plot_id,
        cover_id=None,
        kind=kind,
        alert_below_c=limits.get("below_c"),
        alert_above_c=limits.get("above_c"),
        margin_k=None,
    )
    return readings.create_logger(entry=entry, member=boss, now=make.now)[0]


def send(logger_id: int, at: datetime, temp_c: float) -> None:
    reading = SentReading(key=at.isoformat(), at=at, temp_c=temp_c, humidity_percent=None)
    readings.take_readings(logger_id=logger_id, readings=[reading], now=at)


def told() -> dict[str, list[str]]:
    db.session.expire_all()
    found: dict[str, list[str]] = {}
    for row in db.session.scalars(
        select(OutgoingNotice).where(OutgoingNotice.kind == "alert").order_by(OutgoingNotice.id)
    ):
        found.setdefault(row.member.name, []).append(row.body["subject"])
    return found


def test_a_cover_too_hot_is_told_once_to_the_holder_and_the_coordinator(
    make: Factory, tamsin: Member
) -> None:
    one = logger(make, above_c=28.0)
    send(one, make.now, 31.0)

    counts = [alerts.tell_alerts(now=make.now + n * timedelta(minutes=1)) for n in range(3)]

    assert counts == [2, 0, 0]
    assert set(told()) == {"Tamsin", "Odile"}
    assert "open now" in told()["Tamsin"][0]


def test_a_value_that_swings_about_the_limit_is_one_alert(make: Factory, tamsin: Member) -> None:
    one = logger(make, above_c=28.0)
    for number, temp_c in enumerate((28.2, 27.9, 28.1, 27.8, 28.3)):
        at = make.now + number * timedelta(minutes=5)
        send(one, at, temp_c)
        alerts.tell_alerts(now=at)
    assert len(told()["Tamsin"]) == 1

    for number, temp_c in enumerate((24.0, 29.0)):  # well back inside, and out again
        at = make.now + HOUR + number * timedelta(minutes=5)
        send(one, at, temp_c)
        alerts.tell_alerts(now=at)

    assert len(told()["Tamsin"]) == 2


def test_a_silent_logger_is_told_once_until_it_speaks(make: Factory, tamsin: Member) -> None:
    one = logger(make, above_c=28.0)
    send(one, make.now, 10.0)

    early = alerts.tell_alerts(now=make.now + 2 * HOUR)
    counts = [alerts.tell_alerts(now=make.now + (3 + n) * HOUR) for n in range(3)]
    send(one, make.now + 6 * HOUR, 10.0)
    again = alerts.tell_alerts(now=make.now + 7 * HOUR)

    assert (early, counts, again) == (0, [2, 0, 0], 0)
    assert "silent" in told()["Tamsin"][0]
    assert readings.open_alerts() == ()  # the board shows temperatures only


@pytest.mark.parametrize("temp_c", [85.0, -127.0, 120.0, -45.0])
def test_what_a_broken_sensor_says_wakes_nobody(
    make: Factory, tamsin: Member, temp_c: float
) -> None:
    one = logger(make, below_c=1.0, above_c=28.0)
    send(one, make.now, temp_c)

    assert alerts.tell_alerts(now=make.now) == 0


def at_night(make: Factory) -> datetime:
    return make.now.replace(hour=2) + timedelta(days=1)


@pytest.mark.parametrize(
    ("temp_c", "wakes", "expected"),
    [(-3.0, False, 0), (-3.0, True, 1), (-1.0, True, 0)],
    ids=["did not agree", "agreed", "no hard frost"],
)
def test_in_quiet_hours_only_a_hard_frost_wakes_who_agreed(
    make: Factory, tamsin: Member, temp_c: float, wakes: bool, expected: int
) -> None:
    alerts.choose(
        member_id=tamsin.id,
        choices=Choices(True, "22:00", "06:00", wakes_for_frost=wakes),
        now=make.now,
    )
    one = logger(make, "outside", below_c=1.0)
    night = at_night(make)
    send(one, night, temp_c)

    alerts.tell_alerts(now=night)

    assert len(told().get("Tamsin", ())) == expected
    assert "Odile" not in told()


def test_what_is_still_true_when_quiet_hours_end_is_told_then(
    make: Factory, tamsin: Member
) -> None:
    one = logger(make, "outside", below_c=1.0)
    night = at_night(make)
    send(one, night, -1.0)
    alerts.tell_alerts(now=night)
    assert told() == {}
    send(one, night + 4 * HOUR, -1.5)

    alerts.tell_alerts(now=night + 4 * HOUR)  # six in the morning

    assert set(told()) == {"Tamsin", "Odile"}


def test_who_does_not_want_alerts_gets_none(make: Factory, tamsin: Member) -> None:
    alerts.choose(member_id=tamsin.id, choices=Choices(False, "", "", False), now=make.now)
    send(logger(make, above_c=28.0), make.now, 31.0)

    alerts.tell_alerts(now=make.now)

    assert set(told()) == {"Odile"}


@pytest.mark.parametrize(
    ("begin", "end", "quiet", "awake"),
    [
        ("22:00", "06:00", ("23:30", "02:00", "22:00"), ("06:00", "21:59")),
        ("13:00", "15:00", ("13:00", "14:59"), ("15:00", "02:00")),
        ("", "", (), ("02:00",)),
    ],
)
def test_quiet_hours_may_pass_midnight(
    begin: str, end: str, quiet: tuple[str, ...], awake: tuple[str, ...]
) -> None:
    choices = Choices(True, begin, end, wakes_for_frost=False)

    assert all(alerts.is_quiet(choices, time.fromisoformat(at)) for at in quiet)
    assert not any(alerts.is_quiet(choices, time.fromisoformat(at)) for at in awake)


@pytest.mark.parametrize(
    ("begin", "end", "field"),
    [
        ("late", "06:00", "quiet_from"),
        ("25:00", "06:00", "quiet_from"),
        ("22:00", "", "quiet_until"),
    ],
)
def test_what_is_no_time_of_day_is_refused_beside_its_field(
    make: Factory, tamsin: Member, begin: str, end: str, field: str
) -> None:
    with pytest.raises(FieldRefused) as refusal:
        alerts.choose(member_id=tamsin.id, choices=Choices(True, begin, end, False), now=make.now)

    assert refusal.value.field == field
    assert alerts.choices_of(tamsin.id) == QUIET


@pytest.mark.outside("US National Weather Service: a hard freeze is 28 °F or colder")
def test_a_hard_frost_is_28_fahrenheit() -> None:
    assert pytest.approx((28 - 32) * 5 / 9, abs=0.03) == HARD_FROST_C
