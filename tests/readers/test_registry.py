"""A file is read by what is in it, or as what a person says it is."""

from __future__ import annotations

from datetime import datetime

import pytest

from gardenapp.readers.records import ReadOptions, UnreadableFile
from gardenapp.readers.registry import KINDS, read_forecast
from tests.readers.malformed import (
    GOOD_TABLE,
    GOOD_TAF,
    dump,
    good_grid,
    good_periods,
    good_series,
)
from tests.readers.samples_at import LONDON, read_bytes

FILES = {
    "nws_gridpoint": dump(good_grid()),
    "nws_hourly": dump(good_periods()),
    "metno_compact": dump(good_series()),
    "taf": GOOD_TAF.encode(),
    "csv_hourly": GOOD_TABLE.encode(),
}


def refusal(data: bytes | str, *, kind: str | None = None) -> str:
    options = None if kind is None else ReadOptions(kind=kind)
    with pytest.raises(UnreadableFile) as refused:
        read_bytes(data, options=options)
    return str(refused.value)


@pytest.mark.parametrize(("kind", "data"), FILES.items(), ids=FILES.keys())
def test_each_kind_is_told_by_its_contents_and_read_the_same_when_said(
    kind: str, data: bytes
) -> None:
    told = read_bytes(data)
    said = read_bytes(data, options=ReadOptions(kind=kind))

    assert told.kind == kind
    assert told.nights
    assert told == said


def test_a_small_grid_without_hours_is_told_by_its_lows() -> None:
    document = good_grid()
    del document["properties"]["temperature"]
    document["properties"]["minTemperature"] = {
        "uom": "wmoUnit:degC",
        "values": [{"validTime": "2026-05-04T01:00:00+00:00/PT13H", "value": -1.5}],
    }

    reading = read_bytes(dump(document))

    assert reading.kind == "nws_gridpoint"
    assert [night.low_c for night in reading.nights] == [-1.5]


def test_what_is_said_wins_over_what_the_file_seems_to_be() -> None:
    assert "is missing" in refusal(FILES["nws_hourly"], kind="metno_compact")
    assert "No message with a place" in refusal(FILES["csv_hourly"], kind="taf")
    assert "This is not whole JSON" in refusal(FILES["csv_hourly"], kind="nws_gridpoint")
    assert "This is not whole JSON" in refusal(FILES["taf"], kind="metno_complete")
    assert refusal(FILES["nws_hourly"], kind="csv_hourly")


def test_a_kind_that_is_not_known_is_refused_by_name() -> None:
    assert "grib" not in KINDS
    assert refusal(GOOD_TABLE, kind="grib") == (
        "“grib” is not a kind of forecast that is known here."
    )


def test_a_place_that_only_names_its_forecast_is_told_where_to_go() -> None:
    grid = "https://example.org/gridpoints/AAA/1,2"

    def told(**links: object) -> str:
        return refusal(dump({"properties": links}))

    assert told(forecastGridData=grid, forecastHourly=f"{grid}/forecast/hourly") == (
        "properties.forecastGridData: This names a place's forecast and is not the forecast "
        f"itself. Fetch {grid} or {grid}/forecast/hourly instead."
    )
    assert f"Fetch {grid} instead." in told(forecastGridData=grid, forecastHourly=7)
    assert "Fetch its forecastGridData link instead." in told(forecastGridData=7)
    # What is no plain address is shown as a piece of the file.
    assert "Fetch “javascript:x” instead" in told(forecastGridData="javascript:x")
    assert "Fetch “https://a b” instead" in told(forecastGridData="https://a b")
    assert "…” instead" in told(forecastGridData="https://" + "a" * 193)
    assert "a” instead" not in told(forecastGridData="https://" + "a" * 192)


def test_an_error_of_the_service_is_told_in_its_words() -> None:
    error = {"title": "Data Unavailable", "status": 404}

    assert refusal(dump(error)) == (
        "title: The service sent an error instead of a forecast: “Data Unavailable”."
    )
    assert refusal(dump({"title": "A list"})) == (
        "This is JSON, but not of a weather service that is known here."
    )


@pytest.mark.parametrize("text", ["[1]", " [ ]"])
def test_json_that_is_a_list_is_no_forecast(text: str) -> None:
    assert refusal(text) == "This is JSON, but a list or a single value and not a forecast."


def test_a_moment_without_a_zone_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(AssertionError, match="aware"):
        read_forecast(
            GOOD_TAF.encode(),
            filename="a.txt",
            time_zone=LONDON,
            now=datetime(2026, 5, 3, 12),  # noqa: DTZ001 -- without a zone, on purpose
        )
