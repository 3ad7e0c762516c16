"""The heat balance beside a cover's measured lift."""

from __future__ import annotations

import pytest

from gardenapp.services.trials.second_opinion import second_opinion


@pytest.mark.outside(
    "Hanson 1963, night radiation protection index: polyethylene 26 %, glass 93 % (as quoted in "
    "its abstract)"
)
def test_glass_is_judged_warmer_than_bare_polyethylene_on_a_clear_night() -> None:
    film = second_opinion(leaf_shield=0.26, is_sealed=True).clear
    glass = second_opinion(leaf_shield=0.93, is_sealed=True).clear

    assert glass.air_c > film.air_c
    assert glass.leaf_c > film.leaf_c
    assert glass.high_k > film.high_k


@pytest.mark.outside(
    "North Willamette, 1988, row cover effects on minimum air temperature: film and fabric colder "
    "than open air on clear nights"
)
def test_thin_bare_film_may_be_colder_than_outside_on_a_clear_night() -> None:
    assert second_opinion(leaf_shield=0.26, is_sealed=True).clear.low_k < 0


def test_a_leaf_under_thin_film_is_colder_than_its_air_and_under_glass_hardly() -> None:
    film = second_opinion(leaf_shield=0.26, is_sealed=True).clear
    glass = second_opinion(leaf_shield=0.93, is_sealed=True).clear

    assert film.leaf_c < film.air_c - 0.5
    assert glass.air_c - glass.leaf_c < film.air_c - film.leaf_c


def test_cloud_and_wind_leave_less_between_the_covers() -> None:
    clear = [second_opinion(leaf_shield=s, is_sealed=True).clear.air_c for s in (0.26, 0.93)]
    cloudy = [second_opinion(leaf_shield=s, is_sealed=True).cloudy.air_c for s in (0.26, 0.93)]

    assert cloudy[1] - cloudy[0] < clear[1] - clear[0]
