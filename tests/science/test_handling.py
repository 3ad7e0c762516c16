"""What is for two people."""

from __future__ import annotations

from gardenapp.science.handling import TWO_PEOPLE_KG, takes_two


def test_more_than_one_lifts_is_for_two_and_what_nobody_weighed_is_not() -> None:
    assert not takes_two(None)
    assert not takes_two(0.0)
    assert not takes_two(TWO_PEOPLE_KG)
    assert takes_two(TWO_PEOPLE_KG + 0.1)
