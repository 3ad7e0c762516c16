"""The garden's own thermometer corrects tonight's low, and only what changes by it is done anew."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.nights import Plan
from gardenapp.models.plots import Plot
from gardenapp.models.trials import Logger
from gardenapp.readers.readings_json import SentReading
from gardenapp.science.night import live as science
from gardenapp.services.night import forecasts, learning, live
from gardenapp.services.night.live import LiveNight, live_night
from gardenapp.services.notices import planned
from gardenapp.services.trials import readings
from gardenapp.services.trials.readings import LoggerEntry
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan

DUSK = datetime(2026, 11, 24, 15, 50, tzinfo=UTC)  # the sun sets at 15:58
LATE = DUSK + timedelta(hours=5, minutes=10)
MINUTE = timedelta(minutes=1)


def hang(make: Factory, label: str = "post", **changes: Any) -> int:
    """A logger in the open, in a screen unless said otherwise."""
    plot = make.plot(f"plot of {label}")
    values: dict[str, Any] = {
        "label": label, "plot_id": plot.id, "cover_id": None, "kind": "outside",
        "alert_below_c": None, "alert_above_c": None, "margin_k": None, "place": "screen",
    }  # fmt: skip
    entry = LoggerEntry(**values | changes)
    logger_id, _token = readings.create_logger(
        entry=entry, member=make.coordinator(f"of {label}"), now=make.now
    )
    return logger_id


def send(logger_id: int, *temps: tuple[datetime, float]) -> None:
    sent = [
        SentReading(key=f"{at:%m%d%H%M}", at=at, temp_c=c, humidity_percent=None) for at, c in temps
    ]
    readings.take_readings(
        logger_id=logger_id, readings=sent, now=max(at for at, _c in temps) + MINUTE
    )


def evening(logger_id: int, late_c: float, *, dusk_c: float = 5.0) -> None:
    """Dusk, and three readings about nine."""
    send(
        logger_id,
        (DUSK, dusk_c),
        *((DUSK + timedelta(hours=h), dusk_c + (late_c - dusk_c) * h / 5.0) for h in (1, 2, 3, 4)),
        *((LATE - 10 * MINUTE * n, late_c) for n in (2, 1, 0)),
    )


def seen(at: datetime = LATE + MINUTE) -> LiveNight:
    found = live_night(at)
    assert found is not None
    return found


def test_a_colder_evening_than_forecast_makes_tonights_low_colder(make: Factory) -> None:
    logger = hang(make)
    enter(make.now, 1.0, cloud_fraction=0.2, wind_mps=1.0)
    evening(logger, -1.5)

    found = seen()

    assert (found.logger, found.forecast_c, found.read_c) == ("post", 1.0, -1.5)
    assert found.low is not None
    assert found.low.mean < -1.5
    assert found.low.sd < learning.FIRST_NIGHT_SD_K
    assert found.departure_k < -1.0


@pytest.mark.parametrize(
    "changes",
    [{"place": ""}, {"place": "plant_bare"}, {"place": "ground_bare"}, {"kind": "inside"}],
    ids=["nobody said where", "bare", "on the grass", "under a cover"],
)
def test_only_a_thermometer_in_the_open_in_a_stated_place_moves_it(
    make: Factory, changes: dict[str, Any]
) -> None:
    logger = hang(make, **changes)
    enter(make.now, 1.0)
    evening(logger, -1.5)

    assert live_night(LATE + MINUTE) is None


def test_one_at_plant_height_is_taken_for_what_it_is(make: Factory) -> None:
    """It reads colder than a screen would on a clear night, and the low is the screen's."""
    enter(make.now, 1.0, cloud_fraction=0.0, wind_mps=0.5)
    evening(hang(make, "screen"), 0.0)
    screen = seen().low
    db.session.get_one(Logger, 1).place = "plant_shaded"
    db.session.commit()

    low = seen().low

    assert screen is not None
    assert low is not None
    assert low.mean > screen.mean


def test_one_in_a_frost_pocket_is_taken_for_what_it_is(make: Factory) -> None:
    """It reads 2.5 K below the screen on a clear night; the forecast is of the screen."""
    logger = hang(make)
    enter(make.now, 1.0, cloud_fraction=0.0, wind_mps=0.5)
    evening(logger, -2.5)
    level = seen().low
    plot = db.session.get_one(Plot, db.session.get_one(Logger, logger).plot_id)
    plot.offset_k = -2.5
    db.session.commit()

    pocket = seen().low

    assert level is not None
    assert pocket is not None
    assert pocket.mean > level.mean + 0.5
    assert pocket.sd > level.sd - 1e-9


def test_what_is_believed_of_plots_is_worked_out_anew_where_two_change_places(
    make: Factory,
) -> None:
    """Their sum is the same, and what each is believed to be is not."""
    one, other = make.plot("A1", offset_k=-2.0), make.plot("A2", offset_k=1.0)
    before = live._belief(EVENING)
    assert live._belief(EVENING) is before

    one.offset_k, other.offset_k = other.offset_k, one.offset_k
    db.session.commit()

    assert live._belief(EVENING).offsets[one.id].estimate.mean == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("at", "why"),
    [(DUSK, "before dusk"), (DUSK + timedelta(hours=1), "too early"),
     (DUSK + timedelta(hours=18), "by day"), (LATE + timedelta(hours=2), "silent")],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_when_it_says_nothing_of_the_low_nothing_is_shown(
    make: Factory, at: datetime, why: str
) -> None:
    logger = hang(make)
    enter(make.now, 1.0)
    evening(logger, -1.5)

    assert live_night(at) is None, why


def test_a_sensor_that_is_stuck_moves_nothing_and_is_told(make: Factory) -> None:
    logger = hang(make)
    enter(make.now, 1.0)
    send(logger, *((DUSK + 20 * MINUTE * n, 5.0) for n in range(16)))

    found = seen(DUSK + timedelta(hours=5))

    assert found.low is None
    assert "same figure" in str(found.doubt)
    assert not live.follow(DUSK + timedelta(hours=5))


def test_two_that_disagree_move_nothing(make: Factory) -> None:
    one, other = hang(make, "post"), hang(make, "shed")
    enter(make.now, 1.0)
    evening(one, -2.0)
    evening(other, 13.0, dusk_c=14.0)

    assert "disagree" in str(seen().doubt)


def small_garden(make: Factory) -> None:
    """Beans that a low of 4 °C leaves alone and one below zero does not."""
    make.planting(make.plot("A1"), make.stage(threshold_c=-1.0), name="beans")
    make.cover(make.cover_kind(clear_mean_k=5.0, cloudy_mean_k=5.0), label="T1")


def versions() -> list[str]:
    return list(
        db.session.scalars(
            select(ForecastImport.came_by)
            .join(Forecast, Forecast.import_id == ForecastImport.id)
            .where(Forecast.night_of == EVENING)
            .order_by(Forecast.id)
        )
    )


def test_the_night_is_planned_anew_only_where_a_plant_comes_into_danger(make: Factory) -> None:
    small_garden(make)
    logger = hang(make)
    enter(make.now, 7.0, cloud_fraction=0.5, wind_mps=1.0)
    assert plan(make.now).jobs == ()
    send(logger, (DUSK, 9.0), (DUSK + timedelta(hours=1, minutes=30), 8.5))
    assert planned.keep_planned(now=DUSK + timedelta(hours=1, minutes=31)) is None
    assert versions() == ["hand"]

    evening_c = [(LATE - 10 * MINUTE * n, -2.0) for n in (2, 1, 0)]
    send(logger, (DUSK + timedelta(hours=3), 3.0), (DUSK + timedelta(hours=4), 0.0), *evening_c)

    assert planned.keep_planned(now=LATE + MINUTE) is not None
    assert versions() == ["hand", "live"]
    corrected = forecasts.find_forecast(EVENING)
    assert corrected is not None
    assert corrected.low_c <= -2.0
    assert corrected.low_sd_k is not None
    plan_row = db.session.scalars(select(Plan).where(Plan.is_current)).one()
    assert plan_row.forecast_id == corrected.id
    assert planned.keep_planned(now=LATE + 2 * MINUTE) is None  # and not every minute again


def test_what_the_readings_had_a_hand_in_teaches_nothing_of_forecasts(make: Factory) -> None:
    test_the_night_is_planned_anew_only_where_a_plant_comes_into_danger(make)
    learning.record_low(
        night_of=EVENING, plot_id=None, low_c=-3.0, member=make.coordinator("Ruth"),
        now=LATE + timedelta(hours=12),
    )  # fmt: skip

    ((reading,), _shares) = learning._readings(EVENING + timedelta(days=1))

    assert reading.residual_k == pytest.approx(-10.0)


def test_a_newer_forecast_is_in_force_again_and_the_readings_correct_that(make: Factory) -> None:
    test_the_night_is_planned_anew_only_where_a_plant_comes_into_danger(make)
    enter(LATE + 3 * MINUTE, -1.0)

    assert forecasts.find_forecast(EVENING, is_corrected=False) is not None
    assert seen(LATE + 4 * MINUTE).forecast_c == -1.0


def own_nights(logger_id: int, count: int) -> None:
    """Nights on which the low comes 4 K below what is read two hours after sunset, always."""
    for number in range(count):
        dusk_at = DUSK - timedelta(days=number + 1)
        warm_c = 6.0 + number % 7
        hourly = [warm_c, warm_c - 1.0 - number % 3, warm_c - 2.0 - number % 3]
        low_c = hourly[2] - 4.0
        hourly += [low_c] * 14
        send(logger_id, *((dusk_at + timedelta(hours=h), c) for h, c in enumerate(hourly)))


@pytest.mark.parametrize(("count", "is_own"), [(29, False), (34, True)])
def test_from_thirty_nights_of_its_own_on_a_thermometer_is_taken_at_its_own_word(
    make: Factory, count: int, is_own: bool
) -> None:
    logger = hang(make)
    own_nights(logger, count)

    lines = live._lines(db.session.get_one(Logger, logger), EVENING)

    assert (lines != science.COLD_HALF) is is_own
    if is_own:
        so_far = science.SoFar(8.0, 5.0, 5.0, 2.0, 15.7)
        assert lines[0].low(so_far).mean == pytest.approx(1.0, abs=0.5)
        assert lines[0].spread_k < 1.0  # the prior says 2.0


def test_in_the_south_the_cold_half_is_the_other_one(make: Factory) -> None:
    logger = db.session.get_one(Logger, hang(make))
    assert live._lines(logger, EVENING) == science.COLD_HALF

    make.garden(latitude=-37.0)
    later = EVENING + timedelta(days=1)  # what was kept is of this night

    assert live._lines(logger, later) == science.ALL_YEAR
