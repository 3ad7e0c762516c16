"""Loggers' files that are awkward or broken, built in code from one small invented record.

`AWKWARD` must be read right: name → (bytes, zone of the garden, options, rows, first moment,
lowest °C). `BROKEN` must be refused: name → (bytes, options, line or None, words of the refusal).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from gardenapp.readers.logger import LoggerOptions

LONDON = ZoneInfo("Europe/London")
NEW_YORK = ZoneInfo("America/New_York")
BERLIN = ZoneInfo("Europe/Berlin")
START = datetime(2026, 5, 13, 20, 0, tzinfo=UTC)
TEMPERATURES = (9.1, 6.6, 4.4, 2.9, 1.7, 0.9, -0.8, 1.6, 6.9, 12.4)
HUMIDITIES = (70, 74, 78, 82, 86, 90, 92, 94, 98, 61)
LOWEST_C = -0.8
HEADER = "Time,Temperature (°C),Humidity (%)"
NOTHING = LoggerOptions()

Awkward = tuple[bytes, ZoneInfo, LoggerOptions, int, datetime, float]
Broken = tuple[bytes, LoggerOptions, int | None, str]


def table(
    rows: Sequence[str], header: str = HEADER, *, ending: str = "\n", encoding: str = "utf-8"
) -> bytes:
    return ending.join([header, *rows, ""]).encode(encoding)


def rows_of(
    write: Callable[[datetime], str] = lambda at: f"{at:%Y-%m-%d %H:%M:%S}",
    *,
    start: datetime = START,
    step: timedelta = timedelta(minutes=30),
    zone: ZoneInfo = LONDON,
    separator: str = ",",
    comma: bool = False,
    fahrenheit: bool = False,
) -> list[str]:
    rows = []
    for index, (temp_c, humid) in enumerate(zip(TEMPERATURES, HUMIDITIES, strict=True)):
        at = (start + index * step).astimezone(zone)
        shown = f"{temp_c * 9 / 5 + 32:.2f}" if fahrenheit else f"{temp_c:.1f}"
        if comma:
            shown = shown.replace(".", ",")
        rows.append(separator.join((write(at), shown, str(humid))))
    return rows


def _swap(rows: list[str], index: int, row: str) -> list[str]:
    return [*rows[:index], row, *rows[index + 1 :]]


GOOD = table(rows_of())
_ISO = rows_of()
_CLOCK_BACK = datetime(2026, 10, 25, 0, 0, tzinfo=UTC)  # London: 01:00 BST, back at 01:00 UTC
_CLOCK_ON = datetime(2026, 3, 29, 0, 0, tzinfo=UTC)  # London: 01:00 UTC becomes 02:00 BST
_HALF_HOUR = timedelta(minutes=30)
_MANY = [
    f"2026-01-{1 + i // 1440:02d} {i // 60 % 24:02d}:{i % 60:02d}:00,5.0,80" for i in range(40_000)
]


def _read(
    data: bytes,
    *,
    zone: ZoneInfo = LONDON,
    options: LoggerOptions = NOTHING,
    rows: int = 10,
    first: datetime = START,
    lowest_c: float = LOWEST_C,
) -> Awkward:
    return data, zone, options, rows, first, lowest_c


def _two_columns() -> list[str]:
    return [row.replace(" ", ";", 1).replace(",", ";") for row in _ISO]


AWKWARD: dict[str, Awkward] = {
    "plain": _read(GOOD),
    "byte order mark": _read(b"\xef\xbb\xbf" + GOOD),
    "windows line ends": _read(table(_ISO, ending="\r\n")),
    "old carriage returns": _read(table(_ISO, ending="\r")),
    "no line end at the end": _read(GOOD.rstrip()),
    "blank lines": _read(table([row + "\n" for row in _ISO])),
    "semicolons": _read(table(rows_of(separator=";"), HEADER.replace(",", ";"))),
    "semicolons and decimal commas": _read(
        table(rows_of(separator=";", comma=True), HEADER.replace(",", ";"))
    ),
    "tabs": _read(table(rows_of(separator="\t"), HEADER.replace(",", "\t"))),
    "quoted cells": _read(table(['"' + row.replace(",", '","') + '"' for row in _ISO])),
    "blanks after commas": _read(table([row.replace(",", ", ") for row in _ISO])),
    "fahrenheit in the header": _read(
        table(rows_of(fahrenheit=True), "Timestamp,Temperature (°F),Relative Humidity(%)")
    ),
    "fahrenheit as a word": _read(table(rows_of(fahrenheit=True), "Time,Fahrenheit(°F),RH")),
    "unit said by a person": _read(
        table(_ISO, "Time,Temp,Hum"), options=LoggerOptions(temperature_unit="C")
    ),
    "celsius alone": _read(table(_ISO, "Time,Celsius(°C),Humidity(%rh)")),
    "serial number and event columns": _read(
        table(
            [f"{index},{row},0012,," for index, row in enumerate(_ISO, 1)],
            "#,Date Time,T1 °C,%RH,Serial Number,Event,",
        )
    ),
    "inside is no reason to leave a column out": _read(
        table(_ISO, "Zeit,Temperatur innen (°C),Luftfeuchte innen (%)")
    ),
    "lines above the header": _read(
        table(_ISO, f"Plot Title: bed 3\nLogger: 7; read 2026-05-14 09:00\n\n{HEADER}")
    ),
    "two temperatures": _read(
        table(
            [f"{row},{20 + i}" for i, row in enumerate(_ISO)],
            f"{HEADER},Probe temperature (°C)",
        )
    ),
    "dew point is not the temperature": _read(
        table(
            [row.replace(",", ",-5.0,", 1) for row in _ISO],
            "Time,Dew Point(°C),Temperature(°C),Humidity(%)",
        )
    ),
    "twelve-hour clock": _read(table(rows_of(lambda at: f"{at:%m/%d/%Y %I:%M:%S %p}"))),
    "twelve-hour clock, no leading noughts": _read(
        table(
            rows_of(
                lambda at: (
                    f"{at.month}/{at.day}/{at:%y} {at.hour % 12 or 12}:{at:%M} "
                    f"{'AM' if at.hour < 12 else 'PM'}"
                )
            )
        )
    ),
    "day first with dots": _read(
        table(
            rows_of(lambda at: f"{at:%d.%m.%Y %H:%M}", separator=";", comma=True),
            HEADER.replace(",", ";"),
        )
    ),
    "date and clock in two columns": _read(
        table(_two_columns(), "Date;Time;Temperature (°C);Humidity (%)")
    ),
    "UTC with a Z": _read(table(rows_of(lambda at: f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"))),
    "offsets from UTC": _read(table(rows_of(lambda at: at.isoformat())), zone=NEW_YORK),
    "UTC said by a person": _read(
        table(rows_of(zone=ZoneInfo("UTC"))),
        options=LoggerOptions(csv_time_zone=ZoneInfo("UTC")),
    ),
    "seconds since 1970": _read(
        table(rows_of(lambda at: str(int(at.timestamp()))), HEADER.replace("Time", "Unix"))
    ),
    "milliseconds since 1970": _read(table(rows_of(lambda at: f"{int(at.timestamp())}000"))),
    "24:00 at the end of a day": _read(
        table([row.replace("2026-05-14 00:00:00", "2026-05-13 24:00:00") for row in _ISO])
    ),
    "newest first": _read(table(_ISO[::-1])),
    "two downloads that overlap": _read(table([*_ISO[:7], *_ISO[3:]])),
    "two downloads with a header each": _read(table([*_ISO[:5], HEADER, *_ISO[5:]])),
    "downloads in the wrong order": _read(table([*_ISO[6:], *_ISO[:6]])),
    "missing figures": _read(
        table(_swap(_swap(_ISO, 2, "2026-05-13 22:00:00,--,"), 4, "2026-05-13 23:00:00,-999,86")),
        rows=8,
    ),
    "not a number for a figure": _read(table(_swap(_ISO, 2, "2026-05-13 22:00:00,NaN,78")), rows=9),
    "nothing measured in the first rows": _read(
        table([*(f"2026-05-13 20:{m}:00,--,--" for m in (30, 40, 50)), *_ISO])
    ),
    "a date above the header": _read(table(_ISO, f"Read out,2026-05-14 09:00:00\nBed,3\n{HEADER}")),
    "a summary at the end": _read(table([*_ISO, "Average,4.2,81", "Minimum,-0.8,61"])),
    "comments": _read(table([*_ISO[:4], "# battery changed", *_ISO[4:]])),
    "humidity as a share": _read(
        table([",0.".join(row.rsplit(",", 1)) for row in _ISO], "Time,T °C,RH")
    ),
    "a minute of readings in one minute": _read(
        table(
            [
                f"2026-05-13 21:{minute:02d},{temp},80"
                for minute, temp in ((0, 4), (0, 5), (0, 6), (1, 3), (1, 4), (1, 5))
            ]
        ),
        rows=2,
        lowest_c=4.0,
    ),
    "the doubled hour in autumn": _read(
        table(rows_of(start=_CLOCK_BACK - _HALF_HOUR)), first=_CLOCK_BACK - _HALF_HOUR
    ),
    "the doubled hour, newest first": _read(
        table(rows_of(start=_CLOCK_BACK - _HALF_HOUR)[::-1]), first=_CLOCK_BACK - _HALF_HOUR
    ),
    "the skipped hour in spring": _read(table(rows_of(start=_CLOCK_ON)), first=_CLOCK_ON),
    "the skipped hour in New York": _read(
        table(rows_of(start=datetime(2026, 3, 8, 5, tzinfo=UTC), zone=NEW_YORK)),
        zone=NEW_YORK,
        first=datetime(2026, 3, 8, 5, tzinfo=UTC),
    ),
    "hot under film": _read(
        table(_swap(_ISO, 9, "2026-05-14 01:30:00,71.5,12")), lowest_c=LOWEST_C
    ),
    "windows-1252, said by a person": _read(
        table(_ISO, encoding="cp1252"), options=LoggerOptions(encoding="cp1252")
    ),
    "fog above 100 %": _read(table(_swap(_ISO, 6, "2026-05-14 00:00:00,-0.8,101.5"))),
}

BROKEN: dict[str, Broken] = {
    "empty": (b"", NOTHING, None, "empty"),
    "only blanks": (b" \n \n", NOTHING, None, "empty"),
    "only a header": (f"{HEADER}\n".encode(), NOTHING, None, "nothing under it"),
    "no header": (table(_ISO[1:], _ISO[0]), NOTHING, 1, "should name the columns"),
    "one row": (table(_ISO[:1]), NOTHING, None, "only one reading"),
    "a picture": (b"\x89PNG\r\n\x1a\n" + GOOD, NOTHING, None, "a picture"),
    "a workbook": (b"PK\x03\x04" + GOOD, NOTHING, None, "workbook"),
    "a web page": (b"<!DOCTYPE html><p>Time,Temp</p>", NOTHING, 1, "web page"),
    "NUL bytes": (table(_swap(_ISO, 5, _ISO[5] + "\x00")), NOTHING, 7, "U+0000"),
    "NUL bytes far down": (
        table([*_MANY, _ISO[0] + "\x00"]),
        NOTHING,
        40_002,
        "U+0000",
    ),
    "unclosed quote": (table(_swap(_ISO, 5, '"' + _ISO[5])), NOTHING, 7, "quotation mark"),
    "a word for a figure": (
        table(_swap(_ISO, 5, "2026-05-13 23:30:00,mild,90")),
        NOTHING,
        7,
        "not a number",
    ),
    "a decimal comma between commas": (
        table([row.replace(".", ",", 1) for row in _ISO]),
        NOTHING,
        2,
        "has 4 cells where the header has 3",
    ),
    "a word in the first row": (
        table(["2026-05-13 20:30:00,mild", *(row[:23] for row in _ISO)], "Time,Temperature (°C)"),
        NOTHING,
        2,
        "not a number",
    ),
    "a short row": (table(_swap(_ISO, 5, "2026-05-13 23:30:00,1")), NOTHING, 7, "has 2 cells"),
    "no such day": (
        table(_swap(_ISO, 5, "2026-05-32 23:30:00,1.0,90")),
        NOTHING,
        7,
        "no day 32",
    ),
    "no such time of day": (
        table(_swap(_ISO, 5, "2026-05-13 25:30:00,1.0,90")),
        NOTHING,
        7,
        "no such time of day",
    ),
    "thirteen o'clock PM": (
        table(_swap(_ISO, 5, "2026-05-13 13:30 PM,1.0,90")),
        NOTHING,
        7,
        "no such time of day",
    ),
    "another way of writing dates": (
        table(_swap(_ISO, 5, "13/05/2026 23:30,1.0,90")),
        NOTHING,
        7,
        "another way",
    ),
    "no date in the middle": (table(_swap(_ISO, 5, "stopped,1.0,90")), NOTHING, 7, "no date"),
    "dates without times": (
        table([f"2026-05-{13 + i},{i}.0,90" for i in range(9)]),
        NOTHING,
        None,
        "without a time of day",
    ),
    "ambiguous dates": (
        table([f"05/06/2026 {hour:02d}:00,{hour}.5,80" for hour in range(9)]),
        NOTHING,
        None,
        "day or the month",
    ),
    "other figures for one moment": (
        table([*_ISO[:6], _ISO[5].replace("0.9", "5.9"), *_ISO[6:]]),
        NOTHING,
        8,
        "same time as line 7",
    ),
    "the hour that does not exist": (
        table([f"2026-03-29 {h:02d}:{m:02d}:00,{h}.0,80" for h in range(4) for m in (0, 30)]),
        NOTHING,
        4,
        "did not exist",
    ),
    "no unit": (table(_ISO, "Time,Temp,RH"), NOTHING, None, "say whether °C or °F"),
    "no temperature": (
        table(_ISO, "Time,Dew point (°C),Humidity (%)"),
        NOTHING,
        None,
        "No column with the temperature",
    ),
    "elapsed time only": (
        table([f"{60 * i},{i}.5,80" for i in range(9)], "Elapsed (s),Temp (°C),RH (%)"),
        NOTHING,
        None,
        "No row with a date",
    ),
    "Fahrenheit said to be Celsius": (
        table([f"2026-05-13 {h:02d}:00:00,{60 + 4 * h}.0,50" for h in range(9)]),
        NOTHING,
        9,
        "looks like Fahrenheit",
    ),
    "colder than any place": (
        table(_swap(_ISO, 5, "2026-05-13 23:30:00,-273.1,90")),
        NOTHING,
        7,
        "outside −60 to +85",
    ),
    "infinite": (table(_swap(_ISO, 5, "2026-05-13 23:30:00,inf,90")), NOTHING, 7, "not a number"),
    "humidity of 140 %": (
        table(_swap(_ISO, 5, "2026-05-13 23:30:00,1.0,140")),
        NOTHING,
        7,
        "humidity of 140",
    ),
    "nothing measured": (
        table([row.split(",")[0] + ",--,--" for row in _ISO]),
        NOTHING,
        None,
        "holds no figures",
    ),
    "a column that is not there": (
        GOOD,
        LoggerOptions(columns={"temperature": "Probe 2"}),
        None,
        "there is no column",
    ),
    "the humidity chosen as temperature": (
        GOOD,
        LoggerOptions(columns={"temperature": "Humidity (%)"}),
        None,
        "not a temperature by its name",
    ),
    "an unknown role": (
        GOOD,
        LoggerOptions(columns={"salinity": "Time"}),
        None,
        "can be read as",
    ),
    "a line of a million characters": (
        table([*_ISO[:5], "2026-05-13 22:30:00," + "9" * 1_200_000, *_ISO[5:]]),
        NOTHING,
        7,
        "otherwise broken",
    ),
    "a year nobody will see": (
        table([row.replace("2026", "9026") for row in _ISO]),
        NOTHING,
        2,
        "year 9026",
    ),
}
