"""Planning plot by plot at prices keeps the rules, and its bound holds."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gardenapp.science.allocation import solve as allocation
from gardenapp.science.allocation.solve import (
    solve,
)
from tests.science.allocation.gardens_made import (
    PATIENT,
    EverythingTried,
    check_rules,
    tiny_garden,
)


@PATIENT
@given(seed=st.integers(0, 1_000_000))
def test_the_way_for_large_gardens_keeps_rules_and_bound_on_small_ones(seed: int) -> None:
    problem = tiny_garden(seed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(allocation, "list_contents", lambda prepared: None)

        answer = solve(problem, relative_gap=1e-9)

    check_rules(problem, answer)
    best = EverythingTried(problem).best()
    assert answer.objective <= best + 1e-6
    assert answer.bound >= best - 1e-6
