"""How each plot stands tonight, for the map."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace
from typing import Any, cast

import pytest

from gardenapp.science.night.plan_records import PlantingStory, TreatmentName
from gardenapp.services.night import tonight
from gardenapp.services.night.map_states import (
    IS_COVERED,
    IS_SAFE,
    IS_TAKEN,
    NEEDS_COVER,
    NO_COVER,
    SMALL_RISK,
    STILL_AT_RISK,
    PlotState,
    plot_states,
)
from gardenapp.services.night.tonight import BoardJob, TonightPage
from tests.conftest import NOW
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan

PLOT = 7
DAWN = NOW + timedelta(hours=17)


def job(state: str, **changes: Any) -> BoardJob:
    values: dict[str, Any] = {
        "id": 1,
        "plot_id": PLOT,
        "plot": "A1",
        "treatment": "kind 1",
        "name": TreatmentName(("tote",)),
        "units": 1,
        "covers": (),
        "plants": {},
        "minutes": 3.0,
        "by_at": None,
        "lift_by_at": None,
        "safe_from_at": DAWN,
        "must_come_off": False,
        "state": state,
        "claimed_by_id": None,
        "claimed_by": "",
        "on_since": None,
    }
    return BoardJob(**values | changes)


def board(*jobs: BoardJob, statuses: tuple[str, ...] = ("protect",)) -> TonightPage:
    rows = tuple(
        cast(PlantingStory, SimpleNamespace(plot_id=PLOT, status=status)) for status in statuses
    )
    return TonightPage(
        night_of=EVENING,
        forecast=None,
        header=None,
        plan_id=1,
        made_at=NOW,
        is_stale=False,
        is_outdated=False,
        method="",
        gap=0.0,
        rows=rows,
        jobs=jobs,
    )


@pytest.mark.parametrize(
    ("states", "statuses", "expected"),
    [
        (("free", "claimed", "on"), ("protect",), NEEDS_COVER),
        (("claimed", "on"), ("protect",), IS_TAKEN),
        (("on", "on"), ("protected",), IS_COVERED),
        # what can still be done comes before what cannot
        (("free",), ("protect", "short"), NEEDS_COVER),
        (("claimed",), ("protect", "short"), IS_TAKEN),
        # all is on, and a planting is left that nothing was found for, or that is cold all the same
        (("on",), ("protected", "short"), STILL_AT_RISK),
        # nothing can be put on: no cover was free, or the one there was broke
        ((), ("short", "safe"), NO_COVER),
        (("struck",), ("protect",), NO_COVER),
        (("struck", "on"), ("protect", "protected"), STILL_AT_RISK),
        ((), ("safe",), IS_SAFE),
        ((), ("safe", "watch"), SMALL_RISK),
    ],
)
def test_a_plot_is_told_by_what_can_still_be_done_there(
    states: tuple[str, ...], statuses: tuple[str, ...], expected: PlotState
) -> None:
    page = board(*(job(state, id=n) for n, state in enumerate(states)), statuses=statuses)

    assert plot_states(page, now=NOW) == {PLOT: expected}


def test_a_cover_taken_off_at_night_is_wanted_again_and_in_the_morning_no_more() -> None:
    page = board(job("off"))

    assert plot_states(page, now=DAWN - timedelta(minutes=1)) == {PLOT: NEEDS_COVER}
    assert plot_states(page, now=DAWN) == {PLOT: IS_SAFE}


def test_a_cover_the_wind_asks_off_again_covers_nothing() -> None:
    page = board(job("on", must_come_off=True), statuses=("short",))

    assert plot_states(page, now=NOW) == {PLOT: NO_COVER}


def test_each_plot_has_its_own_state() -> None:
    page = board(job("free"), job("on", id=2, plot_id=8))

    assert plot_states(page, now=NOW) == {PLOT: NEEDS_COVER, 8: IS_COVERED}


def test_a_night_without_a_plan_says_nothing_of_any_plot(make: Factory) -> None:
    make.planting()

    assert plot_states(tonight.tonight_page(now=make.now), now=make.now) == {}


def test_the_states_follow_what_people_press(make: Factory) -> None:
    member = make.member()
    cold, hardy = make.plot("A1"), make.plot("A2")
    make.planting(cold)
    make.planting(hardy, make.stage("leek", threshold_c=-15.0))
    make.cover(make.cover_kind(clear_mean_k=5.0, cloudy_mean_k=5.0))
    enter(make.now, -1.0)
    (first,) = plan(make.now).jobs

    def states() -> dict[int, PlotState]:
        return plot_states(tonight.tonight_page(now=make.now), now=make.now)

    assert states() == {cold.id: NEEDS_COVER, hardy.id: IS_SAFE}
    tonight.claim_job(job_id=first.id, member_id=member.id, now=make.now)
    assert states()[cold.id] == IS_TAKEN
    tonight.mark_on(job_id=first.id, member_id=member.id, now=make.now)
    assert states()[cold.id] == IS_COVERED
