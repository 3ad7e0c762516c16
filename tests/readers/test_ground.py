"""Tables of minima at two heights: read whole or told what is wrong, line by line."""

from __future__ import annotations

import io
import math
import time

import numpy as np
import pandas
import pytest

from gardenapp.readers import columns_fast
from gardenapp.readers.ground import MOST_NIGHTS, read_ground
from gardenapp.readers.records import UnreadableFile
from tests.readers.samples_at import SAMPLES

HEAD = "station,night,wind_mean_mps,cloud_eighths,screen_min_c,ground_min_c,vapour_pressure_hpa"
GOOD = f"{HEAD}\n198,2006-01-02,0.9,6.3,-3.1,-6.2,5.8\n198,2006-03-01,,8,0.0,-1.2,\n"


def test_the_columns_are_read_by_their_names() -> None:
    found = read_ground(GOOD.encode())

    assert found.month.tolist() == [1, 3]
    assert found.day_of_year.tolist() == [2.0, 60.0]
    assert found.screen_c.tolist() == [-3.1, 0.0]
    assert found.ground_c.tolist() == [-6.2, -1.2]
    assert found.cloud_fraction.tolist() == [pytest.approx(6.3 / 8), 1.0]
    assert np.array_equal(found.wind_mps, [0.9, math.nan], equal_nan=True)
    assert np.array_equal(found.vapour_pressure_hpa, [5.8, math.nan], equal_nan=True)


@pytest.mark.parametrize(
    "data",
    [
        GOOD.replace(",", ";").replace("6.3", "6,3").replace("-3.1", "-3,1"),
        GOOD.replace("\n", "\r\n"),
        "\ufeff" + GOOD,
        GOOD.replace("198,2006-01-02", '"198", 2006-01-02'),
        GOOD + "\n\n",
        GOOD.replace("screen_min_c", " Screen_Min_C "),
    ],
    ids=["semicolons", "returns", "mark", "quotes", "blank lines", "other letters"],
)
def test_however_a_spreadsheet_writes_it_it_is_the_same(data: str) -> None:
    first, same = read_ground(GOOD.encode()), read_ground(data.encode())

    for name in ("month", "day_of_year", "screen_c", "ground_c", "cloud_fraction", "wind_mps"):
        assert np.array_equal(getattr(first, name), getattr(same, name), equal_nan=True), name


def test_both_ways_through_a_table_give_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    data = (SAMPLES / "ground_minima_10_stations.csv").read_bytes()
    quick = read_ground(data)
    monkeypatch.setattr(columns_fast, "cut", lambda *args, **kwargs: None)

    careful = read_ground(data)

    assert len(quick) == 17_051
    for name in ("month", "day_of_year", "screen_c", "ground_c", "cloud_fraction", "wind_mps",
                 "vapour_pressure_hpa"):  # fmt: skip
        assert np.array_equal(getattr(quick, name), getattr(careful, name), equal_nan=True), name


def test_a_night_without_a_date_or_a_minimum_is_left_out() -> None:
    data = GOOD + "198,,1,2,3,4,5\n198,2006-02-01,1,2,,4,5\n198,2006-02-02,1,2,3,,5\n"

    assert len(read_ground(data.encode())) == 2


@pytest.mark.parametrize(
    ("data", "line", "words"),
    [
        ("", None, "empty"),
        ("night,screen_min_c\n2006-01-02,1\n", 1, "ground_min_c"),
        (HEAD + "\n", None, "no night"),
        (HEAD + "\n198,,1,2,3,4,5\n", None, "No row has a date"),
        (GOOD + "198,2006-13-01,1,2,3,4,5\n", 4, "2006-13-01"),
        (GOOD + "198,2006-02-30,1,2,3,4,5\n", 4, "2006-02-30"),
        (GOOD + "198,01.02.2006,1,2,3,4,5\n", 4, "01.02.2006"),
        (GOOD + "198,2006-02-01,1,9,3,4,5\n", 4, "0 to 8"),
        (GOOD + "198,2006-02-01,-1,2,3,4,5\n", 4, "0 to 80"),
        (GOOD + "198,2006-02-01,1,2,850,4,5\n", 4, "850"),
        (GOOD + "198,2006-02-01,1,2,x,4,5\n", 4, "x"),
        (GOOD + "198,2006-02-01,1,2,inf,4,5\n", 4, "inf"),
        (GOOD + "198,2006-02-01,1,2,3,4\n", 4, "6 cells, not 7"),
        (GOOD + '198,"2006-02-01,1,2,3,4\n', None, "cut into cells"),
    ],
)
def test_what_is_wrong_is_told_by_its_line(data: str, line: int | None, words: str) -> None:
    with pytest.raises(UnreadableFile) as refused:
        read_ground(data.encode())

    assert refused.value.errors[0].line == line
    assert words in str(refused.value.errors[0])


def test_every_wrong_line_is_told() -> None:
    data = GOOD + "198,2006-02-01,1,9,3,4,5\n198,2006-02-99,1,2,3,4,5\n"

    with pytest.raises(UnreadableFile) as refused:
        read_ground(data.encode())

    assert sorted(error.line or 0 for error in refused.value.errors) == [4, 5]


def test_more_nights_than_anyone_has_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gardenapp.readers.ground.MOST_NIGHTS", 1)

    with pytest.raises(UnreadableFile, match="More than 1 nights"):
        read_ground(GOOD.encode())
    assert MOST_NIGHTS >= 100_000


def test_a_hundred_thousand_rows_take_at_most_five_times_what_pandas_needs_to_read_them() -> None:
    head, body = (SAMPLES / "ground_minima_10_stations.csv").read_bytes().split(b"\n", 1)
    lines = (body * 6).split(b"\n")[:100_000]
    data = b"\n".join([head, *lines]) + b"\n"

    def seconds(read: object) -> float:
        began = time.process_time()
        read()  # type: ignore[operator]
        return time.process_time() - began

    theirs, ours = [], []
    for _ in range(5):
        theirs.append(seconds(lambda: pandas.read_csv(io.BytesIO(data), parse_dates=["night"])))
        ours.append(seconds(lambda: read_ground(data)))

    print(f"ours {min(ours):.3f} s, pandas {min(theirs):.3f} s")
    assert min(ours) <= 5 * min(theirs)
