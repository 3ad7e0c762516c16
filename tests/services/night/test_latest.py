"""Each job has its own latest time."""

from __future__ import annotations

from datetime import timedelta

import pytest

from gardenapp.science.covers.lift import hours_late, late_share
from gardenapp.services.night.latest import MOST_EARLY, STILL_GOOD, Latest
from gardenapp.services.night.prospect import covered_if
from tests.factories import Factory
from tests.services.night.planning import enter, prospect


def test_a_share_of_a_night_is_had_until_then() -> None:
    for share in (0.0, 0.3, 0.9, 1.0):
        assert late_share(hours_late(share, 14.0), 14.0) == pytest.approx(share)


def test_what_is_in_more_danger_cannot_wait_so_long(make: Factory) -> None:
    plot = make.plot()
    tender = make.planting(plot=plot, stage=make.stage(threshold_c=1.0))
    hardier = make.planting(plot=plot, stage=make.stage(threshold_c=-3.0))
    cover = make.cover()
    enter(make.now, -3.0)
    seen = prospect(make.now)
    latest = Latest(seen)
    (way,) = [key for key in seen.ways if key == str(cover.class_id)]

    first, second = latest.of(tender.id, way), latest.of(hardier.id, way)

    sunset_at, low_at = seen.site.night.sunset_at, seen.site.curve.low[0]
    assert sunset_at - MOST_EARLY <= first < second < low_at


def test_a_cover_put_on_at_its_latest_still_avoids_nine_tenths(make: Factory) -> None:
    planting = make.planting(stage=make.stage(threshold_c=-4.0))
    cover = make.cover()
    enter(make.now, -3.0)
    seen = prospect(make.now)
    way = str(cover.class_id)
    bare = seen.bare[planting.id]
    at = Latest(seen).of(planting.id, way)

    night_h = (seen.site.curve.low[0] - seen.site.night.sunset_at) / timedelta(hours=1)
    kept = late_share((at - seen.site.night.sunset_at) / timedelta(hours=1), night_h)
    avoided = bare.harm.share - covered_if(seen, planting, way, kept).harm.share
    at_best = bare.harm.share - covered_if(seen, planting, way, 1.0).harm.share
    crosses_at = bare.crosses_early_at or seen.site.curve.low[0]
    assert avoided >= STILL_GOOD * at_best - 1e-9
    assert at <= crosses_at or at == seen.site.night.sunset_at - MOST_EARLY
