"""A plot's last nights: the newest first, only those that are over."""

from __future__ import annotations

from datetime import timedelta

from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.night.plot_nights import plot_nights
from tests.factories import Factory
from tests.services.night.planning import EVENING

DAY = timedelta(days=1)


def test_the_newest_comes_first_and_a_night_to_come_is_not_told(make: Factory) -> None:
    plot = make.plot("A1")
    make.planting(plot)
    for back in (2, 1, 0):
        now = make.now - back * DAY
        forecasts.enter_by_hand(
            night_of=EVENING - back * DAY, low_c=-1.0 - back, member_id=None, now=now
        )
        plan_night.plan_night(night_of=EVENING - back * DAY, member_id=None, now=now)

    found = plot_nights(plot_id=plot.id, now=make.now)
    one = plot_nights(plot_id=plot.id, now=make.now, most=1)

    assert [night.night_of for night in found] == [EVENING - DAY, EVENING - 2 * DAY]
    assert found[0].said.mean > found[1].said.mean
    assert [(night.read_c, night.looked_at) for night in found] == [(None, 0), (None, 0)]
    assert one == found[:1]
    assert plot_nights(plot_id=plot.id + 1, now=make.now) == ()
