"""Forecasts as they come in: typed, in a file, from an address; every version is kept."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
import requests_mock
from sqlalchemy import func, select

from gardenapp.errors import NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.builds import ClimateNight
from gardenapp.models.forecasts import Forecast, ForecastImport, PendingUpload
from gardenapp.readers.records import HourForecast, ReadOptions, UnreadableFile
from gardenapp.services import fetching
from gardenapp.services.fetching import FetchFailed
from gardenapp.services.night import forecasts
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.night.planning import EVENING

URL = "https://weather.example/lows.csv"
# A date's low is that of its morning.
LOWS = b"Night of,Low (C)\n2026-11-24,-1.5\n2026-11-25,0.5\n"
OLD = b"Night of,Low (C)\n2026-11-20,-1.5\n2026-11-22,0.5\n"


def kept() -> list[tuple[date, float]]:
    """Every version in the tables, in the order in which they came."""
    rows = db.session.execute(select(Forecast.night_of, Forecast.low_c).order_by(Forecast.id))
    return [(night_of, low_c) for night_of, low_c in rows]


# --- by hand ----------------------------------------------------------------------------------


def test_the_newest_that_came_in_is_in_force_and_the_older_is_kept(make: Factory) -> None:
    ines = make.member("Ines")
    make.garden()
    for hours, low_c, member_id in ((0, -1.0, ines.id), (1, -3.0, None)):
        forecasts.enter_by_hand(
            night_of=EVENING, low_c=low_c, member_id=member_id, now=NOW + timedelta(hours=hours)
        )

    found = forecasts.find_forecast(EVENING)
    versions = forecasts.list_versions(since=EVENING)

    assert found is not None and found.low_c == -3.0
    assert [(v.low_c, v.is_in_force, v.entered_by) for v in versions] == [
        (-3.0, True, ""),
        (-1.0, False, "Ines"),
    ]
    assert forecasts.find_forecast(EVENING + timedelta(days=1)) is None
    assert forecasts.list_versions(since=EVENING + timedelta(days=1)) == []


@pytest.mark.parametrize(
    ("values", "english", "spanish"),
    [
        ({"low_c": -60.1}, "between −60 and 60 °C", "La mínima tiene que estar entre"),
        ({"low_c": 60.1}, "between −60 and 60 °C", "La mínima tiene que estar entre"),
        (
            {"low_c": 0.0, "wind_mps": 5.0, "gust_mps": 4.9},
            "gust cannot be weaker",
            "La racha no puede ser más floja",
        ),
    ],
)
def test_what_cannot_be_meant_is_refused_and_not_kept(
    make: Factory, values: dict[str, Any], english: str, spanish: str
) -> None:
    make.garden()

    def enter() -> None:
        forecasts.enter_by_hand(night_of=EVENING, member_id=None, now=NOW, **values)

    with pytest.raises(OutOfRange, match=english):
        enter()
    with speaking("es"), pytest.raises(OutOfRange, match=spanish):
        enter()

    assert kept() == []


def test_a_gust_as_strong_as_the_wind_and_the_coldest_low_are_taken(make: Factory) -> None:
    make.garden()

    forecasts.enter_by_hand(
        night_of=EVENING, low_c=-60.0, wind_mps=5.0, gust_mps=5.0, member_id=None, now=NOW
    )

    assert kept() == [(EVENING, -60.0)]


# --- files ------------------------------------------------------------------------------------


def test_a_file_brings_its_nights_from_tonight_on(make: Factory) -> None:
    make.garden()
    data = b"Night of,Low (C)\n2026-11-23,-9.0\n" + LOWS.partition(b"\n")[2]

    found = forecasts.import_file(data=data, filename="lows.csv", member_id=None, now=NOW)

    assert found.nights == (EVENING, EVENING + timedelta(days=1))
    assert kept() == [(EVENING, -1.5), (EVENING + timedelta(days=1), 0.5)]


def test_the_night_that_runs_counts_until_the_sun_is_up(make: Factory) -> None:
    make.garden()
    before_dawn, morning = (NOW.replace(hour=hour) + timedelta(days=1) for hour in (6, 9))

    def nights(now: datetime) -> tuple[date, ...]:
        return forecasts.import_file(data=LOWS, filename="lows.csv", member_id=None, now=now).nights

    assert nights(before_dawn)[0] == EVENING
    assert nights(morning)[0] == EVENING + timedelta(days=1)


@pytest.mark.parametrize(
    ("data", "english", "spanish"),
    [
        (OLD, "2026-11-22, which is over", "2026-11-22, que ya ha pasado"),
        (LOWS + b"2026-11-26,cold\n", "cold", "cold"),
    ],
    ids=["nights that are over", "one line that cannot be read"],
)
def test_a_file_is_taken_whole_or_not_at_all(
    make: Factory, data: bytes, english: str, spanish: str
) -> None:
    make.garden()

    for language, said in (("en", english), ("es", spanish)):
        with speaking(language), pytest.raises(UnreadableFile) as refused:
            forecasts.import_file(data=data, filename="lows.csv", member_id=None, now=NOW)
        assert any(said in str(error.message) for error in refused.value.errors)

    assert kept() == []
    assert db.session.scalar(select(func.count()).select_from(ForecastImport)) == 0


def test_an_upload_waits_until_it_is_confirmed_and_then_waits_no_more(make: Factory) -> None:
    wes = make.member("Wes")

    waiting = forecasts.keep_upload(data=LOWS, filename="lows.csv", member_id=wes.id, now=NOW)
    nothing_yet = kept()
    forecasts.confirm_upload(token=waiting.token, member_id=wes.id, now=NOW, options=ReadOptions())

    assert [night.low_c for night in waiting.reading.nights] == [-1.5, 0.5]
    assert nothing_yet == []
    assert len(kept()) == 2
    assert forecasts.pending_token(member_id=wes.id) == ""


def test_an_upload_waits_for_whoever_sent_it_and_for_two_hours(make: Factory) -> None:
    wes, tamsin = make.member("Wes"), make.member("Tamsin")
    token = forecasts.keep_upload(data=LOWS, filename="lows.csv", member_id=wes.id, now=NOW).token

    def confirm(member_id: int, after: timedelta) -> None:
        forecasts.confirm_upload(
            token=token, member_id=member_id, now=NOW + after, options=ReadOptions()
        )

    with pytest.raises(NotFound, match="no longer have that file"):
        confirm(tamsin.id, timedelta())
    with speaking("es"), pytest.raises(NotFound, match="Ya no tenemos ese archivo"):
        confirm(wes.id, timedelta(hours=2, seconds=1))
    confirm(wes.id, timedelta(hours=2))

    assert len(kept()) == 2


def test_a_second_upload_takes_the_place_of_the_first(make: Factory) -> None:
    wes = make.member("Wes")
    first, second = (
        forecasts.keep_upload(data=LOWS, filename=name, member_id=wes.id, now=NOW).token
        for name in ("one.csv", "two.csv")
    )

    with pytest.raises(NotFound):
        forecasts.reread_upload(token=first, member_id=wes.id, now=NOW, options=ReadOptions())

    assert forecasts.pending_token(member_id=wes.id) == second
    assert db.session.scalar(select(func.count()).select_from(PendingUpload)) == 1


def test_an_upload_that_cannot_be_read_is_kept_to_be_asked_about(make: Factory) -> None:
    wes = make.member("Wes")

    with pytest.raises(UnreadableFile):
        forecasts.keep_upload(
            data=b"when,what\n1,2\n", filename="odd.csv", member_id=wes.id, now=NOW
        )

    assert forecasts.pending_token(member_id=wes.id) != ""
    assert kept() == []


def test_hours_come_out_as_they_went_in() -> None:
    hour = HourForecast(
        at=datetime(2026, 11, 24, 18, tzinfo=UTC), temp_c=1.5, cloud_fraction=0.25, gust_mps=7.0
    )

    row = Forecast(night_of=EVENING, low_c=0.0, hours=[forecasts._hour_as_json(hour)])

    assert forecasts.hours_of(row) == (hour,)


# --- the address ------------------------------------------------------------------------------


@pytest.fixture
def wire(monkeypatch: pytest.MonkeyPatch) -> Iterator[requests_mock.Mocker]:
    monkeypatch.setattr(fetching, "resolve_addresses", lambda host, port: ("93.184.216.34",))
    with requests_mock.Mocker() as mocker:
        yield mocker


@pytest.fixture
def named(make: Factory) -> Factory:
    """A garden that has named an address."""
    make.garden(contact="garden@example.org")
    forecasts.set_address(url=URL, member_id=make.coordinator().id, now=NOW)
    return make


def fetch(**changes: Any) -> forecasts.Imported | None:
    found = forecasts.fetch(**{"member_id": None, "now": NOW} | changes)
    db.session.expire_all()
    return found


def answer() -> str:
    address = forecasts.get_address()
    assert address is not None
    return address.last_answer


def test_without_an_address_nothing_is_asked(make: Factory) -> None:
    make.garden()

    with pytest.raises(NotFound, match="Enter a forecast address"):
        fetch()
    with (
        speaking("es"),
        pytest.raises(NotFound, match="Introduce antes una dirección de pronóstico"),
    ):
        fetch()


def test_what_is_answered_is_taken_in_and_what_is_not_new_is_not(
    named: Factory, wire: requests_mock.Mocker
) -> None:
    wire.get(URL, content=LOWS, headers={"ETag": '"one"', "Content-Type": "text/csv"})
    first = fetch()
    wire.get(URL, status_code=304)

    second = fetch(now=NOW + timedelta(hours=1))

    assert first is not None and first.nights[0] == EVENING
    assert second is None
    assert wire.request_history[-1].headers["If-None-Match"] == '"one"'
    assert len(kept()) == 2
    assert answer() == "Nothing new since the last time."


def test_a_forecast_that_is_said_to_hold_is_not_asked_for_again_until_then(
    named: Factory, wire: requests_mock.Mocker
) -> None:
    until = NOW + timedelta(hours=1)
    wire.get(URL, content=LOWS, headers={"Expires": f"{until:%a, %d %b %Y %H:%M:%S} GMT"})
    fetch()

    early = fetch(now=until - timedelta(seconds=1))

    assert early is None
    assert wire.call_count == 1
    assert fetch(now=until) is not None
    assert wire.call_count == 2


@pytest.mark.parametrize(
    ("reply", "error"),
    [
        ({"status_code": 404}, FetchFailed),
        ({"content": b"<html>moved</html>"}, FetchFailed),
        ({"content": b"when,what\n1,2\n"}, UnreadableFile),
        ({"content": OLD}, UnreadableFile),
    ],
    ids=["not found", "a web page", "no forecast", "nights that are over"],
)
def test_why_a_forecast_is_old_can_be_read_afterwards(
    named: Factory, wire: requests_mock.Mocker, reply: dict[str, Any], error: type[Exception]
) -> None:
    wire.get(URL, **reply)

    with pytest.raises(error) as failed:
        fetch()
    db.session.expire_all()

    assert answer() == str(failed.value)[:1000] != ""
    assert kept() == []


def test_an_empty_address_forgets_the_one_before(named: Factory) -> None:
    forecasts.set_address(url="", member_id=1, now=NOW)

    assert forecasts.get_address() is None


@pytest.mark.parametrize(
    ("low_c", "by"), [(-3.5, None), (-35.0, "season"), (35.0, "season"), (-9.0, None)]
)
def test_a_low_far_from_the_season_is_asked_about(
    make: Factory, low_c: float, by: str | None
) -> None:
    make.garden(latitude=52.0)

    found = forecasts.surprise(night_of=EVENING, low_c=low_c)

    assert (found.by if found else None) == by


def test_a_low_far_from_the_last_forecast_or_the_record_is_asked_about(make: Factory) -> None:
    make.garden(latitude=52.0)
    for year in range(2010, 2014):
        for day in range(10, 29):
            db.session.add(
                ClimateNight(night_of=date(year, 11, day), low_c=2.0, source="a station nearby")
            )
    db.session.commit()
    by_record = forecasts.surprise(night_of=EVENING, low_c=-8.0)
    forecasts.enter_by_hand(night_of=EVENING, low_c=-3.5, member_id=None, now=NOW)

    by_last = forecasts.surprise(night_of=EVENING, low_c=-35.0)

    assert by_record is not None and by_record.by == "record"
    assert by_last is not None and (by_last.by, by_last.coldest_c) == ("last", -10.5)
    assert forecasts.surprise(night_of=EVENING, low_c=-8.0) is None
