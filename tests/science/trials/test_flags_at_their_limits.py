"""Each reason to doubt a trial is given from its limit on, and not one reading earlier."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from gardenapp.science.night.sun import Night
from gardenapp.science.trials.flags import flags_of
from gardenapp.science.trials.matching import matched
from gardenapp.science.trials.records import (
    ClockOffset,
    DayResult,
    Flag,
    NightResult,
    Series,
)

DAY = date(2026, 4, 10)
MIDNIGHT_AT = datetime(2026, 4, 10, tzinfo=UTC)
MIDNIGHT_S = int(MIDNIGHT_AT.timestamp())


def record(*temps: float, step_s: int = 3600, begin_h: float = 0.0) -> Series:
    begin_s = MIDNIGHT_S + round(begin_h * 3600)
    return Series(begin_s + step_s * np.arange(len(temps), dtype=np.int64), np.array(temps))


def wave(count: int) -> list[float]:
    """Moves by 2 K each reading, so that it is never stuck and never like a straight line."""
    return [2.0 * (row % 2) for row in range(count)]


def night_result(lift_k: float = 1.0, *, is_whole: bool = True) -> NightResult:
    return NightResult(
        night_of=DAY,
        lift_at_minimum_k=lift_k,
        lift_at_outside_low_k=lift_k,
        lift_mean_k=lift_k,
        lift_least_k=lift_k,
        lift_most_k=lift_k,
        inside_low_c=lift_k,
        inside_low_at=MIDNIGHT_AT,
        outside_low_c=0.0,
        outside_low_at=MIDNIGHT_AT,
        is_whole=is_whole,
        covered_fraction=1.0,
        readings=100,
        outside_fall_k=None,
        looked_clear=None,
        humid_hours_inside=None,
        humid_hours_outside=None,
    )


def day_result(gain_k: float) -> DayResult:
    return DayResult(DAY, gain_k, gain_k, gain_k, MIDNIGHT_AT, 0.0, None, True, 1.0)


def nights(*, count: int, is_polar: bool = False) -> list[Night]:
    """From 20:00 to 04:00 UTC, so that each day lasts sixteen hours."""
    return [
        Night(
            DAY + timedelta(days=each - 1),
            MIDNIGHT_AT + timedelta(days=each, hours=-4),
            MIDNIGHT_AT + timedelta(days=each, hours=4),
            is_polar,
        )
        for each in range(count)
    ]


def flags_for(
    inside: Series,
    outside: Series,
    *,
    night_results: Sequence[NightResult] = (),
    day_results: Sequence[DayResult] = (),
    offset: ClockOffset | None = None,
    nights_known: Sequence[Night] = (),
) -> dict[str, Flag]:
    flags = flags_of(
        inside,
        outside,
        matched(inside, outside, 0.0),
        offset or ClockOffset(0.0, "none found"),
        night_results or [night_result()],
        day_results,
        None,
        nights_known,
    )
    assert len({flag.code for flag in flags}) == len(flags)
    return {flag.code: flag for flag in flags}


def test_six_hours_in_common_are_enough_and_a_step_less_is_not() -> None:
    def flagged(rows: int) -> Flag | None:
        temps = np.array(wave(rows))
        return flags_for(record(*temps + 1.0, step_s=900), record(*temps, step_s=900)).get(
            "overlap_small"
        )

    assert flagged(25) is None
    short = flagged(24)
    assert short is not None
    assert short.params == {"hours": 5.75}
    assert "only 5.8 hours in common" in str(short.words)
    assert short.doubts


def test_hours_across_a_gap_are_not_hours_in_common() -> None:
    at = MIDNIGHT_S + 3600 * np.array([0, 1, 2, 3, 9, 10, 11])
    temps = np.array(wave(7))

    flags = flags_for(Series(at, temps + 1.0), Series(at, temps))

    assert flags["overlap_small"].params == {"hours": 5.0}
    assert flags["gaps"].params == {"count": 1.0, "hours": 6.0}
    assert str(flags["gaps"].words).startswith("1 gap of 6.0 hours in all")
    assert not flags["gaps"].doubts


def test_a_gap_is_more_than_two_and_a_half_steps() -> None:
    def gaps(*hours: float) -> dict[str, float | str] | None:
        at = MIDNIGHT_S + np.array([round(3600 * hour) for hour in hours])
        temps = np.array(wave(len(hours)))
        flag = flags_for(Series(at, temps + 1.0), Series(at, temps)).get("gaps")
        return None if flag is None else flag.params

    assert gaps(0, 1, 2, 3, 5.5, 6.5, 7.5) is None
    assert gaps(0, 1, 2, 3, 6, 7, 8, 12) == {"count": 2.0, "hours": 7.0}


def test_one_whole_night_is_enough_to_learn_from() -> None:
    pair = record(*np.array(wave(30)) + 1.0), record(*wave(30))
    broken, whole = night_result(is_whole=False), night_result()

    assert "too_short" not in flags_for(*pair, night_results=[broken, whole])
    flag = flags_for(*pair, night_results=[broken])["too_short"]
    assert flag.doubts
    assert flag.params == {"whole_nights": 0.0}


@pytest.mark.parametrize(
    ("rows_alike", "moves_k", "is_stuck"),
    [(8, 2.0, True), (7, 2.0, False), (8, 1.9, False)],
    ids=["seven hours", "six hours", "the other hardly moves"],
)
def test_a_logger_is_stuck_after_six_hours_while_the_other_moves_two_degrees(
    rows_alike: int, moves_k: float, is_stuck: bool
) -> None:
    temps = [1.0, 3.0, *[5.0] * rows_alike, 3.0, 1.0, 3.0]
    other = [moves_k * (row % 2) for row in range(len(temps))]

    for pair in ((record(*temps), record(*other)), (record(*other), record(*temps))):
        flag = flags_for(*pair).get("stuck")

        assert (flag is not None) is is_stuck
        if flag is not None:
            assert flag.params["hours"] == 7.0
            assert flag.params["from_s"] == MIDNIGHT_S + 2 * 3600
            assert "for 7 hours" in str(flag.words)
            assert flag.doubts


def test_the_longest_of_several_stuck_stretches_is_told() -> None:
    temps = [1.0, *[4.0] * 9, 1.0, *[5.0] * 12, 1.0, *[6.0] * 8]

    flag = flags_for(record(*temps), record(*wave(len(temps))))["stuck"]

    assert flag.params == {"which": "inside", "hours": 11.0, "from_s": MIDNIGHT_S + 11 * 3600}


def test_one_value_on_both_sides_of_a_gap_is_not_one_stretch() -> None:
    at = MIDNIGHT_S + 3600 * np.array([*range(6), *range(12, 18)])
    pair = Series(at, np.full(12, 5.0)), Series(at, np.array(wave(12)))

    assert "stuck" not in flags_for(*pair)


@pytest.mark.parametrize(
    ("rows", "apart", "is_same"),
    [(13, 0, True), (12, 0, False), (20, 2, True), (20, 3, False)],
    ids=["twelve hours", "eleven hours", "nine tenths alike", "fewer alike"],
)
def test_twice_the_same_record_is_told_from_twelve_hours_and_nine_tenths(
    rows: int, apart: int, is_same: bool
) -> None:
    temps = np.array(wave(rows))
    inside = temps + np.where(np.arange(rows) < apart, 0.5, 0.25)

    flag = flags_for(record(*inside), record(*temps)).get("same_readings")

    assert (flag is not None) is is_same
    if flag is not None:
        share = (rows - apart) / rows
        assert flag.params == {"share": share}
        assert f"the same for {share:.0%} of the time" in str(flag.words)
        assert flag.doubts


def test_readings_three_tenths_apart_are_the_same_and_four_tenths_are_not() -> None:
    even = [0.0] * 20

    assert "same_readings" in flags_for(record(*[0.3] * 20), record(*even))
    assert "same_readings" not in flags_for(record(*[0.4] * 20), record(*even))


@pytest.mark.parametrize(
    ("night_k", "day_k", "code"),
    [
        ([-0.1], [-2.0], "swapped"),
        ([-3.0, 2.8], [-5.0, 1.0], "swapped"),
        ([-0.1], [-1.9], None),
        ([0.0], [-2.0], None),
        ([-0.5], [5.0], "touching_film"),
        ([0.5, -1.5], [3.0, 7.0], "touching_film"),
        ([-0.4], [5.0], None),
        ([-0.5], [4.9], None),
    ],
)
def test_swapped_files_and_a_touching_film_are_told_by_the_mean_night_and_day(
    night_k: list[float], day_k: list[float], code: str | None
) -> None:
    found = flags_for(
        record(*np.array(wave(10)) + 1.0),
        record(*wave(10)),
        night_results=[night_result(each) for each in night_k],
        day_results=[day_result(each) for each in day_k],
    )

    assert {"swapped", "touching_film"} & set(found) == ({code} if code else set())
    if code:
        params = found[code].params
        assert params["night_k"] == pytest.approx(sum(night_k) / len(night_k))
        assert params["day_k"] == pytest.approx(sum(day_k) / len(day_k))
        assert found[code].doubts is (code == "swapped")


def test_without_any_day_nothing_is_said_of_swapping() -> None:
    found = flags_for(
        record(*np.array(wave(10)) + 1.0), record(*wave(10)), night_results=[night_result(-3.0)]
    )

    assert set(found) == set()


def sunny(steps_k: Sequence[float], *, step_s: int = 3600) -> Series:
    """An outside logger that rises once on each day by what is given, at 10:00 UTC."""
    rows_in_day = 86_400 // step_s
    temps = np.zeros(rows_in_day * len(steps_k))
    for day, rise_k in enumerate(steps_k):
        first = day * rows_in_day + 10 * 3600 // step_s
        temps[first : day * rows_in_day + 18 * 3600 // step_s] = rise_k
    return record(*temps, step_s=step_s)


def sun_flag(outside: Series, *, days: int) -> Flag | None:
    inside = Series(outside.at_s, outside.temp_c + 1.0)
    return flags_for(inside, outside, nights_known=nights(count=days + 1)).get("sensor_in_sun")


def test_over_eight_degrees_in_an_hour_on_a_third_of_the_days_is_the_sun() -> None:
    assert sun_flag(sunny([8.0, 8.0, 8.0]), days=3) is None
    assert sun_flag(sunny([8.1, 0.0, 0.0, 0.0]), days=4) is None
    flag = sun_flag(sunny([0.0, 9.0, 0.0]), days=3)

    assert flag is not None
    assert flag.params == {"which": "outside", "days": 1.0, "steepest_k_per_h": 9.0}
    assert "over 8 K in an hour on 1 of 3 days" in str(flag.words)
    assert not flag.doubts


def test_the_steepest_hour_of_all_days_is_told() -> None:
    flag = sun_flag(sunny([12.0, 9.0, 11.0], step_s=600), days=3)

    assert flag is not None
    assert flag.params["steepest_k_per_h"] == 12.0
    assert flag.params["days"] == 3.0


def test_a_step_above_half_an_hour_is_itself_the_time_of_the_rise() -> None:
    # 9 K in forty minutes are 13.5 K in an hour.
    flag = sun_flag(sunny([9.0], step_s=2400), days=1)
    half_hours = sun_flag(record(*[0.0] * 20, *[9.0] * 9, step_s=1800), days=1)
    just_above = sun_flag(record(*[0.0] * 20, *[9.0] * 9, step_s=1801), days=1)

    assert flag is not None
    assert half_hours is not None
    assert just_above is not None
    assert flag.params["steepest_k_per_h"] == pytest.approx(13.5)
    assert half_hours.params["steepest_k_per_h"] == pytest.approx(9.0)
    assert just_above.params["steepest_k_per_h"] == pytest.approx(18.0, abs=0.02)


def test_a_rise_by_night_or_across_a_gap_is_not_the_sun_on_the_sensor() -> None:
    by_night = sunny([0.0, 0.0])
    by_night.temp_c[2:] = 20.0
    by_night.temp_c[21:] = 40.0
    across_a_gap = sunny([9.0])
    kept = np.ones(24, dtype=bool)
    kept[9:11] = False
    # An hour and a half between 9:00 and 10:30, in which clouds may have gone.
    quarter_hours = [0.0] * 5 + [9.0] * 20
    short_gap = record(*quarter_hours, step_s=900, begin_h=8.0)
    short_gap.at_s[5:] += 75 * 60

    assert sun_flag(by_night, days=2) is None
    assert sun_flag(Series(across_a_gap.at_s[kept], across_a_gap.temp_c[kept]), days=1) is None
    assert sun_flag(short_gap, days=1) is None


def test_a_day_with_no_two_readings_an_hour_apart_does_not_count_as_a_day() -> None:
    at_h = [*np.arange(0.0, 4.0, 0.25), *np.arange(5.0, 19.0, 2.0), *np.arange(24.0, 44.0, 0.25)]
    at = MIDNIGHT_S + np.array([round(3600 * hour) for hour in at_h])
    temps = np.where(at - MIDNIGHT_S < 34 * 3600, 0.0, 9.0)

    flag = sun_flag(Series(at, temps), days=2)

    assert flag is not None
    assert "on 1 of 1 days" in str(flag.words)


def test_a_few_hours_of_a_day_are_no_day_to_judge_the_sun_by() -> None:
    rises = [0.0, 9.0, 9.0, 9.0, 9.0, 9.0]

    assert sun_flag(record(*rises, begin_h=9.0), days=1) is not None  # six readings, five hours
    assert sun_flag(record(*rises[:5], begin_h=9.0), days=1) is None
    quarter_hours = [0.0] * 4 + [9.0] * 13  # from 9:00 to 13:00
    assert sun_flag(record(*quarter_hours, step_s=900, begin_h=9.0), days=1) is not None
    assert sun_flag(record(*quarter_hours[:-1], step_s=900, begin_h=9.0), days=1) is None


@pytest.mark.parametrize(("step_s", "is_judged"), [(5400, True), (5401, False)])
def test_a_logger_of_more_than_an_hour_and_a_half_is_not_judged_by_the_sun(
    step_s: int, is_judged: bool
) -> None:
    temps = [0.0] * 6 + [30.0] * 6

    assert (sun_flag(record(*temps, step_s=step_s), days=1) is not None) is is_judged


@pytest.mark.parametrize(("outside_s", "is_told"), [(449, False), (450, True)])
def test_steps_differ_from_half_as_long_again(outside_s: int, is_told: bool) -> None:
    rows = 30 * 3600 // 300
    inside = record(*np.array(wave(rows)) + 1.0, step_s=300)
    outside = record(*wave(rows * 300 // outside_s), step_s=outside_s)

    for pair in ((inside, outside), (outside, inside)):
        flag = flags_for(*pair).get("different_steps")

        assert (flag is not None) is is_told
        if flag is not None:
            assert flag.params == {"inside_s": pair[0].step_s, "outside_s": pair[1].step_s}
            assert not flag.doubts
    if is_told:
        words = str(flags_for(inside, outside)["different_steps"].words)
        assert "every 5 min inside and every 7.5 min outside" in words


@pytest.mark.parametrize(
    ("offset", "words"),
    [
        (ClockOffset(59.0, "given"), None),
        (ClockOffset(60.0, "given"), "about 1 min behind the outside one's, which was given"),
        (ClockOffset(-60.0, "given"), "about 1 min ahead of the outside one's, which was given"),
        (
            ClockOffset(5400.0, "estimated"),
            "about 90 min behind the outside one's, which is estimated from their quick changes",
        ),
    ],
)
def test_a_clock_is_called_wrong_from_a_minute(offset: ClockOffset, words: str | None) -> None:
    pair = record(*np.array(wave(30)) + 1.0), record(*wave(30))

    flag = flags_for(*pair, offset=offset).get("clock_offset")

    if words is None:
        assert flag is None
    else:
        assert flag is not None
        assert words in str(flag.words)
        assert flag.params == {"offset_s": offset.offset_s, "method": offset.method}
        assert not flag.doubts


def test_steps_below_a_minute_are_told_in_seconds() -> None:
    inside = record(*np.array(wave(1000)) + 1.0, step_s=40)
    outside = record(*wave(660), step_s=60)

    words = str(flags_for(inside, outside)["different_steps"].words)

    assert "every 40 s inside and every 1 min outside" in words


def test_humidity_of_one_side_and_a_sun_that_does_not_set_are_told_without_doubting() -> None:
    at, temps = record(*wave(30)).at_s, np.array(wave(30))
    humid = Series(at, temps + 1.0, np.full(30, 80.0))
    dry = Series(at, temps)

    one_side = flags_for(humid, dry)
    other_side = flags_for(dry, humid, nights_known=nights(count=1, is_polar=True))
    mixed = flags_for(
        dry, dry, nights_known=[*nights(count=1), *nights(count=2, is_polar=True)[1:]]
    )

    assert not one_side["humidity_one_sided"].doubts
    assert not other_side["humidity_one_sided"].doubts
    assert one_side["humidity_one_sided"].params == {}
    assert "no_sunset" not in one_side
    assert not other_side["no_sunset"].doubts
    assert "no_sunset" in mixed
    assert "humidity_one_sided" not in mixed
