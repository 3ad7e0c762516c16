"""How long "what to build next" takes for 12 designs over 20 winters, and that it grows in line.

Run it: `python -m tests.bench.bench_build_next`. The garden and the winters are invented: 16 plots,
64 plantings; lows with a yearly round and a spread of 3 K. Printed as JSON.
"""

from __future__ import annotations

import json
import math
import random
import time
from datetime import date, timedelta

import pytest

from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.designs.design import design
from gardenapp.science.estimate import Estimate
from gardenapp.science.season.replay_forecasts import ReplayNight
from gardenapp.services.builds.designing import Candidate
from gardenapp.services.builds.shapes import Need, usual_sizes, wish_of
from gardenapp.services.season.build_next import Extra, _of_design, rank
from gardenapp.services.season.replay_gardens import invented_garden

DESIGNS, WINTERS = 12, 20


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


def seconds_for(count: int) -> float:
    """Wall time to rank the designs over so many winters."""
    garden, nights, added = invented_garden(), winters(count), extras()
    begun = time.perf_counter()
    steps = sum(1 for _ in rank(garden, nights, added, latitude=52.0))
    assert steps == len(nights)
    return time.perf_counter() - begun


def measure() -> dict[str, object]:
    """Seconds for a quarter, half and all of the winters."""
    took = {str(count): round(seconds_for(count), 2) for count in (5, 10, WINTERS)}
    return {"designs": DESIGNS, "seconds_by_winters": took}


@pytest.mark.bench
def test_what_to_build_next_over_twenty_winters() -> None:
    print(json.dumps(measure()))


if __name__ == "__main__":
    print(json.dumps(measure(), indent=1))
