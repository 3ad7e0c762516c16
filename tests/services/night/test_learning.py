"""What lows read in the garden teach of its forecasts and its plots, and who enters them."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.errors import NotAllowed, NotFound, OutOfRange
from gardenapp.extensions import db
from gardenapp.models.nights import ObservedLow
from gardenapp.models.people import LogEntry, Member
from gardenapp.science.night.site_learning import BIAS_PRIOR_K
from gardenapp.services.night import forecasts, learning
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.night.planning import EVENING

DAY = timedelta(days=1)


def read(member: Member, low_c: float, **changes: Any) -> None:
    values: dict[str, Any] = {"night_of": EVENING, "plot_id": None, "now": NOW + DAY}
    learning.record_low(**values | changes, low_c=low_c, member=member)


def lows() -> list[tuple[date, int | None, float]]:
    rows = db.session.scalars(select(ObservedLow).order_by(ObservedLow.id))
    return [(row.night_of, row.plot_id, row.low_c) for row in rows]


def nights(member: Member, *, error_k: float, count: int = 6, plot_id: int | None = None) -> None:
    """Nights on which the low was `error_k` above what had been forecast."""
    for number in range(count):
        evening, at = EVENING - DAY * number, NOW - DAY * number
        forecasts.enter_by_hand(night_of=evening, low_c=2.0, member_id=None, now=at)
        read(member, 2.0 + error_k, night_of=evening, plot_id=plot_id)


# --- who enters them --------------------------------------------------------------------------


def test_holders_enter_their_plots_low_and_coordinators_any(make: Factory) -> None:
    wes = make.member("Wes")
    own, other = make.plot("A1", holders=(wes,)), make.plot("B2")

    read(wes, -1.0, plot_id=own.id)
    for plot_id in (other.id, None):
        with pytest.raises(NotAllowed, match="plot’s holders"):
            read(wes, -1.0, plot_id=plot_id)
        with speaking("es"), pytest.raises(NotAllowed, match="quienes llevan la parcela"):
            read(wes, -1.0, plot_id=plot_id)
        read(make.coordinator(), -2.0, plot_id=plot_id)

    assert lows() == [(EVENING, own.id, -1.0), (EVENING, other.id, -2.0), (EVENING, None, -2.0)]


def test_a_second_reading_of_a_night_replaces_the_first_and_both_are_in_the_log(
    make: Factory,
) -> None:
    odile = make.coordinator()

    for low_c in (-1.0, -1.5):
        read(odile, low_c)

    assert lows() == [(EVENING, None, -1.5)]
    said = db.session.scalars(select(LogEntry.detail).where(LogEntry.action == "low read")).all()
    assert sorted(said) == [
        "-1.0 °C, night of 2026-11-24",
        "-1.5 °C, night of 2026-11-24",
    ]


@pytest.mark.parametrize(
    ("changes", "low_c", "error", "english", "spanish"),
    [
        ({}, -60.1, OutOfRange, "between −60 and 45 °C", "entre −60 y 45 °C"),
        ({}, 45.1, OutOfRange, "between −60 and 45 °C", "entre −60 y 45 °C"),
        ({"night_of": EVENING + 2 * DAY}, 0.0, OutOfRange, "hasn’t come yet", "aún no ha llegado"),
        ({"plot_id": 99}, 0.0, NotFound, "find that plot", "No encontramos esa parcela"),
    ],
    ids=["too cold", "too warm", "a night to come", "no plot"],
)
def test_a_low_that_cannot_be_is_refused_in_words(
    make: Factory,
    changes: dict[str, Any],
    low_c: float,
    error: type[Exception],
    english: str,
    spanish: str,
) -> None:
    odile = make.coordinator()

    with pytest.raises(error, match=english):
        read(odile, low_c, **changes)
    with speaking("es"), pytest.raises(error, match=spanish):
        read(odile, low_c, **changes)

    assert lows() == []


# --- what they teach --------------------------------------------------------------------------


def test_without_a_night_of_its_own_the_garden_believes_what_is_published(make: Factory) -> None:
    plot = make.plot(offset_k=-1.0, offset_sd_k=0.5, offset_reason="a hollow")

    belief = learning.site_belief(before=EVENING)

    assert belief.nights == belief.record.count == 0
    assert belief.record.bias == BIAS_PRIOR_K
    # All of the spread that first-night forecasts are published to have.
    assert belief.record.low(0.0).sd == pytest.approx(learning.FIRST_NIGHT_SD_K)
    assert belief.offsets[plot.id].estimate.mean == pytest.approx(-1.0)
    assert belief.offsets[plot.id].nights == 0


def test_a_screen_that_is_always_colder_teaches_the_forecasts_error(make: Factory) -> None:
    nights(make.coordinator(), error_k=-1.5)

    belief = learning.site_belief(before=EVENING + DAY)

    assert belief.nights == belief.record.count == 6
    assert -1.5 < belief.record.bias.mean < -0.3
    assert belief.record.bias.sd < BIAS_PRIOR_K.sd


def test_a_plot_that_is_colder_than_the_screen_is_a_hollow_and_no_bad_forecast(
    make: Factory,
) -> None:
    odile, plot = make.coordinator(), make.plot(offset_k=0.0, offset_sd_k=1.0)
    nights(odile, error_k=0.0)
    nights(odile, error_k=-2.0, plot_id=plot.id)

    belief = learning.site_belief(before=EVENING + DAY)

    assert -2.0 < belief.offsets[plot.id].estimate.mean < -1.2
    assert abs(belief.record.bias.mean) < 0.4
    assert belief.offsets[plot.id].nights == 6


def test_only_nights_before_the_one_in_question_and_of_two_years_teach(make: Factory) -> None:
    nights(make.coordinator(), error_k=-1.0, count=3)

    assert learning.site_belief(before=EVENING).nights == 2
    assert learning.site_belief(before=EVENING - 2 * DAY).nights == 0
    oldest = EVENING - 2 * DAY
    last = oldest + DAY * learning.LEARN_FROM_DAYS
    assert learning.site_belief(before=last).nights == 3
    assert learning.site_belief(before=last + DAY).nights == 2


def test_the_forecast_of_the_evening_counts_and_not_what_came_after_midnight(
    make: Factory,
) -> None:
    odile = make.coordinator()
    for hours, low_c in ((0, 5.0), (3, 2.0), (10, -4.0)):
        forecasts.enter_by_hand(
            night_of=EVENING, low_c=low_c, member_id=None, now=NOW + timedelta(hours=hours)
        )
    read(odile, 1.0)

    ((reading,), _shares) = learning._readings(EVENING + DAY)

    assert reading.residual_k == pytest.approx(-1.0)


def test_a_low_of_a_night_without_a_forecast_teaches_nothing(make: Factory) -> None:
    read(make.coordinator(), -3.0)

    assert learning.site_belief(before=EVENING + DAY).nights == 0


# --- where it was read ------------------------------------------------------------------------


def clear_night(**changes: Any) -> None:
    """A clear calm night with a low of 2 °C forecast."""
    values: dict[str, Any] = {"cloud_fraction": 0.0, "wind_mps": 0.0, "low_c": 2.0} | changes
    forecasts.enter_by_hand(night_of=EVENING, member_id=None, now=NOW, **values)


@pytest.mark.parametrize(
    ("place", "fall_k"),
    [("screen", 0.0), ("plant_shaded", -0.67), ("plant_bare", -2.17), ("ground_bare", -2.81),
     ("", 0.0), ("elsewhere", 0.0)],
)  # fmt: skip
def test_what_the_ground_takes_is_not_taken_for_the_plot(
    make: Factory, place: str, fall_k: float
) -> None:
    """A thermometer on level grass, 2.8 K under the screen, says nothing of the plot."""
    plot = make.plot("A1")
    clear_night()
    read(make.coordinator(), 2.0 + fall_k, plot_id=plot.id, place=place)

    ((reading,), shares) = learning._readings(EVENING + DAY)

    assert reading.residual_k == pytest.approx(0.0, abs=0.01)
    assert shares[EVENING] == pytest.approx(1.0, abs=0.01)
    assert (reading.layer > 0.0) == (place in {"plant_shaded", "plant_bare", "ground_bare"})


def test_a_place_that_nobody_named_weighs_less(make: Factory) -> None:
    plot = make.plot("A1", offset_k=0.0, offset_sd_k=1.0)
    clear_night()
    found = {}
    for place in ("screen", "elsewhere", ""):
        read(make.coordinator(), -2.0, plot_id=plot.id, place=place)
        found[place] = learning.site_belief(before=EVENING + DAY).offsets[plot.id].estimate.mean

    assert found["screen"] < found["elsewhere"] < found[""] < 0.0


def test_a_low_far_from_the_forecast_is_kept_and_teaches_nothing(make: Factory) -> None:
    plot = make.plot("A1")
    clear_night()
    odile = make.coordinator()

    read(odile, -13.0, plot_id=plot.id, place="screen")

    def doubted(low_c: float) -> bool:
        return learning.is_doubted(night_of=EVENING, plot_id=plot.id, low_c=low_c, place="screen")

    assert doubted(-13.0)
    assert not doubted(-7.0)
    assert [low for _night, _plot, low in lows()] == [-13.0]
    assert learning.site_belief(before=EVENING + DAY).nights == 0


def test_a_place_that_is_none_is_refused(make: Factory) -> None:
    with pytest.raises(OutOfRange, match="one of the list") as refused:
        read(make.coordinator(), 0.0, place="12 m")

    assert refused.value.about == "place"


def test_the_last_known_place_of_a_plot_is_offered_again(make: Factory) -> None:
    plot, odile = make.plot("A1"), make.coordinator()
    assert learning.last_place(plot.id) == ""

    read(odile, 0.0, plot_id=plot.id, place="ground_bare")
    read(odile, 0.0, plot_id=plot.id, night_of=EVENING - DAY, place="screen")

    assert learning.last_place(plot.id) == "ground_bare"
