"""Forecast files in the layouts that people, stations and services write."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from itertools import pairwise
from zoneinfo import ZoneInfo

from tests.corpus.truth import (
    ANCHORAGE,
    BERLIN,
    DAYS,
    DENVER,
    LONDON,
    LOW_C,
    Case,
    f,
    hours,
    in_zone,
    iso,
    table,
)

NEW_YORK = ZoneInfo("America/New_York")
UTC_ZONE = ZoneInfo("UTC")
RFC5322 = "RFC 5322, obsolete zones"
RFC3339 = "RFC 3339"
OPEN_MODEL = "the open model service's documentation, in our own words"
NWS = "the US service's OpenAPI file, 1.9.0"
METNO = "MET Norway, Locationforecast 2.0 data model"
TAF = "WMO-No. 306, FM 51"


def _encoded(text: str, encoding: str = "utf-8") -> bytes:
    return text.encode(encoding)


def _hourly(
    header: str = "Temperature (°C)",
    *,
    time: str = "Time",
    stamp: Callable[[datetime], str] = iso,
    value: Callable[[float], object] = lambda c: c,
    **how: object,
) -> str:
    rows = [(stamp(at), value(c)) for at, c in hours()]
    return table([time, header], rows, **how)  # type: ignore[arg-type]


def all_cases() -> list[Case]:
    found = [
        *zones(),
        *choices(),
        *units(),
        *columns(),
        *nights(),
        *colder(),
        *whose(),
        *good(),
    ]
    names = [case.name for case in found]
    assert len(names) == len(set(names)), sorted({n for n in names if names.count(n) > 1})
    return found


# 1. Zones stated in the file --------------------------------------------------------------------


def _told_in(garden: ZoneInfo, other: object, header: str = "Time", **how: object) -> str:
    rows = [(iso(in_zone(at, garden, other)), c) for at, c in hours()]
    return table([header, "Temperature (°C)"], rows, **how)  # type: ignore[arg-type]


def zones() -> Iterator[Case]:
    east = timezone(timedelta(hours=-5))
    for name, header, other, source in (
        ("utc-bracket", "Time (UTC)", UTC, ""),
        ("gmt-bracket", "Time (GMT)", UTC, ""),
        ("utc-square", "Time [UTC]", UTC, ""),
        ("utc-word", "Time UTC", UTC, ""),
        ("utc-underscore", "time_utc", UTC, ""),
        ("utc-alone", "UTC", UTC, ""),
        ("utc-german", "Datum/Uhrzeit (UTC)", UTC, ""),
        ("gmt-minus-5", "Date Time, GMT-05:00", east, ""),
        ("gmt-minus-5-short", "Date Time (GMT-5)", east, ""),
        ("utc-plus-1", "Time [UTC+1]", timezone(timedelta(hours=1)), ""),
        ("utc-plus-0530", "Time (UTC+05:30)", timezone(timedelta(hours=5, minutes=30)), ""),
        ("est", "Time (EST)", east, RFC5322),
        ("cst", "Time (CST)", timezone(timedelta(hours=-6)), RFC5322),
        ("cet", "Time (CET)", timezone(timedelta(hours=1)), ""),
        ("iana-ny", "Timestamp (America/New_York)", NEW_YORK, "IANA time zone database"),
        ("iana-berlin", "Timestamp (Europe/Berlin)", BERLIN, "IANA time zone database"),
        ("z-word", "Zulu time", UTC, ""),
    ):
        yield Case(
            f"zone-{name}",
            "zones",
            _encoded(_told_in(DENVER, other, header)),
            zone=DENVER,
            source=source or "common practice, no source",
        )
    yield Case(
        "zone-anchorage-utc",
        "zones",
        _encoded(_told_in(ANCHORAGE, UTC, "Time (UTC)")),
        zone=ANCHORAGE,
    )
    for name, before, other in (
        ("preamble-timezone", "timezone,GMT\n\n", UTC),
        ("preamble-offset", "utc_offset_seconds,3600\n\n", timezone(timedelta(hours=1))),
        ("preamble-words", "Time zone: Europe/Berlin\n\n", BERLIN),
        ("preamble-comment", "# timezone: UTC\n", UTC),
        ("preamble-german", "Zeitzone;UTC\n", UTC),
        ("preamble-sentence", "All times in UTC\n", UTC),
    ):
        yield Case(
            f"zone-{name}", "zones", _encoded(_told_in(DENVER, other, before=before)), zone=DENVER
        )
    rows: list[tuple[object, ...]] = [
        (f"{(u := in_zone(at, DENVER, UTC)):%Y-%m-%d}", f"{u:%H:%M}", c) for at, c in hours()
    ]
    yield Case(
        "zone-two-columns",
        "zones",
        _encoded(table(["Date (UTC)", "Time (UTC)", "Temperature (°C)"], rows)),
        zone=DENVER,
    )
    rows = [(f"{iso(in_zone(at, DENVER, east))} EST", c) for at, c in hours()]
    yield Case(
        "zone-cell-est",
        "zones",
        _encoded(table(["Time", "Temperature (°C)"], rows)),
        zone=DENVER,
        source=RFC5322,
    )
    rows = [(f"{iso(in_zone(at, DENVER, UTC))} GMT", c) for at, c in hours()]
    yield Case(
        "zone-cell-gmt", "zones", _encoded(table(["Time", "Temperature (°C)"], rows)), zone=DENVER
    )
    rows = [(iso(in_zone(at, DENVER, east)), "-05:00", c) for at, c in hours()]
    yield Case(
        "zone-offset-column",
        "zones",
        _encoded(table(["Time", "UTC offset", "Temperature (°C)"], rows)),
        zone=DENVER,
    )
    rows = [(iso(in_zone(at, DENVER, NEW_YORK)), "America/New_York", c) for at, c in hours()]
    yield Case(
        "zone-name-column",
        "zones",
        _encoded(table(["Time", "Timezone", "Temperature (°C)"], rows)),
        zone=DENVER,
    )
    yield Case(
        "zone-ist-is-asked",
        "zones",
        _encoded(_told_in(DENVER, timezone(timedelta(hours=5, minutes=30)), "Time (IST)")),
        expects="ask",
        asks=("time_zone",),
        zone=DENVER,
    )
    yield Case(
        "zone-ist-answered",
        "zones",
        _encoded(_told_in(DENVER, timezone(timedelta(hours=5, minutes=30)), "Time (IST)")),
        options={"csv_time_zone": ZoneInfo("Asia/Kolkata")},
        zone=DENVER,
    )
    yield Case(
        "zone-bst-in-britain",
        "zones",
        _encoded(_told_in(LONDON, timezone(timedelta(hours=1)), "Time (BST)")),
        zone=LONDON,
    )
    yield Case(
        "zone-local-word", "zones", _encoded(_told_in(DENVER, DENVER, "Local time")), zone=DENVER
    )
    yield Case(
        "zone-mst-at-home", "zones", _encoded(_told_in(DENVER, DENVER, "Time (MST)")), zone=DENVER
    )


# 2. Choices against the file --------------------------------------------------------------------


def choices() -> Iterator[Case]:
    daily = [(f"{on}", low, high) for on, low, high in DAYS]
    for name, text, options in (
        ("f-over-c", _hourly(), {"temperature_unit": "F"}),
        ("c-over-f", _hourly("Temperature (°F)", value=f), {"temperature_unit": "C"}),
        (
            "f-over-c-daily",
            table(["Date", "Tmin (°C)", "Tmax (°C)"], daily),
            {"temperature_unit": "F", "daily_low_belongs_to": "morning"},
        ),
        ("f-over-underscore-c", _hourly("temp_c"), {"temperature_unit": "F"}),
        ("f-over-celsius", _hourly("Temperature Celsius"), {"temperature_unit": "F"}),
        (
            "f-over-cells",
            _hourly("Temperature", value=lambda c: f"{c} °C"),
            {"temperature_unit": "F"},
        ),
        (
            "f-over-unit-column",
            table(["Time", "Temperature", "Unit"], [(iso(at), c, "C") for at, c in hours()]),
            {"temperature_unit": "F"},
        ),
        (
            "f-over-unit-row",
            table(["Time", "Temperature"], [("", "°C"), *[(iso(at), c) for at, c in hours()]]),
            {"temperature_unit": "F"},
        ),
        (
            "utc-over-offsets",
            _hourly(stamp=lambda at: f"{at:%Y-%m-%dT%H:%M}:00+01:00"),
            {"csv_time_zone": UTC_ZONE},
        ),
        (
            "utc-over-iana",
            _told_in(BERLIN, NEW_YORK, "Time (America/New_York)"),
            {"csv_time_zone": UTC_ZONE},
        ),
        (
            "ny-over-utc",
            _told_in(BERLIN, UTC, "Time (UTC)"),
            {"csv_time_zone": NEW_YORK},
        ),
        (
            "evening-over-time-of-low",
            table(
                ["Date", "Low (°C)", "Time of low"],
                [(f"{on}", low, "06:00") for on, low, _ in DAYS],
            ),
            {"daily_low_belongs_to": "evening"},
        ),
        (
            "month-first-over-days",
            _hourly(stamp=lambda at: f"{at:%d/%m/%Y %H:%M}"),
            {"date_order": "MDY"},
        ),
    ):
        yield Case(
            f"choice-{name}",
            "choices",
            _encoded(text),
            expects="refuse",
            options=options,
            source=RFC3339 if "offsets" in name else "common practice, no source",
        )
    yield Case(
        "choice-cp1252-over-utf8",
        "choices",
        _encoded(_hourly("Température extérieure (°C)")),
        options={"encoding": "cp1252"},
    )
    yield Case(
        "choice-f-where-silent",
        "choices",
        _encoded(_hourly("Temperature", value=f)),
        options={"temperature_unit": "F"},
    )
    yield Case(
        "choice-same-as-file", "choices", _encoded(_hourly()), options={"temperature_unit": "C"}
    )


# 3. Units within the file -----------------------------------------------------------------------


def units() -> Iterator[Case]:
    told = hours()
    rows: list[tuple[object, ...]] = [(iso(at), f(c), "F") for at, c in told]
    yield Case("unit-column-f", "units", _encoded(table(["Time", "Temperature", "Unit"], rows)))
    rows = [(iso(at), f(c), "°F") for at, c in told]
    yield Case(
        "unit-column-deg-f", "units", _encoded(table(["Time", "Temperature", "Units"], rows))
    )
    mixed = [
        (iso(at), c if n < 30 else f(c), "C" if n < 30 else "F") for n, (at, c) in enumerate(told)
    ]
    yield Case("unit-column-mixed", "units", _encoded(table(["Time", "Temp", "Unit"], mixed)))
    yield Case(
        "unit-column-against-header",
        "units",
        _encoded(table(["Time", "Temp (°C)", "Unit"], mixed)),
        expects="refuse",
    )
    first = table(["Time", "Temp (°C)"], [(iso(at), c) for at, c in told[:6]])
    second = table(["Time", "Temp (°F)"], [(iso(at), f(c)) for at, c in told[6:]])
    yield Case("unit-second-header", "units", _encoded(first + second))
    yield Case("unit-second-header-gap", "units", _encoded(first + "\n" + second))
    first_f = table(["Time", "Temp (°F)"], [(iso(at), f(c)) for at, c in told[:40]])
    second_c = table(["Time", "Temp (°C)"], [(iso(at), c) for at, c in told[40:]])
    yield Case("unit-second-header-back", "units", _encoded(first_f + second_c))
    for rows_before in (6, 12, 30):
        switched = [(iso(at), c if n < rows_before else f(c)) for n, (at, c) in enumerate(told)]
        yield Case(
            f"unit-switch-after-{rows_before}",
            "units",
            _encoded(table(["Time", "Temp (°C)"], switched)),
            expects="refuse",
        )
    back = [(iso(at), f(c) if n < 20 else c) for n, (at, c) in enumerate(told)]
    yield Case(
        "unit-switch-to-c", "units", _encoded(table(["Time", "Temp (°F)"], back)), expects="refuse"
    )
    yield Case(
        "unit-in-cells-f", "units", _encoded(_hourly("Temperature", value=lambda c: f"{f(c)} °F"))
    )
    yield Case(
        "unit-in-cells-mixed",
        "units",
        _encoded(
            table(
                ["Time", "Temperature"],
                [(iso(at), f"{c} °C" if n % 2 else f"{f(c)} °F") for n, (at, c) in enumerate(told)],
            )
        ),
    )
    yield Case(
        "unit-in-cells-against-header",
        "units",
        _encoded(_hourly("Temperature (°C)", value=lambda c: f"{f(c)} °F")),
        expects="refuse",
    )
    yield Case(
        "unit-row-below",
        "units",
        _encoded(
            table(["Time", "Temperature"], [("", "degF"), *[(iso(a), f(c)) for a, c in told]])
        ),
    )
    yield Case(
        "unit-preamble-f",
        "units",
        _encoded(_hourly("Temperature", value=f, before="Temperature unit: F\n\n")),
    )
    yield Case(
        "unit-silent", "units", _encoded(_hourly("Temperature")), expects="ask", asks=("unit",)
    )
    daily = [(f"{on}", f(low), f(high), "F") for on, low, high in DAYS]
    yield Case(
        "unit-column-daily",
        "units",
        _encoded(table(["Date", "Low", "High", "Unit"], daily)),
        options={"daily_low_belongs_to": "morning"},
    )


# 4. Which column --------------------------------------------------------------------------------


def _two(first: str, other: str, value: Callable[[float], object], **how: object) -> str:
    rows = [(iso(at), value(c), c) for at, c in hours()]
    return table(["Time", first, other], rows, **how)  # type: ignore[arg-type]


def columns() -> Iterator[Case]:
    for name, wrong in (
        ("850hpa", "temperature_850hPa (°C)"),
        ("80m", "temperature_80m (°C)"),
        ("polytunnel", "Polytunnel temperature (°C)"),
        ("greenhouse", "Greenhouse temp (°C)"),
        ("cold-frame", "Cold frame temp (°C)"),
        ("heating-target", "Heating target temperature (°C)"),
        ("setpoint", "Temperature setpoint (°C)"),
        ("offset", "Temperature offset (°C)"),
        ("correction", "Temp correction (°C)"),
        ("cpu", "CPU temperature (°C)"),
        ("board", "Board temp (°C)"),
        ("internal", "Internal temperature (°C)"),
        ("fridge", "Fridge temperature (°C)"),
        ("compost", "Compost temperature (°C)"),
        ("soil", "Soil temperature (°C)"),
        ("normal", "Normal temperature (°C)"),
    ):
        yield Case(
            f"column-{name}",
            "columns",
            _encoded(_two(wrong, "Outside temperature (°C)", lambda c: round(c + 4.2, 1))),
        )
        if name in ("850hpa", "polytunnel", "heating-target", "offset", "cpu", "setpoint"):
            yield Case(
                f"column-{name}-plain",
                "columns",
                _encoded(_two(wrong, "Temperature (°C)", lambda c: round(c + 4.2, 1))),
            )
            yield Case(
                f"column-{name}-alone",
                "columns",
                _encoded(table(["Time", wrong], [(iso(at), c + 4.2) for at, c in hours()])),
                expects="ask",
                asks=("columns",),
            )
    for name, one, other in (
        ("same-name", "Temp (°C)", "Temp (°C)"),
        ("member-00", "temperature_2m_member00 (°C)", "temperature_2m_member01 (°C)"),
        ("north-south", "Temp north (°C)", "Temp south (°C)"),
        ("numbered", "Temp 1 (°C)", "Temp 2 (°C)"),
        ("two-stations", "Orchard temp (°C)", "Yard temp (°C)"),
        ("two-models", "Temperature model A (°C)", "Temperature model B (°C)"),
    ):
        yield Case(
            f"column-{name}",
            "columns",
            _encoded(_two(one, other, lambda c: round(c + 2.5, 1))),
            expects="ask",
            asks=("columns",),
        )
        if name != "same-name":
            yield Case(
                f"column-{name}-answered",
                "columns",
                _encoded(_two(one, other, lambda c: round(c + 2.5, 1))),
                options={"columns": {"temperature": other}},
            )
    yield Case("column-c-and-f", "columns", _encoded(_two("temp_f", "temp_c", f)))
    rows: list[tuple[object, ...]] = [(f"{on}", low + 3.0, low, high) for on, low, high in DAYS]
    yield Case(
        "column-two-lows",
        "columns",
        _encoded(table(["Date", "Low east (°C)", "Low west (°C)", "High (°C)"], rows)),
        expects="ask",
        asks=("columns",),
        options={"daily_low_belongs_to": "morning"},
    )


# 5. Which night a date's low belongs to ---------------------------------------------------------


def nights() -> Iterator[Case]:
    daily = [(on, low, high) for on, low, high in DAYS]
    for name, text in (
        (
            "us",
            table(
                ["Date", "High (F)", "Low (F)"],
                [(f"{on:%m/%d/%Y}", f(high), f(low)) for on, low, high in daily],
            ),
        ),
        (
            "us-short",
            table(
                ["Day", "Hi °F", "Lo °F"],
                [(f"{on:%m/%d/%y}", f(high), f(low)) for on, low, high in daily],
            ),
        ),
        ("iso", table(["Date", "Tmin (°C)", "Tmax (°C)"], daily)),
        (
            "archive",
            table(["DATE", "TMAX (°C)", "TMIN (°C)"], [(d, h, low) for d, low, h in daily]),
        ),
        (
            "german",
            table(
                ["Datum", "Tmin (°C)", "Tmax (°C)"],
                [(f"{on:%d.%m.%Y}", low, high) for on, low, high in daily],
                sep=";",
                comma=True,
            ),
        ),
        ("tabs", table(["Date", "Min (°C)", "Max (°C)"], daily, sep="\t")),
        ("one-day", table(["Date", "Low (°C)"], [(DAYS[1][0], LOW_C), (DAYS[2][0], -0.6)])),
        ("minimum", table(["Date", "Minimum temperature (°C)"], [(d, low) for d, low, _ in daily])),
        (
            "rain",
            table(
                ["Date", "Low (°C)", "High (°C)", "Rain (mm)"],
                [(d, low, high, 0.2) for d, low, high in daily],
            ),
        ),
        (
            "midnight",
            table(
                ["Date", "Low (°C)", "High (°C)"],
                [(f"{d} 00:00", low, high) for d, low, high in daily],
            ),
        ),
    ):
        yield Case(f"night-{name}", "nights", _encoded(text), expects="ask", asks=("daily_low",))
        yield Case(
            f"night-{name}-morning",
            "good",
            _encoded(text),
            options={"daily_low_belongs_to": "morning"},
        )
    for name, header, text_of in (
        ("time-of-low", "Time of low", "06:00"),
        ("low-time", "Low time", "6:00 AM"),
        ("tmin-time", "Tmin time", "06:00:00"),
    ):
        yield Case(
            f"night-{name}",
            "nights",
            _encoded(
                table(
                    ["Date", "Low (°C)", header], [(f"{on}", low, text_of) for on, low, _ in DAYS]
                )
            ),
            source="common practice, no source",
        )
    evening = [(f"{on}", low) for (on, _, _), (_, low, _) in pairwise(DAYS)]
    for header in ("Night of", "Evening of", "Night beginning"):
        yield Case(
            f"night-{header.lower().replace(' ', '-')}",
            "nights",
            _encoded(table([header, "Low (°C)"], evening)),
        )
    yield Case(
        "night-late-evening-low",
        "nights",
        _encoded(
            table(
                ["Date", "Low (°C)", "Time of low"],
                [("2026-11-25", LOW_C, "23:30"), ("2026-11-26", -0.6, "23:50")],
            )
        ),
    )


# 6. The colder value ----------------------------------------------------------------------------


def _layer(values: list[tuple[str, float | None]], uom: str = "wmoUnit:degC") -> dict[str, object]:
    return {"uom": uom, "values": [{"validTime": when, "value": value} for when, value in values]}


def gridpoint(
    low_c: float | None = LOW_C,
    *,
    hour_c: Callable[[datetime, float], float] = lambda _at, c: c,
    hazards: list[dict[str, object]] | None = None,
    updated: str = "2026-11-25T20:00:00+00:00",
    place: tuple[float, float] = (39.74, -104.99),
    height_m: float = 1600.0,
) -> bytes:
    layers: dict[str, object] = {
        "updateTime": updated,
        "elevation": {"unitCode": "wmoUnit:m", "value": height_m},
        "temperature": _layer(
            [
                (f"{in_zone(at, DENVER, UTC):%Y-%m-%dT%H:00:00}+00:00/PT1H", hour_c(at, c))
                for at, c in hours()
            ]
        ),
        "skyCover": _layer([("2026-11-25T20:00:00+00:00/P2D", 10.0)], "wmoUnit:percent"),
    }
    if low_c is not None:
        layers["minTemperature"] = _layer([("2026-11-26T01:00:00+00:00/PT14H", low_c)])
    if hazards:
        layers["hazards"] = {
            "values": [{"validTime": "2026-11-26T04:00:00+00:00/PT11H", "value": hazards}]
        }
    latitude, longitude = place
    ring = [
        [longitude + x, latitude + y]
        for x, y in ((-0.01, -0.01), (0.01, -0.01), (0.01, 0.01), (-0.01, 0.01), (-0.01, -0.01))
    ]
    return json.dumps(
        {
            "type": "Feature",
            "geometry": {"type": "Polygon", "coordinates": [ring]},
            "properties": layers,
        }
    ).encode()


def open_model(
    *,
    daily_c: float = LOW_C,
    hour_c: Callable[[datetime, float], float] = lambda _at, c: c,
    place: tuple[float, float, float] = (49.88, 10.92, 240.0),
) -> bytes:
    told = hours()
    return json.dumps(
        {
            "latitude": place[0],
            "longitude": place[1],
            "elevation": place[2],
            "utc_offset_seconds": 3600,
            "timezone": "Europe/Berlin",
            "hourly_units": {"time": "iso8601", "temperature_2m": "°C"},
            "hourly": {
                "time": [f"{at:%Y-%m-%dT%H:%M}" for at, _ in told],
                "temperature_2m": [hour_c(at, c) for at, c in told],
            },
            "daily_units": {"time": "iso8601", "temperature_2m_min": "°C"},
            "daily": {
                "time": [f"{on}" for on, _, _ in DAYS],
                "temperature_2m_min": [1.1, daily_c, -0.6],
            },
        }
    ).encode()


def metno(
    *,
    hour_c: Callable[[datetime, float], float] = lambda _at, c: c,
    ahead_c: float | None = None,
    place: tuple[float, float, float] = (10.92, 49.88, 240.0),
    updated: str = "2026-11-25T14:10:00Z",
) -> bytes:
    series = []
    for at, c in hours():
        data: dict[str, object] = {"instant": {"details": {"air_temperature": hour_c(at, c)}}}
        if ahead_c is not None and at == datetime(2026, 11, 26, 3):
            data["next_6_hours"] = {"details": {"air_temperature_min": ahead_c}}
        series.append({"time": f"{in_zone(at, BERLIN, UTC):%Y-%m-%dT%H:%M:%SZ}", "data": data})
    return json.dumps(
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": list(place)},
            "properties": {
                "meta": {"updated_at": updated, "units": {"air_temperature": "celsius"}},
                "timeseries": series,
            },
        }
    ).encode()


def _mild(_at: datetime, c: float) -> float:
    return max(c, -1.0)


def colder() -> Iterator[Case]:
    for name, low_c in (("one", -1.0), ("half", -0.5), ("plus", 0.6), ("two", -2.8)):
        yield Case(
            f"colder-hour-under-stated-{name}",
            "colder",
            gridpoint(low_c),
            zone=DENVER,
            source=NWS,
        )
    yield Case(
        "colder-stated-under-hours", "colder", gridpoint(hour_c=_mild), zone=DENVER, source=NWS
    )
    for name, daily_c in (("whole", -3.4),):
        yield Case(
            f"colder-day-under-hours-{name}",
            "colder",
            open_model(daily_c=daily_c, hour_c=_mild),
            source=OPEN_MODEL,
        )
    yield Case(
        "colder-ahead-under-hours", "colder", metno(hour_c=_mild, ahead_c=LOW_C), source=METNO
    )
    yield Case("colder-hours-under-ahead", "colder", metno(ahead_c=-1.0), source=METNO)
    # The US service's criteria: freeze 32 °F, hard freeze 28 °F, frost 36 °F. From memory.
    for name, phenomenon, significance, at_most_c in (
        ("freeze-warning", "FZ", "W", 0.0),
        ("freeze-watch", "FZ", "A", 0.0),
        ("hard-freeze", "HZ", "W", -2.2),
        ("frost", "FR", "Y", 2.2),
    ):
        yield Case(
            f"colder-{name}",
            "colder",
            gridpoint(
                3.0,
                hour_c=lambda _at, c: max(c, 3.0),
                hazards=[{"phenomenon": phenomenon, "significance": significance}],
            ),
            zone=DENVER,
            low_c=at_most_c,
            source="US National Weather Service glossary, from memory",
        )
    rows: list[tuple[object, ...]] = [(iso(at), max(c, -1.0), c) for at, c in hours()]
    yield Case(
        "colder-low-column",
        "colder",
        _encoded(table(["Time", "Temp (°C)", "Min temp (°C)"], rows)),
    )
    yield Case(
        "colder-two-tn",
        "colder",
        b"TAF EDXX 251700Z 2518/2624 VRB02KT CAVOK TX05/2613Z TNM01/2522Z TNM03/2606Z=",
        low_c=-3.0,
        source=TAF,
    )


# 8. Whose forecast, of when ---------------------------------------------------------------------


def whose() -> Iterator[Case]:
    home = (49.88, 10.92, 240.0)
    yield Case(
        "whose-far-model",
        "whose",
        open_model(place=(48.1, 11.6, 240.0)),
        expects="ask",
        asks=("place",),
        place=home,
        source=OPEN_MODEL,
    )
    yield Case(
        "whose-far-metno",
        "whose",
        metno(place=(9.0, 49.88, 240.0)),
        expects="ask",
        asks=("place",),
        place=home,
        source=METNO,
    )
    yield Case(
        "whose-far-grid",
        "whose",
        gridpoint(),
        expects="ask",
        asks=("place",),
        zone=DENVER,
        place=(40.6, -105.1, 1600.0),
        source=NWS,
    )
    yield Case(
        "whose-near-grid",
        "good",
        gridpoint(),
        zone=DENVER,
        place=(39.8, -105.0, 1600.0),
        source=NWS,
    )
    yield Case(
        "whose-high-model",
        "whose",
        open_model(place=(49.88, 10.92, 700.0)),
        expects="ask",
        asks=("height",),
        place=home,
        source=OPEN_MODEL,
    )
    yield Case(
        "whose-high-metno",
        "whose",
        metno(place=(10.92, 49.88, 1240.0)),
        expects="ask",
        asks=("height",),
        place=home,
        source=METNO,
    )
    yield Case(
        "whose-height-unknown",
        "good",
        open_model(place=(49.88, 10.92, 700.0)),
        place=(49.88, 10.92, None),
        source=OPEN_MODEL,
    )
    yield Case(
        "whose-old-metno",
        "whose",
        metno(updated="2026-11-21T14:10:00Z"),
        expects="ask",
        asks=("issue",),
        place=home,
        source=METNO,
    )
    yield Case(
        "whose-old-grid",
        "whose",
        gridpoint(updated="2026-11-21T20:00:00+00:00"),
        expects="ask",
        asks=("issue",),
        zone=DENVER,
        place=(39.74, -104.99, 1600.0),
        source=NWS,
    )
    yield Case(
        "whose-fresh-metno",
        "good",
        metno(),
        place=home,
        source=METNO,
    )
    later = timedelta(days=365)
    yield Case(
        "whose-next-year",
        "whose",
        _encoded(_hourly(stamp=lambda at: iso(at + later))),
        expects="ask",
        asks=("nights",),
        place=home,
    )
    yield Case(
        "whose-next-month",
        "whose",
        _encoded(_hourly(stamp=lambda at: iso(at + timedelta(days=31)))),
        expects="ask",
        asks=("nights",),
        place=home,
    )
    spike_at = datetime(2026, 11, 25, 21)

    def spiked(at: datetime, c: float) -> float:
        return -40.0 if at == spike_at else c

    yield Case(
        "whose-spike-f",
        "whose",
        _encoded(
            table(
                ["Time", "Temp (°F)"],
                [(iso(at), -40.0 if at == spike_at else f(c)) for at, c in hours()],
            )
        ),
        expects="ask",
        asks=("spikes",),
        place=home,
    )
    yield Case(
        "whose-spike-dropped",
        "whose",
        _encoded(
            table(
                ["Time", "Temp (°F)"],
                [(iso(at), -40.0 if at == spike_at else f(c)) for at, c in hours()],
            )
        ),
        options={"spikes": "drop"},
        place=home,
    )
    yield Case(
        "whose-spike-metno",
        "whose",
        metno(hour_c=spiked),
        expects="ask",
        asks=("spikes",),
        place=home,
        source=METNO,
    )
    yield Case(
        "whose-spike-model",
        "whose",
        open_model(hour_c=spiked),
        expects="ask",
        asks=("spikes",),
        place=home,
        source=OPEN_MODEL,
    )
    yield Case(
        "whose-taf-corrected-first",
        "whose",
        b"TAF COR EDXX 251700Z 2518/2624 VRB02KT CAVOK TX05/2613Z TNM03/2606Z=\n"
        b"TAF EDXX 251700Z 2518/2624 VRB02KT CAVOK TX05/2613Z TN01/2606Z=",
        low_c=-3.0,
        source=TAF,
    )
    yield Case(
        "whose-taf-corrected-last",
        "whose",
        b"TAF EDXX 251700Z 2518/2624 VRB02KT CAVOK TX05/2613Z TN01/2606Z=\n"
        b"TAF COR EDXX 251700Z 2518/2624 VRB02KT CAVOK TX05/2613Z TNM03/2606Z=",
        low_c=-3.0,
        source=TAF,
    )


# Refused though good, and plainly good ----------------------------------------------------------

_WORDS = {  # date and time, date, time, outside temperature, low, high
    "es": ("Fecha y hora", "Fecha", "Hora", "Temperatura exterior", "Mínima", "Máxima"),
    "fr": ("Date et heure", "Date", "Heure", "Température extérieure", "Minimale", "Maximale"),
    "de": ("Zeitpunkt", "Datum", "Uhrzeit", "Außentemperatur", "Tiefstwert", "Höchstwert"),
    "nl": ("Tijdstip", "Datum", "Tijd", "Buitentemperatuur", "Minimum", "Maximum"),
    "pt": ("Data e hora", "Data", "Hora", "Temperatura exterior", "Mínima", "Máxima"),
    "pl": (
        "Data i godzina",
        "Data",
        "Godzina",
        "Temperatura zewnętrzna",
        "Minimalna",
        "Maksymalna",
    ),
    "it": ("Data e ora", "Data", "Ora", "Temperatura esterna", "Minima", "Massima"),
}


def good() -> Iterator[Case]:
    told = hours()
    for code, (both, day, clock, air, low, high) in _WORDS.items():
        yield Case(
            f"good-{code}-hourly",
            "good",
            _encoded(
                _hourly(
                    f"{air} (°C)",
                    time=both,
                    sep=";",
                    comma=True,
                    stamp=lambda at: f"{at:%d.%m.%Y %H:%M}",
                )
            ),
        )
        yield Case(
            f"good-{code}-two-columns",
            "good",
            _encoded(
                table(
                    [day, clock, f"{air} [°C]"],
                    [(f"{at:%d/%m/%Y}", f"{at:%H:%M}", c) for at, c in told],
                    sep=";",
                    comma=True,
                )
            ),
        )
        yield Case(
            f"good-{code}-daily",
            "good",
            _encoded(
                table(
                    [day, f"{low} (°C)", f"{high} (°C)"],
                    [(f"{on:%d.%m.%Y}", lo, hi) for on, lo, hi in DAYS],
                    sep=";",
                    comma=True,
                )
            ),
            options={"daily_low_belongs_to": "morning"},
        )
        yield Case(
            f"good-{code}-cp1252" if code != "pl" else "good-pl-utf16",
            "good",
            _encoded(
                _hourly(f"{air} (°C)", time=both, sep=";", comma=True),
                "cp1252" if code != "pl" else "utf-16",
            ),
        )
    for name, stamp in (
        ("iso-t", lambda at: f"{at:%Y-%m-%dT%H:%M:%S}"),
        ("iso-seconds", lambda at: f"{at:%Y-%m-%d %H:%M:%S}"),
        ("slashes", lambda at: f"{at:%Y/%m/%d %H:%M}"),
        ("dots", lambda at: f"{at:%d.%m.%Y %H:%M}"),
        ("us-12h", lambda at: f"{at:%m/%d/%Y %I:%M %p}"),
        ("us-12h-thin-space", lambda at: f"{at:%m/%d/%Y, %I:%M:%S}\u202f{at:%p}"),
        (
            "us-12h-letter",
            lambda at: f"{at:%m/%d/%Y} {at.hour % 12 or 12}:{at:%M}{'a' if at.hour < 12 else 'p'}",
        ),
        ("day-month-name", lambda at: f"{at:%d %b %Y %H:%M}"),
        ("day-month-full", lambda at: f"{at:%d %B %Y %H:%M}"),
        ("month-day-name", lambda at: f"{at:%b %d, %Y %I:%M %p}"),
        ("weekday", lambda at: f"{at:%a %d %b %Y %H:%M}"),
        ("compact", lambda at: f"{at:%Y%m%d%H%M}"),
        ("compact-t", lambda at: f"{at:%Y%m%dT%H%M}"),
        ("whole-hours", lambda at: f"{at:%Y-%m-%d %H}"),
        ("offset", lambda at: f"{at:%Y-%m-%dT%H:%M:%S}+01:00"),
        ("zulu", lambda at: f"{in_zone(at, BERLIN, UTC):%Y-%m-%dT%H:%M:%SZ}"),
        ("zulu-small", lambda at: f"{in_zone(at, BERLIN, UTC):%Y-%m-%dt%H:%M:%Sz}"),
        ("millis", lambda at: f"{at:%Y-%m-%d %H:%M:%S}.000"),
    ):
        yield Case(
            f"good-stamp-{name}",
            "good",
            _encoded(_hourly(stamp=stamp)),
            source=RFC3339 if "zulu" in name else "common practice, no source",
        )

    def epoch(at: datetime) -> float:
        return at.replace(tzinfo=BERLIN).timestamp()

    for name, time, stamp in (
        ("epoch", "time", lambda at: f"{epoch(at):.0f}"),
        ("epoch-decimals", "timestamp", lambda at: f"{epoch(at):.3f}"),
        ("epoch-millis", "timestamp", lambda at: f"{epoch(at) * 1000:.0f}"),
        ("epoch-dt", "dt", lambda at: f"{epoch(at):.0f}"),
        ("serial", "Date", lambda at: f"{(at - datetime(1899, 12, 30)) / timedelta(days=1):.6f}"),
        (
            "serial-comma",
            "Datum",
            lambda at: f"{(at - datetime(1899, 12, 30)) / timedelta(days=1):.5f}".replace(".", ","),
        ),
    ):
        yield Case(
            f"good-{name}",
            "good",
            _encoded(
                _hourly(
                    time=time,
                    stamp=stamp,
                    sep=";" if "comma" in name else ",",
                    comma="comma" in name,
                )
            ),
        )
    yield Case(
        "good-hour-column",
        "good",
        _encoded(
            table(["Date", "Hour", "Temp (°C)"], [(f"{at:%Y-%m-%d}", at.hour, c) for at, c in told])
        ),
    )
    yield Case(
        "good-hhmm-column",
        "good",
        _encoded(
            table(
                ["Date", "Time", "Temp (°C)"],
                [(f"{at:%Y-%m-%d}", f"{at:%H%M}", c) for at, c in told],
            )
        ),
    )
    yield Case(
        "good-year-month-day",
        "good",
        _encoded(
            table(
                ["Year", "Month", "Day", "Hour", "Temp (°C)"],
                [(at.year, at.month, at.day, at.hour, c) for at, c in told],
            )
        ),
    )
    for name, value in (
        ("unicode-minus", lambda c: str(c).replace("-", "\u2212")),
        ("en-dash", lambda c: str(c).replace("-", "\u2013")),
        ("unit-in-cell", lambda c: f"{c} °C"),
        ("unit-glued", lambda c: f"{c}°C"),
        ("plus-sign", lambda c: f"{c:+}"),
        ("two-decimals", lambda c: f"{c:.2f}"),
        ("nbsp", lambda c: f"\u00a0{c}"),
    ):
        yield Case(f"good-figure-{name}", "good", _encoded(_hourly(value=value)))
    for code in (
        "NaN",
        "nan",
        "--",
        "---",
        "NA",
        "n/a",
        "null",
        "-999",
        "-9999",
        "",
        "None",
        "N/D",
        "-",
        "\u2013",
    ):
        rows: list[tuple[object, ...]] = [
            (iso(at), code if n == 2 else c) for n, (at, c) in enumerate(told)
        ]
        yield Case(
            f"good-missing-{code or 'empty'}", "good", _encoded(table(["Time", "Temp (°C)"], rows))
        )
    for header in (
        "t2m_degC",
        "temp_c",
        "Temperature_C",
        "TT_TU (°C)",
        "Air Temp [C]",
        "tempC",
        "Temperature ℃",
        "Out Temp C",
        "T_air_C",
        "Temp., °C",
        "outdoor_temperature_c",
        "Outdoor Temperature (°C)",
        "Temp Out (°C)",
        "temperature_2m (°C)",
        "Temperature [deg C]",
        "T2m (°C)",
    ):
        yield Case(f"good-header-{header}", "good", _encoded(_hourly(header)))
    for odd in ("9", "clear", "n/a", "overcast"):
        rows = [(iso(at), c, odd if n == 5 else 2) for n, (at, c) in enumerate(told)]
        yield Case(
            f"good-odd-cloud-{odd}",
            "good",
            _encoded(table(["Time", "Temp (°C)", "Cloud (oktas)"], rows)),
        )
    rows = [(iso(at), c, "calm" if n == 4 else 3.1) for n, (at, c) in enumerate(told)]
    yield Case("good-odd-wind", "good", _encoded(table(["Time", "Temp (°C)", "Wind (km/h)"], rows)))
    rows = [(iso(at), c, 140 if n == 4 else 81) for n, (at, c) in enumerate(told)]
    yield Case("good-odd-humidity", "good", _encoded(table(["Time", "Temp (°C)", "RH (%)"], rows)))
    for encoding in ("utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1"):
        text = _hourly()
        data = text.encode(encoding)
        if encoding == "utf-16-le":
            data = b"\xff\xfe" + data
        if encoding == "utf-16-be":
            data = b"\xfe\xff" + data
        yield Case(f"good-encoding-{encoding}", "good", data)
    for name, how in (
        ("crlf", {"eol": "\r\n"}),
        ("cr", {"eol": "\r"}),
        ("semicolon", {"sep": ";"}),
        ("tab", {"sep": "\t"}),
        ("decimal-comma", {"sep": ";", "comma": True}),
        ("sep-line", {"sep": ";", "before": "sep=;\n"}),
        ("title", {"before": "My weather station\n"}),
        ("title-lines", {"before": "My weather station\nExported 25.11.2026\n\n"}),
        ("comment", {"before": "# made by hand\n"}),
        ("summary", {"after": "Minimum,-3.4\nMaximum,7.2\n"}),
        ("blank-lines", {"after": "\n\n\n"}),
        ("pipe", {"sep": "|"}),
        ("trailing-nul", {"after": "\x00\x00\x00"}),
    ):
        yield Case(f"good-{name}", "good", _encoded(_hourly(**how)))
    yield Case(
        "good-newest-first",
        "good",
        _encoded(table(["Time", "Temp (°C)"], [(iso(at), c) for at, c in reversed(told)])),
    )
    yield Case(
        "good-all-quoted",
        "good",
        _encoded(
            "".join(
                f'"{a}","{b}"\n'
                for a, b in [("Time", "Temp (°C)"), *[(iso(at), str(c)) for at, c in told]]
            )
        ),
    )
    yield Case(
        "good-empty-last-column",
        "good",
        _encoded(
            "".join(
                f"{a},{b},\n" for a, b in [("Time", "Temp (°C)"), *[(iso(at), c) for at, c in told]]
            )
        ),
    )
    yield Case("good-gridpoint", "good", gridpoint(), zone=DENVER, source=NWS)
    yield Case("good-metno", "good", metno(), source=METNO)
    yield Case("good-open-model", "good", open_model(), source=OPEN_MODEL)
    yield Case(
        "good-taf",
        "good",
        b"TAF EDXX 251700Z 2518/2624 VRB02KT CAVOK TX05/2613Z TNM03/2606Z=",
        low_c=-3.0,
        source=TAF,
    )
    for name, text, told_how in (
        ("sentence", "Tonight: clear, lows around 28, light wind.\n", ""),
        ("number", "-3\n", ""),
        ("xml", "<?xml version='1.0'?><weather><low>-3.4</low></weather>\n", ""),
        ("page", "<!doctype html><title>Forecast</title>\n", ""),
        ("nothing-dated", "Name,Temp (°C)\nshed,3\n", ""),
    ):
        yield Case(f"bad-{name}{told_how}", "bad", _encoded(text), expects="refuse")
