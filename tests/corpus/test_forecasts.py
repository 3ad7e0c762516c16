"""Every forecast file of the corpus is read right, asked about or refused: never wrong silently."""

from __future__ import annotations

from collections import Counter, defaultdict

import pytest

from gardenapp.readers.records import ReadOptions, UnreadableFile
from gardenapp.readers.registry import read_forecast
from tests.corpus.forecasts import all_cases
from tests.corpus.truth import TONIGHT, Case, now_in

CASES = all_cases()


def outcome(case: Case) -> tuple[str, str]:
    """ "right", "wrong", "ask" or "refuse", and words about it."""
    try:
        options = ReadOptions(**(case.options or {}))
    except TypeError as error:
        return "wrong", str(error)
    try:
        reading = read_forecast(
            case.data,
            filename=case.name,
            time_zone=case.zone,
            now=now_in(case.zone),
            options=options,
        )
    except UnreadableFile as error:
        return ("ask" if getattr(error, "asks", ()) else "refuse"), str(error)
    tonight = next((night for night in reading.nights if night.night_of == TONIGHT), None)
    if tonight is None:
        return "wrong", f"no tonight among {[str(n.night_of) for n in reading.nights]}"
    low_c, low_at = tonight.low_c, tonight.low_at
    if abs(low_c - case.low_c) > 0.06:
        return "wrong", f"{low_c:.1f}"
    if case.topic == "zones" and low_at.astimezone(case.zone).hour != 6:
        return "wrong", f"{low_c:.1f} at {low_at.astimezone(case.zone):%H:%M}"
    return "right", f"{low_c:.1f}"


def test_report(capsys: pytest.CaptureFixture[str]) -> None:
    found: dict[str, Counter[str]] = defaultdict(Counter)
    lines = []
    for case in CASES:
        what, words = outcome(case)
        is_met = what == case.expects or (case.expects == "refuse" and what == "ask")
        found[case.topic]["met" if is_met else f"{what} for {case.expects}"] += 1
        if not is_met:
            lines.append(f"  {case.name}: {what} for {case.expects}: {words[:110]}")
    with capsys.disabled():
        print()
        for topic, counts in found.items():
            print(topic, dict(counts))
        print("\n".join(lines))
    assert len(CASES) >= 250
