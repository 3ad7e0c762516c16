"""Files that are not forecasts, or are broken ones: name → (file name, bytes).

Built in code from small invented files, so that each says what is wrong with it. Whatever takes a
file from a person must answer every one of them with words and never with a crash.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

HOURLY_ROWS = [
    ("2026-05-03 18:00", 9.1, 70),
    ("2026-05-03 20:00", 6.6, 74),
    ("2026-05-03 22:00", 4.4, 78),
    ("2026-05-04 00:00", 2.9, 82),
    ("2026-05-04 02:00", 1.7, 86),
    ("2026-05-04 04:00", 0.9, 90),
    ("2026-05-04 05:00", 0.8, 92),
    ("2026-05-04 06:00", 1.6, 94),
    ("2026-05-04 08:00", 6.9, 98),
]
HEADER = "Time,Outdoor Temperature(°C),Humidity(%)"
GOOD_TABLE = "\n".join([HEADER, *(f"{at},{temp},{hum}" for at, temp, hum in HOURLY_ROWS), ""])


def _hours() -> list[str]:
    return [f"2026-05-{3 + hour // 24:02d}T{hour % 24:02d}:00:00" for hour in range(18, 33)]


def good_grid() -> dict[str, Any]:
    """A small document in the shape of the raw grid."""
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [-90.5, 40.1]},
        "properties": {
            "updateTime": "2026-05-03T11:42:18+00:00",
            "elevation": {"unitCode": "wmoUnit:m", "value": 182.9},
            "temperature": {
                "uom": "wmoUnit:degC",
                "values": [
                    {"validTime": "2026-05-03T18:00:00+00:00/PT6H", "value": 9.5},
                    {"validTime": "2026-05-04T00:00:00+00:00/PT8H", "value": 3.5},
                    {"validTime": "2026-05-04T08:00:00+00:00/PT9H", "value": 1.5},
                ],
            },
            "windSpeed": {
                "uom": "wmoUnit:km_h-1",
                "values": [{"validTime": "2026-05-03T18:00:00+00:00/PT23H", "value": 3.6}],
            },
        },
    }


def good_periods() -> dict[str, Any]:
    """A small document in the shape of hourly periods."""
    return {
        "properties": {
            "periods": [
                {
                    "startTime": f"{at}+00:00",
                    "temperature": 40 - index,
                    "temperatureUnit": "F",
                    "windSpeed": "2 mph",
                }
                for index, at in enumerate(_hours())
            ]
        }
    }


def good_series() -> dict[str, Any]:
    """A small document in the shape of a time series."""
    return {
        "geometry": {"type": "Point", "coordinates": [10.0, 60.0, 120]},
        "properties": {
            "meta": {
                "updated_at": "2026-05-03T11:27:40Z",
                "units": {"air_temperature": "celsius", "wind_speed": "m/s"},
            },
            "timeseries": [
                {
                    "time": f"{at}Z",
                    "data": {
                        "instant": {
                            "details": {"air_temperature": 5.0 - index / 4, "wind_speed": 1.0}
                        }
                    },
                }
                for index, at in enumerate(_hours())
            ],
        },
    }


GOOD_TAF = "TAF ZZAA 031100Z 0312/0412 24008KT CAVOK TX14/0315Z TN01/0405Z="


def dump(document: object) -> bytes:
    return json.dumps(document, indent=1).encode()


def _changed(make: Callable[[], dict[str, Any]], change: Callable[[dict[str, Any]], None]) -> bytes:
    document = copy.deepcopy(make())
    change(document["properties"])
    return dump(document)


def _table(*rows: str, header: str = HEADER) -> bytes:
    return "\n".join([header, *rows, ""]).encode()


def _with_row(row: str) -> bytes:
    return (GOOD_TABLE + row + "\n").encode()


def _column(values: list[float], header: str = HEADER) -> bytes:
    return _table(
        *(f"{at},{value},{hum}" for (at, _, hum), value in zip(HOURLY_ROWS, values, strict=True)),
        header=header,
    )


def _tables() -> dict[str, bytes]:
    dew_header = f"{HEADER},Dew Point(°C)"
    return {
        "empty": b"",
        "only a mark": b"\xef\xbb\xbf",
        "only blank lines": b"\n \r\n\n",
        "only a header": HEADER.encode() + b"\n",
        "no header": GOOD_TABLE.partition("\n")[2].encode(),
        "prose": b"It will be cold tonight, I should think.\nCover the beans.\n",
        "one column": b"Time\n2026-05-03 18:00\n2026-05-03 19:00\n",
        "utf-16 without a mark": GOOD_TABLE.encode("utf-16-le"),
        "utf-32": GOOD_TABLE.encode("utf-32"),
        "a byte cut out of a letter": GOOD_TABLE.encode().replace(b"\xc2\xb0", b"\xc2"),
        "nul": _with_row("2026-05-04 09:00,8.\x000,97"),
        "escape character": _with_row("2026-05-04 09:00,\x1b[31m8.0,97"),
        "c1 control": _with_row("2026-05-04 09:00,8.0\x85,97"),
        "unclosed quote": _with_row('2026-05-04 09:00,"8.0,97'),
        "text after a quote": _with_row('2026-05-04 09:00,"8.0"x,97'),
        "300 columns": _table(
            ",".join(["2026-05-03 18:00", *["1"] * 299]),
            header=",".join(["Time", "Temp (C)", *[f"c{index}" for index in range(298)]]),
        ),
        "field of 3000": _with_row(f"2026-05-04 09:00,8.0,{'9' * 3_000}"),
        "field of 200000": _with_row(f'2026-05-04 09:00,8.0,"{"9" * 200_000}"'),
        "over 2 MB": GOOD_TABLE.encode() + b"\n" * 2_000_001,
        "too many rows": b"Time,Temp (C)\n" + b"a,\n" * 200_001,
        "inf": _with_row("2026-05-04 09:00,inf,97"),
        "1e400": _with_row("2026-05-04 09:00,1e400,97"),
        "underscored number": _with_row("2026-05-04 09:00,1_0,97"),
        "full-width digits": _with_row("2026-05-04 09:00,８,97"),
        "words for a temperature": _with_row("2026-05-04 09:00,mild,97"),
        "decimal comma with comma cells": _with_row('2026-05-04 09:00,"8,1",97'),
        "short row": _with_row("2026-05-04 09:00,8.0"),
        "long row": _with_row("2026-05-04 09:00,8.0,97,extra"),
        "repeated hour with another value": _with_row("2026-05-04 08:00,7.4,98"),
        "other date order": _with_row("04/05/2026 09:00,8.0,97"),
        "no such day": _with_row("2026-02-30 09:00,8.0,97"),
        "no such hour": _with_row("2026-05-04 25:00,8.0,97"),
        "no such offset": _with_row("2026-05-04 09:00+99:00,8.0,97"),
        "year 9999": _with_row("9999-12-31 23:00,8.0,97"),
        "year 0": _with_row("0000-05-04 09:00,8.0,97"),
        "a row in the middle with no date": (
            GOOD_TABLE.replace("2026-05-04 00:00", "midnight").encode()
        ),
        "61 degrees": _with_row("2026-05-04 09:00,61,97"),
        "-61 degrees": _with_row("2026-05-04 09:00,-61,97"),
        "Fahrenheit said to be Celsius": _column(
            [75, 68.2, 60.1, 52.3, 44.4, 37.0, 34.5, 28.0, 55.3]
        ),
        "no unit": _column([row[1] for row in HOURLY_ROWS], "Time,Outdoor Temperature,Humidity(%)"),
        "both units": _column([row[1] for row in HOURLY_ROWS], "Time,Temp (°C) (°F),Humidity(%)"),
        "humidity in the temperature's place": _table(
            *(f"{at},{hum},{temp}" for at, temp, hum in HOURLY_ROWS)
        ),
        "dew point and temperature swapped": _table(
            *(f"{at},{temp - 3:.1f},{hum},{temp}" for at, temp, hum in HOURLY_ROWS),
            header=dew_header,
        ),
        "no temperature column": _table("2026-05-03 18:00,70", header="Time,Humidity(%)"),
        "all missing": _table(*(f"{at},---,{hum}" for at, _, hum in HOURLY_ROWS)),
        "one afternoon": _table("2026-05-03 13:00,12.0,60", "2026-05-03 14:00,12.5,58"),
        "ambiguous dates": _table(
            "01/02/26,1.0", "02/01/26,2.0", header="Date,Min temperature (°C)"
        ),
        "both date orders": _table(
            "13/02/26,1.0", "02/13/26,2.0", header="Date,Min temperature (°C)"
        ),
        "daily without a low": _table("2026-05-03,9.0", header="Date,Mean temperature (°C)"),
        "daily low above its high": _table(
            "2026-05-03,15.0,4.0", "2026-05-04,16.0,5.0", header="Date,tmin_c,tmax_c"
        ),
        "daily low twice": _table(
            "2026-05-03,4.0,15.0", "2026-05-03,5.0,15.0", header="Date,tmin_c,tmax_c"
        ),
        "png": b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(range(256)),
        "jpeg": b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(64),
        "pdf": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj\n",
        "workbook": b"PK\x03\x04\x14\x00\x06\x00" + bytes(64),
        "old workbook": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(64),
        "gzip": b"\x1f\x8b\x08\x00" + bytes(32),
        "web page": b"<!DOCTYPE html>\n<html><title>Sign in</title></html>",
        "xml": b'<?xml version="1.0"?><dwml><data/></dwml>',
        "random bytes": bytes((index * 167 + 13) % 256 for index in range(2_000)),
    }


def _grids() -> dict[str, bytes]:
    def first(properties: dict[str, Any]) -> dict[str, Any]:
        entry: dict[str, Any] = properties["temperature"]["values"][0]
        return entry

    return {
        "temperature is a list": _changed(good_grid, lambda p: p.update(temperature=[1, 2])),
        "properties is a list": dump({"properties": [1, 2, 3]}),
        "properties is text": dump({"properties": "cold"}),
        "values is an object": _changed(good_grid, lambda p: p["temperature"].update(values={})),
        "values is null": _changed(good_grid, lambda p: p["temperature"].update(values=None)),
        "value is text": _changed(good_grid, lambda p: first(p).update(value="9.5")),
        "value is true": _changed(good_grid, lambda p: first(p).update(value=True)),
        "value is a list": _changed(good_grid, lambda p: first(p).update(value=[9.5])),
        "value is 999": _changed(good_grid, lambda p: first(p).update(value=999)),
        "value is huge": _changed(good_grid, lambda p: first(p).update(value=10**400)),
        "value is missing": _changed(good_grid, lambda p: first(p).pop("value")),
        "every value is null": _changed(
            good_grid,
            lambda p: p["temperature"].update(
                values=[{**entry, "value": None} for entry in p["temperature"]["values"]]
            ),
        ),
        "no unit in a layer": _changed(good_grid, lambda p: p["temperature"].pop("uom")),
        "unit is kelvin": _changed(good_grid, lambda p: p["temperature"].update(uom="wmoUnit:K")),
        "unit is a number": _changed(good_grid, lambda p: p["temperature"].update(uom=7)),
        "validTime is a number": _changed(good_grid, lambda p: first(p).update(validTime=7)),
        "validTime has no end": _changed(
            good_grid, lambda p: first(p).update(validTime="2026-05-03T18:00:00+00:00")
        ),
        "validTime has no offset": _changed(
            good_grid, lambda p: first(p).update(validTime="2026-05-03T18:00:00/PT1H")
        ),
        "validTime lasts 99 weeks": _changed(
            good_grid, lambda p: first(p).update(validTime="2026-05-03T18:00:00+00:00/P99W")
        ),
        "validTime lasts nothing": _changed(
            good_grid, lambda p: first(p).update(validTime="2026-05-03T18:00:00+00:00/PT0H")
        ),
        "validTime runs backwards": _changed(
            good_grid,
            lambda p: first(p).update(
                validTime="2026-05-03T18:00:00+00:00/2026-05-03T12:00:00+00:00"
            ),
        ),
        "validTime in the year 9999": _changed(
            good_grid, lambda p: first(p).update(validTime="9999-12-31T23:00:00+00:00/PT9H")
        ),
        "two values for an hour": _changed(
            good_grid,
            lambda p: p["temperature"]["values"].append(
                {"validTime": "2026-05-03T18:00:00+00:00/PT1H", "value": -3.0}
            ),
        ),
        "wind below zero": _changed(
            good_grid, lambda p: p["windSpeed"]["values"][0].update(value=-4)
        ),
        "updateTime is a number": _changed(good_grid, lambda p: p.update(updateTime=5)),
        "a place, not a forecast": dump(
            {
                "properties": {
                    "forecastGridData": "https://weather.example/gridpoints/ZZZ/31,80",
                    "forecastHourly": "https://weather.example/gridpoints/ZZZ/31,80/hourly",
                }
            }
        ),
        "a service's error": dump({"title": "Not Found", "status": 404, "detail": "No such grid"}),
    }


def _other_json() -> dict[str, bytes]:
    def step(properties: dict[str, Any]) -> dict[str, Any]:
        details: dict[str, Any] = properties["timeseries"][0]["data"]["instant"]["details"]
        return details

    return {
        "a list": b"[1, 2, 3]",
        "a brace": b"{",
        "a bracket": b"[",
        "an empty object": b"{}",
        "other json": b'{"type": "FeatureCollection", "features": []}',
        "json with nan": dump(good_series()).replace(b"5.0", b"NaN"),
        "json with infinity": dump(good_series()).replace(b"5.0", b"-Infinity"),
        "json with 1e999": dump(good_series()).replace(b"5.0", b"1e999"),
        "json with a number of 5000 digits": b'{"properties": ' + b"9" * 5_000 + b"}",
        "json nested 100000 deep": b"[" * 100_000,
        "json nested 500 deep": b'{"properties": ' + b"[" * 500 + b"]" * 500 + b"}",
        "lone surrogate in a unit": _changed(
            good_grid, lambda p: p["temperature"].update(uom="\ud800degC")
        ),
        "lone surrogate in an error": b'{"title": "\\ud800\\udfff\\u202e", "status": 500}',
        "periods is an object": _changed(good_periods, lambda p: p.update(periods={"a": 1})),
        "periods is empty": _changed(good_periods, lambda p: p.update(periods=[])),
        "period is text": _changed(good_periods, lambda p: p["periods"].insert(0, "cold")),
        "period without a unit": _changed(
            good_periods, lambda p: p["periods"][0].pop("temperatureUnit")
        ),
        "period's temperature is text": _changed(
            good_periods, lambda p: p["periods"][0].update(temperature="40")
        ),
        "period's wind is a list": _changed(
            good_periods, lambda p: p["periods"][0].update(windSpeed=["2 mph"])
        ),
        "twelve-hour periods": _changed(
            good_periods, lambda p: p["periods"][0].update(endTime="2026-05-04T06:00:00+00:00")
        ),
        "timeseries is text": _changed(good_series, lambda p: p.update(timeseries="cold")),
        "timeseries is empty": _changed(good_series, lambda p: p.update(timeseries=[])),
        "no meta": _changed(good_series, lambda p: p.pop("meta")),
        "step without data": _changed(good_series, lambda p: p["timeseries"][0].pop("data")),
        "step's time is local": _changed(
            good_series, lambda p: p["timeseries"][0].update(time="2026-05-03T18:00:00")
        ),
        "step's temperature is text": _changed(
            good_series, lambda p: step(p).update(air_temperature="5.0")
        ),
        "step's humidity is 400": _changed(
            good_series, lambda p: step(p).update(relative_humidity=400)
        ),
        "series in kelvin": _changed(
            good_series, lambda p: p["meta"]["units"].update(air_temperature="kelvin")
        ),
        "series with wind in knots": _changed(
            good_series, lambda p: p["meta"]["units"].update(wind_speed="knots")
        ),
    }


def _tafs() -> dict[str, bytes]:
    def said(old: str, new: str) -> bytes:
        return GOOD_TAF.replace(old, new).encode()

    return {
        "taf without a low": said(" TN01/0405Z", ""),
        "taf cancelled": b"TAF AMD ZZII 031500Z 0312/0412 CNL=",
        "taf nil": b"TAF ZZJJ 031100Z NIL=",
        "taf low outside its validity": said("TN01/0405Z", "TN01/0605Z"),
        "taf low at hour 25": said("TN01/0405Z", "TN01/0425Z"),
        "taf low on day 32": said("TN01/0405Z", "TN01/3205Z"),
        "taf low without a day": said("TN01/0405Z", "TN01/05Z"),
        "taf low of 75": said("TN01", "TN75"),
        "taf issued on day 00": said("031100Z", "001100Z"),
        "taf issued at minute 99": said("031100Z", "031199Z"),
        "taf valid backwards": said("0312/0412", "0412/0312"),
        "taf valid for nine days": said("0312/0412", "0312/1212"),
        "tafs of two places": GOOD_TAF.encode() + b"\n" + said("ZZAA", "ZZBB"),
    }


def _truncations() -> dict[str, bytes]:
    cut = {}
    for name, document in (
        ("grid", good_grid()),
        ("periods", good_periods()),
        ("series", good_series()),
    ):
        data = dump(document)
        for position in range(1, len(data) - 1, max(1, len(data) // 40)):
            cut[f"{name} cut off after {position} bytes"] = data[:position]
    return cut


def _all() -> dict[str, tuple[str, bytes]]:
    files: dict[str, tuple[str, bytes]] = {}
    for name, data in _tables().items():
        files[name] = ("station.csv", data)
    for group in (_grids(), _other_json(), _truncations()):
        for name, data in group.items():
            files[name] = ("forecast.json", data)
    for name, data in _tafs().items():
        files[name] = ("taf.txt", data)
    return files


MALFORMED: dict[str, tuple[str, bytes]] = _all()
