"""A record that no logger can have made is refused, and nothing of a good one is lost."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.trials.analysis import Series, analyse
from tests.science.trials.trials_made import (
    START,
    moments,
    nights_of,
    outside_c,
)


@pytest.mark.parametrize(
    ("at", "temp", "words"),
    [
        ([1], [1.0], "at least two"),
        ([1, 1], [1.0, 2.0], "must rise"),
        ([2, 1], [1.0, 2.0], "must rise"),
        ([1, 2], [1.0], "equally many"),
        ([1, 2], [1.0, math.nan], "finite"),
    ],
)
def test_a_record_that_cannot_be_is_refused(at: list[int], temp: list[float], words: str) -> None:
    with pytest.raises(OutOfRange, match=words):
        Series(np.array(at, dtype=np.int64), np.array(temp))


def test_the_rows_are_all_matched_moments() -> None:
    at = moments(1, 600)
    out_c = outside_c(at)
    humid = np.where(np.arange(len(at)) % 2 == 0, 80.0, np.nan)

    result = analyse(Series(at, out_c + 1.0, humid), Series(at, out_c), nights=nights_of(at))
    rows = result.matched

    assert len(rows) == result.matched_count == len(at)
    assert result.starts_at == datetime.fromtimestamp(START, tz=UTC)
    assert rows.at_s.tolist() == at.tolist()
    assert rows.inside_percent is not None and rows.outside_percent is None
    assert rows.inside_percent[0] == 80.0 and np.isnan(rows.inside_percent[1])
    assert rows.inside_c - rows.outside_c == pytest.approx(np.ones(len(at)))
