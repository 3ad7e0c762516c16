"""A clear evening colder than was said: readings come in, the board changes, one member is told."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import requests

from gardenapp.extensions import db
from gardenapp.services.night import forecasts
from gardenapp.services.notices import planned
from gardenapp.services.trials import readings
from tests.factories import Factory
from tests.services.notices.told import EVENING, by_mail, queue
from tests.system.conftest import Server

pytestmark = pytest.mark.browser

AFTERNOON = datetime(2026, 11, 24, 14, 0, tzinfo=UTC)
DUSK = datetime(2026, 11, 24, 15, 50, tzinfo=UTC)  # the sun sets at 15:58
NINE = datetime(2026, 11, 24, 21, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def send(server: Server, token: str, at: datetime, temp_c: float) -> None:
    answer = requests.post(
        f"{server.url}/readings",
        json=[{"id": f"{at:%H%M}", "at": at.isoformat(), "temp_c": temp_c}],
        headers={"Authorization": f"Bearer {token}"},
        timeout=30,
    )
    assert answer.status_code == 201, answer.text


def test_three_readings_at_nine_change_the_board_and_one_member_is_told_once(
    server: Server, clock: list[datetime], make: Factory, open_page: Callable[..., Any]
) -> None:
    clock[0] = make.now = AFTERNOON
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    for member in (tamsin, wes):
        by_mail(member, AFTERNOON)
    beans = make.stage(threshold_c=-1.0)
    make.planting(make.plot("A1", holders=(tamsin,)), beans, name="beans")
    leeks = make.stage(threshold_c=-15.0)
    post = make.plot("B2", holders=(wes,))
    make.planting(post, leeks, name="leeks")
    make.cover(make.cover_kind("Tote", clear_mean_k=5.0, cloudy_mean_k=5.0), label="T1")
    entry = readings.LoggerEntry("post", post.id, None, "outside", None, None, None, "screen")
    _id, token = readings.create_logger(entry=entry, member=make.coordinator(), now=AFTERNOON)
    forecasts.enter_by_hand(
        night_of=EVENING, low_c=7.0, cloud_fraction=0.5, wind_mps=1.0, member_id=None,
        now=AFTERNOON,
    )  # fmt: skip
    planned.plan_and_tell(night_of=EVENING, member_id=None, now=AFTERNOON)
    phone = open_page()
    phone.goto("/tonight")
    assert "Nothing to cover tonight" in phone.inner_text("main")
    for at, temp_c in ((DUSK, 9.0), (DUSK + timedelta(hours=2), 5.0), (NINE - 40 * MINUTE, -1.5)):
        clock[0] = at + MINUTE
        send(server, token, at, temp_c)
    before = len(queue())

    for minutes, temp_c in ((10, -1.8), (5, -2.0), (0, -2.1)):
        clock[0] = NINE - minutes * MINUTE + MINUTE
        send(server, token, NINE - minutes * MINUTE, temp_c)
        db.session.rollback()
        planned.keep_planned(now=clock[0])  # as the timetable does each minute
    phone.goto("/tonight")

    assert "T1" in phone.inner_text("article.job")
    said = phone.inner_text("main")
    assert "post read −2.0" in said
    assert "corrected by the thermometer here" in phone.locator("#about").text_content()
    told = queue()[before:]
    assert [notice.member_id for notice in told] == [tamsin.id]
    assert "Plot A1: Tote" in told[0].body["text"]
