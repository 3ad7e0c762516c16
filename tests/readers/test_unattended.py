"""With nobody to ask, the colder of a file's readings is planned by, and the questions are kept."""

from __future__ import annotations

from functools import partial

import pytest

from gardenapp.readers import unattended
from gardenapp.readers.records import ForecastReading, ReadOptions, UnreadableFile, refuse
from gardenapp.readers.registry import Home, read_forecast
from tests.corpus.forecasts import all_cases, open_model
from tests.corpus.truth import BERLIN, LOW_C, TONIGHT, Case, hours, iso, now_in, table

DAYS = "Date,High,Low\n11/25/2026,7.2,1.1\n11/26/2026,5.1,-3.4\n11/27/2026,6.4,-0.6\n"


def colder(text: str, *, home: Home | None = None) -> ForecastReading:
    def read(options: ReadOptions) -> ForecastReading:
        return read_forecast(
            text.encode(),
            filename="f.csv",
            time_zone=BERLIN,
            now=now_in(BERLIN),
            options=options,
            home=home,
        )

    return unattended.read_colder(read, ReadOptions(), time_zone=BERLIN)


def low_tonight(reading: ForecastReading) -> float:
    (night,) = [night for night in reading.nights if night.night_of == TONIGHT]
    return night.low_c


def test_a_dates_low_is_taken_for_whichever_night_is_the_colder() -> None:
    reading = colder(DAYS.replace("High,Low", "High (°C),Low (°C)"))

    assert low_tonight(reading) == LOW_C
    assert len(reading.doubts) == 1
    assert "When does a date's low fall" in str(reading.doubts[0])


def test_without_a_unit_both_are_tried_and_no_night_is_lost() -> None:
    rows = [(iso(at), c) for at, c in hours()]
    reading = colder(table(["Time", "Temperature"], rows))

    # Read as °F every hour is colder still: −3.4 °F is −19.7 °C.
    assert low_tonight(reading) == pytest.approx((LOW_C - 32) * 5 / 9, abs=0.01)
    assert reading.doubts


def test_a_lone_cold_hour_is_left_out_before_the_colder_is_taken() -> None:
    rows = [(iso(at), -40.0 if n == 30 else c) for n, (at, c) in enumerate(hours())]
    reading = colder(table(["Time", "Temperature (°C)"], rows))

    assert low_tonight(reading) == LOW_C
    assert any("far colder than the hours beside it" in str(doubt) for doubt in reading.doubts)


def test_a_forecast_for_another_place_is_planned_by_and_told() -> None:
    there = Home(latitude=48.1, longitude=11.6, height_m=520.0)

    reading = colder(open_model(place=(52.5, 13.4, 40.0)).decode(), home=there)

    assert low_tonight(reading) == LOW_C
    assert any("km from the garden" in str(doubt) for doubt in reading.doubts)


def test_what_no_answer_makes_readable_is_refused() -> None:
    with pytest.raises(UnreadableFile):
        colder("tomorrow will be cold\n")


def test_a_question_that_no_answer_ends_is_refused_and_never_asked_for_ever() -> None:
    asked: list[ReadOptions] = []

    def read(options: ReadOptions) -> ForecastReading:
        asked.append(options)
        raise refuse("which unit?", ask="unit")

    with pytest.raises(UnreadableFile, match="which unit"):
        unattended.read_colder(read, ReadOptions(), time_zone=BERLIN)
    assert len(asked) <= unattended.MOST_READINGS + 1


def read_case(case: Case, options: ReadOptions) -> ForecastReading:
    return read_forecast(
        case.data,
        filename=case.name,
        time_zone=case.zone,
        now=now_in(case.zone),
        options=options,
        home=Home(*case.place) if case.place else None,
    )


# Files without any outside temperature: no answer makes a forecast of them.
NO_FORECAST = {
    f"column-{name}-alone"
    for name in ("heating-target", "850hpa", "setpoint", "polytunnel", "offset", "cpu")
}
ASKED = [
    case
    for case in all_cases()
    if case.expects == "ask" and not case.options and case.name not in NO_FORECAST
]


@pytest.mark.parametrize("case", ASKED, ids=lambda case: case.name)
def test_a_file_that_asks_still_gives_a_plan_no_milder_than_the_truth(case: Case) -> None:
    reading = unattended.read_colder(partial(read_case, case), ReadOptions(), time_zone=case.zone)

    assert reading.doubts
    tonight = [night for night in reading.nights if night.night_of == TONIGHT]
    assert not tonight or tonight[0].low_c <= case.low_c + 0.06


def test_the_files_that_ask_are_many() -> None:
    assert len(ASKED) >= 30
