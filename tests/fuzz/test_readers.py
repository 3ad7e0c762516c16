"""Every reader takes any bytes and answers with a record or with words, never with a crash.

A short run in the checks; `FUZZ_INPUTS=100000 python -m pytest tests/fuzz` spreads that many inputs
over readers and forms.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gardenapp.errors import GardenError
from gardenapp.readers import climate, logger, pieces, readings_json, registry
from tests.readers.malformed import MALFORMED
from tests.readers.malformed_loggers import BROKEN

INPUTS = int(os.environ.get("FUZZ_INPUTS", "0"))
ZONE = ZoneInfo("Europe/London")
NOW = datetime(2026, 11, 24, 15, 0, tzinfo=UTC)
SAMPLES = Path(__file__).resolve().parent.parent / "readers" / "samples"

READERS: dict[str, Callable[[bytes], Any]] = {
    "forecast": lambda data: registry.read_forecast(data, filename="x", time_zone=ZONE, now=NOW),
    "logger": lambda data: logger.read_logger(data, filename="x", time_zone=ZONE),
    "climate": lambda data: climate.read_climate(data, time_zone=ZONE),
    "pieces": pieces.read_pieces,
    "stock": pieces.read_stock,
    "readings": readings_json.read_readings,
}
EACH = max(25, INPUTS // 2 // len(READERS))
GOOD = [path.read_bytes()[:6_000] for path in sorted(SAMPLES.glob("*.*")) if path.suffix != ".md"]
SEEDS = GOOD + [data[:6_000] for _, data in list(MALFORMED.values())[:80]] + [
    b"length_mm,count\n1200,4\n", *(item[0] for item in list(BROKEN.values())[:60]),
    b'[{"key":"a","at":"2026-11-24T15:00:00Z","temperature_c":1}]',
]  # fmt: skip
BITS = (
    b"", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b",", b";", b"\n", b"\r", b'"', b"nan", b"1e999",
    b"-9999", b"2026-13-45T99:99", b"\xe2\x88\x92", b"}" * 50, b"[" * 400, b"TAF ", b"9" * 400,
)  # fmt: skip


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """A real or a broken file with some of it changed, doubled or cut off."""
    data = bytearray(draw(st.sampled_from(SEEDS)))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(data)))
        how = draw(st.sampled_from(["put", "over", "cut", "double", "byte"]))
        bit = draw(st.sampled_from(BITS))
        if how == "put":
            data[at:at] = bit
        elif how == "over":
            data[at : at + len(bit)] = bit
        elif how == "cut":
            del data[at : at + draw(st.integers(1, 200))]
        elif how == "double":
            data[at:at] = data[at : at + draw(st.integers(1, 200))]
        elif data:
            data[min(at, len(data) - 1)] = draw(st.integers(0, 255))
    return bytes(data)


@pytest.mark.parametrize("name", READERS)
def test_any_bytes_give_a_record_or_words(name: str) -> None:
    read = READERS[name]
    outcomes = {"read": 0, "refused": 0}

    @settings(
        max_examples=EACH, deadline=None, database=None,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(st.one_of(damaged(), st.binary(max_size=300)))
    def attack(data: bytes) -> None:
        try:
            read(data)
            outcomes["read"] += 1
        except GardenError as error:
            assert str(error)
            outcomes["refused"] += 1

    attack()

    assert sum(outcomes.values()) >= EACH
