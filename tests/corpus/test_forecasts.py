"""Every forecast file of the corpus is read right, asked about or refused: never wrong silently."""

from __future__ import annotations

from collections import Counter

import pytest

from gardenapp.readers.doubts import Home
from gardenapp.readers.records import ForecastReading, ReadOptions, UnreadableFile
from gardenapp.readers.registry import read_forecast
from tests.corpus.forecasts import all_cases
from tests.corpus.truth import TONIGHT, Case, now_in

CASES = all_cases()


def read_case(case: Case) -> ForecastReading:
    return read_forecast(
        case.data,
        filename=case.name,
        time_zone=case.zone,
        now=now_in(case.zone),
        options=ReadOptions(**(case.options or {})),
        home=Home(*case.place) if case.place else None,
    )


def outcome(case: Case) -> tuple[str, str]:
    """ "right", "wrong", "ask" or "refuse", and words about it."""
    try:
        reading = read_case(case)
    except UnreadableFile as error:
        return ("ask" if error.asks else "refuse"), str(error)
    tonight = next((night for night in reading.nights if night.night_of == TONIGHT), None)
    if tonight is None:
        return "wrong", f"no tonight among {[str(n.night_of) for n in reading.nights]}"
    low_c, low_at = tonight.low_c, tonight.low_at
    if abs(low_c - case.low_c) > 0.06:
        return "wrong", f"{low_c:.1f}"
    if case.topic == "zones" and (low_at is None or low_at.astimezone(case.zone).hour != 6):
        return "wrong", f"{low_c:.1f} at {low_at}"
    return "right", f"{low_c:.1f}"


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_a_file_is_read_right_asked_about_or_refused(case: Case) -> None:
    what, words = outcome(case)

    assert what == case.expects or (case.expects == "refuse" and what == "ask"), words
    if case.expects == "ask":
        assert set(case.asks) <= set(asks_of(case))


def asks_of(case: Case) -> tuple[str, ...]:
    with pytest.raises(UnreadableFile) as refusal:
        read_case(case)
    return refusal.value.asks


def test_the_corpus_is_as_large_as_was_promised() -> None:
    assert len(CASES) >= 250
    assert min(Counter(case.topic for case in CASES if case.topic != "bad").values()) >= 8
