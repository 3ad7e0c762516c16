"""The picture of a night that has been."""

from __future__ import annotations

from datetime import date

import pytest
from flask import Flask

from gardenapp.science.estimate import Estimate
from gardenapp.services.night.past_night import PastNight, SaidAndRead
from gardenapp.web.night.past import LEFT, RIGHT, draw

EVENING = date(2026, 11, 24)


def place(plot: str, mean_c: float, read_c: float | None, *, looked_at: int = 0) -> SaidAndRead:
    return SaidAndRead(plot, None, Estimate(mean_c, 1.0), read_c, "", looked_at, looked_at)


def test_a_low_within_the_bar_held_and_one_outside_did_not(app: Flask) -> None:
    night = PastNight(EVENING, (place("", -2.0, -2.5), place("A1", -3.0, -6.0, looked_at=2)), ())

    with app.test_request_context():
        picture = draw(night)

    screen, plot = picture.lines
    assert screen.held
    assert not plot.held
    assert screen.from_x < screen.said_x < screen.to_x
    assert plot.read_x is not None
    assert plot.read_x < plot.from_x
    assert all(LEFT <= line.from_x < line.to_x <= RIGHT for line in picture.lines)
    words = picture.words.replace("\u202f", " ")
    assert "Official low: −2.0 °C predicted" in words
    assert "−6.0 °C read; 2 of 2 damaged" in words
    assert sum(tick.is_zero for tick in picture.ticks) <= 1


@pytest.mark.parametrize("mean_c", [-40.0, 0.0, 30.0])
def test_what_nobody_read_has_a_bar_and_no_mark(app: Flask, mean_c: float) -> None:
    with app.test_request_context():
        (line,) = draw(PastNight(EVENING, (place("", mean_c, None),), ())).lines

    assert line.read_x is None
    assert not line.held
    assert "nobody read it" in line.words
