"""Past nights are kept, add up over files, and become the season's outlook."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from sqlalchemy import func, select

from gardenapp.errors import NotAllowed
from gardenapp.extensions import db
from gardenapp.models.builds import ClimateNight
from gardenapp.readers.records import UnreadableFile
from gardenapp.services.season import outlook
from tests.conftest import NOW
from tests.factories import Factory
from tests.science.season.test_outlook import seattle


def record(first: date, lows: list[float]) -> bytes:
    rows = [f"{first + timedelta(days=n)},{low:.1f}" for n, low in enumerate(lows)]
    return "\n".join(["DATE,TMIN", *rows]).encode()


def bring_in(make: Factory, data: bytes, filename: str = "station.csv") -> outlook.Imported:
    return outlook.import_climate(
        data=data,
        filename=filename,
        unit="C",
        station=None,
        lows_belong_to="evening",
        member=make.coordinator(f"Odile {filename}"),
        now=NOW,
    )


def test_two_files_add_up_and_the_newer_figure_of_a_night_holds(make: Factory) -> None:
    make.garden()
    bring_in(make, record(date(2020, 1, 1), [1.0, 2.0, 3.0]), "a.csv")
    bring_in(make, record(date(2020, 1, 3), [-4.0, 5.0]), "b.csv")

    lows = dict(db.session.execute(select(ClimateNight.night_of, ClimateNight.low_c)).all())

    assert lows == {
        date(2020, 1, 1): 1.0,
        date(2020, 1, 2): 2.0,
        date(2020, 1, 3): -4.0,
        date(2020, 1, 4): 5.0,
    }


def test_a_member_brings_nothing_in_and_a_broken_file_changes_nothing(make: Factory) -> None:
    make.garden()
    with pytest.raises(NotAllowed):
        outlook.import_climate(
            data=record(date(2020, 1, 1), [1.0, 2.0]),
            filename="a.csv",
            unit="C",
            station=None,
            lows_belong_to="morning",
            member=make.member(),
            now=NOW,
        )
    with pytest.raises(UnreadableFile):
        bring_in(make, b"DATE,TMIN\n2020-01-01,cold\n")

    assert db.session.scalar(select(func.count()).select_from(ClimateNight)) == 0


@pytest.mark.outside(
    "NOAA daily lows of Seattle 2012-2015 in vega_datasets, counted night by night"
)
def test_the_outlook_counts_the_frosts_that_the_record_holds(make: Factory) -> None:
    make.garden(latitude=47.6, longitude=-122.3, time_zone="America/Los_Angeles")
    lows = seattle()
    lines = [f"{day.isoformat()},{low}" for day, low in lows]
    bring_in(make, "\n".join(["DATE,TMIN", *lines]).encode(), "seattle.csv")
    rows = db.session.execute(select(ClimateNight.night_of, ClimateNight.low_c)).all()

    page = outlook.get_season(threshold_c=-2.0, now=NOW)

    assert page.outlook is not None
    nights = page.outlook.nights[0]
    for year, count in nights.by_season:
        first, last = date(year, 7, 1), date(year + 1, 6, 30)
        assert count == sum(1 for day, low in rows if first <= day <= last and low < 0.0)
    assert len(rows) == len(lows) == 1461
    assert [year for year, _ in nights.by_season] == [2012, 2013, 2014]
    assert page.outlook.is_thin


def test_plants_that_bear_less_have_more_nights_too_cold(make: Factory) -> None:
    make.garden()
    plot = make.plot("A1")
    make.planting(plot, make.stage("tender", threshold_c=2.0))
    make.planting(plot, make.stage("hardy", threshold_c=-6.0))
    kind = make.cover_kind("Crate", clear_mean_k=4.0)
    make.cover(kind)
    lows = [(-5.0 if n % 10 == 0 else 1.0) for n in range(365)]
    bring_in(make, record(date(2019, 7, 1), lows))

    page = outlook.get_season(threshold_c=-2.0, now=NOW)

    assert [line.name for line in page.plants] == ["tender", "hardy"]
    assert page.plants[0].mean > page.plants[1].mean
    assert page.worst is not None
    assert page.worst.low_c == -5.0
    assert page.worst.covers == 1
    assert page.worst.needed >= page.worst.covers
    assert page.worst.covered_then >= page.worst.covered_now


def test_without_past_nights_there_is_no_outlook(make: Factory) -> None:
    make.garden()

    assert outlook.get_season(threshold_c=0.0, now=NOW).outlook is None
