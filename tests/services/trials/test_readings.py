"""Readings that loggers send: once, in order, within limits; and alerts."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta
from itertools import pairwise

import pytest
from flask import Flask
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.people import Garden, Member
from gardenapp.models.plots import Plot
from gardenapp.models.trials import Alert, Logger, Reading
from gardenapp.readers.readings_json import SentReading
from gardenapp.services.night import morning
from gardenapp.services.trials import readings
from gardenapp.services.trials.readings import LoggerEntry, Taken
from tests.factories import Factory


@pytest.fixture
def plot(make: Factory) -> Plot:
    row: Plot = make.plot("N3")
    return row


@pytest.fixture
def boss(make: Factory) -> Member:
    return make.coordinator()


def hang(
    plot: Plot, boss: Member, now: datetime, *, label: str = "post 1", **more: object
) -> tuple[int, str]:
    values: dict[str, object] = {
        "label": label,
        "plot_id": plot.id,
        "cover_id": None,
        "kind": "outside",
        "alert_below_c": None,
        "alert_above_c": None,
        "margin_k": None,
    }
    entry = LoggerEntry(**values | more)  # type: ignore[arg-type]
    return readings.create_logger(entry=entry, member=boss, now=now)


def one(at: datetime, temp_c: float, key: str = "", humidity: float | None = None) -> SentReading:
    return SentReading(key or at.isoformat(), at, temp_c, humidity)


def take(logger_id: int, now: datetime, *sent: SentReading) -> Taken:
    return readings.take_readings(logger_id=logger_id, readings=sent, now=now)


def version() -> int:
    db.session.rollback()
    return db.session.scalars(select(Garden.version)).one()


def test_the_token_is_kept_only_as_its_hash(make: Factory, plot: Plot, boss: Member) -> None:
    logger_id, token = hang(plot, boss, make.now)

    row = db.session.get(Logger, logger_id)

    assert row is not None
    assert token not in row.token_hash
    assert row.token_hash == readings.hash_of(token)
    assert len(token) >= 40
    assert readings.count_call(token=token, now=make.now) == logger_id


@pytest.mark.parametrize("ending", ["revoked", "replaced"])
def test_an_old_token_is_wrong(make: Factory, plot: Plot, boss: Member, ending: str) -> None:
    logger_id, token = hang(plot, boss, make.now)
    if ending == "revoked":
        readings.revoke_logger(logger_id=logger_id, member=boss, now=make.now)
    else:
        fresh = readings.new_token(logger_id=logger_id, member=boss, now=make.now)
        assert readings.count_call(token=fresh, now=make.now) == logger_id

    with pytest.raises(readings.WrongToken):
        readings.count_call(token=token, now=make.now)


def test_a_reading_sent_again_changes_nothing(make: Factory, plot: Plot, boss: Member) -> None:
    logger_id, _ = hang(plot, boss, make.now)
    sent = one(make.now, 1.5, humidity=90.0)

    first, before = take(logger_id, make.now, sent), version()
    second = take(logger_id, make.now + timedelta(minutes=3), sent)

    assert (first, second) == (Taken(1, 0), Taken(0, 1))
    assert version() == before
    row = db.session.scalars(select(Reading)).one()
    assert row.received_at == make.now


@pytest.mark.parametrize(("key", "minutes"), [("a", 1), ("b", 0)], ids=["same id", "same moment"])
def test_other_figures_under_a_known_name_or_moment_are_refused_whole(
    make: Factory, plot: Plot, boss: Member, key: str, minutes: int
) -> None:
    logger_id, _ = hang(plot, boss, make.now)
    take(logger_id, make.now, one(make.now, 1.5, "a"))
    later = make.now + timedelta(minutes=minutes)

    with pytest.raises(readings.Differs):
        earlier = one(make.now - timedelta(hours=1), 4.0, "c")
        take(logger_id, make.now, earlier, one(later, 2.0, key))

    assert db.session.scalar(select(func.count()).select_from(Reading)) == 1


@pytest.mark.parametrize("hours", [0.2, -24 * 31], ids=["ahead", "long ago"])
def test_a_moment_out_of_reach_is_refused(
    make: Factory, plot: Plot, boss: Member, hours: float
) -> None:
    logger_id, _ = hang(plot, boss, make.now)

    with pytest.raises(OutOfRange):
        take(logger_id, make.now, one(make.now + timedelta(hours=hours), 1.0))


def test_an_older_reading_that_comes_late_is_kept_and_not_shown(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now)
    take(logger_id, make.now, one(make.now, 3.0))

    take(logger_id, make.now, one(make.now - timedelta(hours=2), 9.0))

    (latest,) = readings.latest_readings(now=make.now)[plot.id]
    assert latest.temp_c == 3.0
    assert db.session.scalar(select(func.count()).select_from(Reading)) == 2


def test_boards_are_made_anew_only_for_a_change_of_half_a_degree(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now)
    take(logger_id, make.now, one(make.now, 3.0))
    versions = [version()]

    for minutes, temp_c in ((1, 3.2), (2, 3.4), (3, 3.5)):
        at = make.now + timedelta(minutes=minutes)
        take(logger_id, at, one(at, temp_c))
        versions.append(version())

    assert [after - before for before, after in pairwise(versions)] == [0, 0, 1]


def test_an_alert_opens_once_and_ends_half_a_degree_inside(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now, alert_below_c=0.0)
    states = []

    for minutes, temp_c in enumerate((0.5, -0.1, -0.3, 0.2, 0.6, -0.2)):
        at = make.now + timedelta(minutes=minutes)
        take(logger_id, at, one(at, temp_c))
        states.append(len(readings.open_alerts()))

    assert states == [0, 1, 1, 1, 0, 1]
    assert db.session.scalar(select(func.count()).select_from(Alert)) == 2
    (alert,) = readings.open_alerts()
    assert (alert.kind, alert.plot, alert.temp_c, alert.limit_c) == ("low", "N3", -0.2, 0.0)
    assert "below 0.0 °C" in alert.text


def test_a_change_of_an_alert_reaches_the_board_at_once(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now, alert_below_c=0.0)
    take(logger_id, make.now, one(make.now, 0.1))
    before = version()

    at = make.now + timedelta(minutes=1)
    take(logger_id, at, one(at, -0.1))

    assert version() == before + 1


def test_limits_follow_what_grows_in_the_plot(make: Factory, plot: Plot, boss: Member) -> None:
    make.planting(plot, make.stage("bean", kind="damage", threshold_c=1.0, heat_max_c=30.0))
    make.planting(plot, make.stage("leek", threshold_c=-8.0))
    make.planting(plot, make.stage("gone", threshold_c=9.0), ended_at=make.now)

    hang(plot, boss, make.now, margin_k=1.5)
    hang(plot, boss, make.now, label="tote", kind="inside", margin_k=1.5)

    outside, inside = readings.list_loggers()
    assert (outside.below_c, outside.above_c) == (2.5, None)
    assert (inside.below_c, inside.above_c) == (2.5, 28.0)


def test_too_warm_under_a_cover_is_an_alert_too(make: Factory, plot: Plot, boss: Member) -> None:
    logger_id, _ = hang(plot, boss, make.now, kind="inside", alert_above_c=30.0)

    take(logger_id, make.now, one(make.now, 34.0))

    assert [alert.kind for alert in readings.open_alerts()] == ["high"]


def test_readings_kept_on_a_device_for_a_day_ring_nobody(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now, alert_below_c=0.0)

    take(logger_id, make.now, one(make.now - timedelta(hours=20), -5.0))

    assert readings.open_alerts() == ()


def test_alerts_concern_coordinators_and_the_plots_holders(make: Factory, boss: Member) -> None:
    holder, other = make.member("Ines"), make.member("Wes")
    plot = make.plot("N3", holders=(holder,))
    logger_id, _ = hang(plot, boss, make.now, alert_below_c=0.0)
    take(logger_id, make.now, one(make.now, -1.0))

    counts = [len(readings.open_alerts(member=who)) for who in (boss, holder, other)]

    assert counts == [1, 1, 0]


def test_a_logger_that_fell_silent_does_not_ring_for_ever(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now, alert_below_c=0.0)
    take(logger_id, make.now, one(make.now, -1.0))

    soon, late = make.now + timedelta(hours=20), make.now + timedelta(hours=25)

    assert len(readings.open_alerts(now=soon)) == 1
    assert readings.open_alerts(now=late) == ()


def test_revoking_a_logger_ends_its_alert_and_takes_it_off_the_board(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now, alert_below_c=0.0)
    take(logger_id, make.now, one(make.now, -1.0))

    readings.revoke_logger(logger_id=logger_id, member=boss, now=make.now)

    assert readings.open_alerts() == ()
    assert readings.latest_readings(now=make.now) == {}
    with pytest.raises(readings.WrongToken):
        take(logger_id, make.now, one(make.now + timedelta(minutes=1), -1.0))


def test_calls_are_counted_a_minute_in_the_database(
    make: Factory, plot: Plot, boss: Member
) -> None:
    _, token = hang(plot, boss, make.now)
    for _ in range(readings.CALLS_PER_MINUTE):
        readings.count_call(token=token, now=make.now)

    with pytest.raises(readings.TooManyCalls) as refusal:
        readings.count_call(token=token, now=make.now + timedelta(seconds=20))

    assert refusal.value.seconds == 40
    readings.count_call(token=token, now=make.now + timedelta(seconds=60))


def test_two_loggers_cannot_share_a_name(make: Factory, plot: Plot, boss: Member) -> None:
    hang(plot, boss, make.now)

    with pytest.raises(FieldRefused):
        hang(plot, boss, make.now)


def test_a_low_limit_above_the_high_one_is_refused(make: Factory, plot: Plot, boss: Member) -> None:
    with pytest.raises(FieldRefused):
        hang(plot, boss, make.now, alert_below_c=5.0, alert_above_c=4.0)


def test_the_nights_low_of_a_logger_outside_is_offered_in_the_morning(
    make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now)
    sent = [one(make.now + timedelta(hours=n), -float(n % 9)) for n in range(1, 17)]
    at = make.now + timedelta(hours=16)
    take(logger_id, at, *sent)

    page = morning.plot_morning(plot_id=plot.id, member=boss, now=at)

    assert page.logger_low is not None
    assert (page.logger_low.label, page.logger_low.low_c) == ("post 1", -8.0)


def test_the_same_call_from_many_threads_is_kept_once(
    app: Flask, make: Factory, plot: Plot, boss: Member
) -> None:
    logger_id, _ = hang(plot, boss, make.now)
    sent = [one(make.now - timedelta(minutes=n), float(n)) for n in range(20)]
    found: list[Taken | Exception] = []
    db.session.remove()

    def call() -> None:
        with app.app_context():
            try:
                found.append(take(logger_id, make.now, *sent))
            except Exception as error:
                found.append(error)
            finally:
                db.session.remove()

    threads = [threading.Thread(target=call) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(t.new for t in found if isinstance(t, Taken)) == [0, 0, 0, 0, 0, 20]
    assert db.session.scalar(select(func.count()).select_from(Reading)) == 20
