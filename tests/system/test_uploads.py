"""Broken files through the page: words, never a crash, nothing kept."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.config import MAX_UPLOAD_BYTES
from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.nights import Plan
from tests.factories import Factory
from tests.readers.malformed import MALFORMED
from tests.system import garden
from tests.system.conftest import Visitor
from tests.system.test_claims import shown


@pytest.fixture
def coordinator(make: Factory, visitor: Callable[..., Visitor]) -> Iterator[Visitor]:
    yield visitor(garden.small_garden(make).coordinator)


def kept() -> list[int]:
    """How many imports, forecasts and plans there are."""
    counts = [
        db.session.scalar(select(func.count()).select_from(model)) or 0
        for model in (ForecastImport, Forecast, Plan)
    ]
    db.session.remove()
    return counts


def send(coordinator: Visitor, token: str, filename: str, data: bytes) -> Any:
    return coordinator.post(
        "/forecast/import", token=token, files={"file": (filename, data, "text/plain")}
    )


def test_every_broken_file_is_answered_in_words_and_leaves_nothing(coordinator: Visitor) -> None:
    token = coordinator.token("/forecast/import")
    wrong = []

    for name, (filename, data) in MALFORMED.items():
        answer = send(coordinator, token, filename, data)
        # An empty file is, to a browser's form, no file chosen; the page says that.
        says = any(
            words in answer.text
            for words in ("There is a problem", "could not read", "a question first")
        )
        if answer.status_code != 422 or not says:
            wrong.append((name, answer.status_code, shown(answer.text)[:200]))

    assert len(MALFORMED) >= 200
    assert wrong == []
    assert kept() == [0, 0, 0]


@pytest.mark.parametrize(
    "filename",
    ["../../etc/passwd", "a\x00b.csv", "x" * 3000 + ".csv", "<b>bold</b>.json", "❄.csv", "..\\c"],
    ids=["path", "null", "long", "markup", "snow", "backslash"],
)
def test_a_hostile_file_name_is_only_a_name(coordinator: Visitor, filename: str) -> None:
    token = coordinator.token("/forecast/import")

    answer = send(coordinator, token, filename, b"not a forecast")

    assert answer.status_code == 422
    assert "<b>bold" not in answer.text
    assert "etc/" not in answer.text
    assert kept() == [0, 0, 0]


def test_a_file_over_the_limit_is_refused_with_a_page(coordinator: Visitor) -> None:
    token = coordinator.token("/forecast/import")

    answer = send(coordinator, token, "big.csv", b"1" * (MAX_UPLOAD_BYTES + 1_000))

    assert answer.status_code == 413
    assert "Too big" in answer.text
    assert kept() == [0, 0, 0]


def test_a_good_file_is_kept_after_all_the_broken_ones(make: Factory, coordinator: Visitor) -> None:
    token = coordinator.token("/forecast/import")
    for filename, data in list(MALFORMED.values())[:5]:
        send(coordinator, token, filename, data)

    far = send(coordinator, token, "grid.json", garden.real_forecast(evening=make.now))
    assert far.status_code == 422
    assert "km from the garden" in far.text  # a real file, and no garden of ours lies there
    assert kept() == [0, 0, 0]
    waiting = re.search(r'name="token" value="([^"]+)"', far.text)
    assert waiting
    answer = coordinator.post(
        "/forecast/import/confirm",
        {"token": waiting[1], "accept": "place", "do": "take"},
        token=token,
    )

    assert answer.status_code == 303, shown(answer.text)[:1000]
    imports, forecasts, plans = kept()
    assert imports == 1
    assert forecasts >= 1
    assert plans == 1
