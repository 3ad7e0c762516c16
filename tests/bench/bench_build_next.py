"""How long "what to build next" takes for 12 designs over 5 to 20 winters, and how much the
straightforward way takes for 5.

Run it: `python -m tests.bench.bench_build_next`. The garden and the winters are invented: 16 plots,
64 plantings; lows with a yearly round and a spread of 3 K. Processor seconds, printed as JSON.
"""

from __future__ import annotations

import json
import math
import random
import time
from datetime import date, timedelta
from typing import Any

import pytest

from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.designs.design import design
from gardenapp.science.estimate import Estimate
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.services.builds.designing import Candidate
from gardenapp.services.builds.shapes import Need, usual_sizes, wish_of
from gardenapp.services.season.build_next import SEED, Extra, _of_design, rank
from gardenapp.services.season.replay_gardens import invented_garden
from tests.services.season.ranked_plainly import rank_plainly

DESIGNS, FEW_WINTERS, WINTERS = 12, 5, 20


def winters(count: int) -> list[ReplayNight]:
    """Nights of so many winters."""
    rng = random.Random(3)
    day, found = date(2000, 7, 1), []
    while day < date(2000 + count, 7, 1):
        turn = 2.0 * math.pi * (day.timetuple().tm_yday - 20) / 365.0
        low_c = round(6.0 - 9.0 * math.cos(turn) + rng.gauss(0.0, 3.0), 1)
        found.append(ReplayNight(night_of=day, low_c=low_c, measured_on=day))
        day += timedelta(days=1)
    return found


def extras() -> list[Extra]:
    """Frames of twelve sizes."""
    need = Need(200.0, 150.0, 8)
    prior = LiftPrior(clear=Estimate(2.1, 1.2), cloudy=Estimate(1.7, 1.0), leaf_shield=0.26)
    found = []
    for number in range(DESIGNS):
        sizes = {
            **usual_sizes("box_frame"),
            "length_mm": 500.0 + 120.0 * number,
            "width_mm": 500.0 + 40.0 * number,
        }
        made = design(wish_of("box_frame", sizes, need), gust_mps=14.0, prior=prior)
        found.append(_of_design(Candidate("box_frame", sizes, made, True, (), (), None)))
    return found


def seconds_for(count: int) -> tuple[float, dict[str, Any]]:
    """Processor time to rank the designs over so many winters, and what came out."""
    garden, nights, added = invented_garden(), winters(count), extras()
    begun = time.process_time()
    steps = list(rank(garden, nights, added, latitude=52.0, seed=SEED))
    took = time.process_time() - begun
    assert len(steps) == len(nights)
    assert steps[-1].result is not None
    return took, steps[-1].result


def seconds_plainly(count: int) -> tuple[float, dict[str, Any]]:
    """The same of the straightforward way."""
    garden, nights, added = invented_garden(), winters(count), extras()
    begun = time.process_time()
    result = rank_plainly(garden, nights, added, latitude=52.0, seed=SEED)
    return time.process_time() - begun, result


def measure() -> dict[str, object]:
    """Seconds for a quarter, half and all of the winters, and for a quarter plainly."""
    took = {count: seconds_for(count) for count in (FEW_WINTERS, 10, WINTERS)}
    quick, result = took[FEW_WINTERS]
    plain, expected = seconds_plainly(FEW_WINTERS)
    return {
        "designs": DESIGNS,
        "processor_seconds_by_winters": {n: round(s, 2) for n, (s, _) in took.items()},
        "plainly": {FEW_WINTERS: round(plain, 2)},
        "plain_to_quick": round(plain / quick, 2),
        "same_rows": result["rows"] == expected["rows"],
    }


@pytest.mark.bench
def test_what_to_build_next_over_twenty_winters() -> None:
    print(json.dumps(measure()))


if __name__ == "__main__":
    print(json.dumps(measure(), indent=1))
