"""Replays read a record, are run one at a time and kept."""

from __future__ import annotations

import contextlib
import json
import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner, Result
from flask import Flask
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from gardenapp.cli import main
from gardenapp.errors import NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.messages import say
from gardenapp.models.forecasts import Forecast
from gardenapp.models.nights import ObservedLow
from gardenapp.models.people import LogEntry
from gardenapp.models.replays import ReplayRun
from gardenapp.readers.records import UnreadableFile
from gardenapp.science.season.replay import PLAN, Progress
from gardenapp.services.night import forecasts, learning
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.season import replay
from gardenapp.services.season.replay import ReplayAsked
from gardenapp.services.season.replay_gardens import current_garden
from gardenapp.words import speaking, told
from tests.conftest import NOW
from tests.factories import Factory

EVENING = date(2026, 11, 24)
UTC = ZoneInfo("UTC")


def record_csv(nights: int = 40, *, mean_c: float = -1.0) -> bytes:
    """An invented winter."""
    rng = random.Random(11)
    low_c, lines = mean_c, ["DATE,TMAX,TMIN"]
    for number in range(nights):
        low_c = mean_c + 0.5 * (low_c - mean_c) + rng.gauss(0.0, 2.0)
        day = date(2025, 1, 1) + timedelta(days=number)
        lines.append(f"{day.isoformat()},{low_c + 6:.1f},{low_c:.1f}")
    return "\n".join(lines).encode()


ASKED = ReplayAsked(unit="C", covers="all", garden="current", time_limit_s=0.3)


# --- records ----------------------------------------------------------------------------------


def test_only_the_months_asked_for_are_replayed() -> None:
    data = record_csv(120)

    march = replay.read_record(
        data=data, time_zone=UTC, asked=replace(ASKED, months=frozenset({3}))
    )

    assert {night.night_of.month for night in march.nights} == {3}
    with pytest.raises(OutOfRange, match="no night in the months"):
        replay.read_record(data=data, time_zone=UTC, asked=replace(ASKED, months=frozenset({8})))


def test_a_result_is_plain_values_that_json_holds(planted: Factory) -> None:
    record = replay.read_record(data=record_csv(), time_zone=UTC, asked=ASKED)
    garden = current_garden(before=EVENING)
    covers, steps = replay.prepare_replay(record=record, garden=garden, asked=ASKED)
    *_, last = steps
    assert last.result is not None

    outcome = replay.result_as_dict(last.result, covers=covers, record=record, asked=ASKED)

    assert json.loads(json.dumps(outcome, allow_nan=False)) == outcome
    by_name = {policy["name"]: policy for policy in outcome["policies"]}
    assert by_name[PLAN]["loss"] == pytest.approx(last.result.total(PLAN).loss, abs=1e-3)
    assert by_name["nothing covered"]["avoided"] == 0.0
    assert sum(row["cases"] for row in outcome["damage"]["rows"]) == outcome["damage"]["cases"]
    assert outcome["worst"] == sorted(outcome["worst"], key=lambda line: line["night_of"])


# --- runs -------------------------------------------------------------------------------------


def start(app: Flask, **changes: object) -> int:
    values: dict[str, object] = {
        "data": record_csv(),
        "filename": "winter.csv",
        "asked": ASKED,
        "member_id": None,
        "now": NOW,
        "context": app.app_context,
        "clock": lambda: NOW,
    }
    return replay.start_run(**values | changes)  # type: ignore[arg-type]


def test_a_run_goes_to_its_end_in_the_background(app: Flask, planted: Factory) -> None:
    run_id = start(app)

    assert replay.wait_for(run_id, seconds=60)
    db.session.rollback()
    run = replay.get_run(run_id, now=NOW)
    assert (run.status, run.nights_done, run.nights_total) == ("done", 40, 40)
    assert run.result is not None and len(run.result["policies"]) == 6
    assert [r.id for r in replay.list_runs(now=NOW)] == [run_id]
    actions = set(db.session.scalars(select(LogEntry.action)))
    assert "replay started" in actions


@pytest.fixture
def endless(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Replays that go on until they are asked to stop."""
    import threading

    halt = threading.Event()

    def forever(
        *, record: object, garden: object, asked: object
    ) -> tuple[None, Iterator[Progress]]:
        def steps() -> Iterator[Progress]:
            for number in range(1, 10_000):
                if halt.wait(0.02):
                    return
                yield Progress(number, 10_000, EVENING)

        return None, steps()

    monkeypatch.setattr(replay, "prepare_replay", forever)
    monkeypatch.setattr(replay, "TELL_EVERY_S", 0.0)
    yield
    halt.set()
    for run_id in list(replay._threads):
        replay.wait_for(run_id, seconds=10)


def test_one_run_at_a_time_and_it_can_be_stopped(
    app: Flask, planted: Factory, endless: None
) -> None:
    member = planted.coordinator("Rafi")
    run_id = start(app)

    with pytest.raises(Refused, match="already running"):
        start(app)
    replay.stop_run(run_id=run_id, member_id=member.id, now=NOW)

    assert replay.wait_for(run_id, seconds=20)
    db.session.rollback()
    run = replay.get_run(run_id, now=NOW)
    assert (run.status, run.result) == ("stopped", None)
    with pytest.raises(Refused, match="already ended"):
        replay.stop_run(run_id=run_id, member_id=member.id, now=NOW)


def test_the_database_itself_lets_no_second_run_go_on(make: Factory) -> None:
    values = {
        "started_at": NOW,
        "record": "a.csv",
        "garden": "current",
        "covers": "all",
        "seed": 1,
        "nights_total": 9,
        "heard_at": NOW,
        "finished_at": None,
        "started_by_id": None,
        "result": None,
    }
    db.session.add(ReplayRun(**values))
    db.session.commit()
    db.session.add(ReplayRun(**values))

    with pytest.raises(IntegrityError):
        db.session.commit()
    db.session.rollback()


def test_a_run_that_fell_silent_was_cut_off_by_a_restart(app: Flask, planted: Factory) -> None:
    db.session.add(
        ReplayRun(
            started_at=NOW,
            record="a.csv",
            garden="current",
            covers="all",
            seed=1,
            nights_done=3,
            nights_total=9,
            heard_at=NOW,
            finished_at=None,
            started_by_id=None,
            result=None,
        )
    )
    db.session.commit()

    soon = replay.list_runs(now=NOW + timedelta(minutes=1))[0]
    later = replay.list_runs(now=NOW + timedelta(minutes=3))[0]

    assert (soon.status, later.status) == ("running", "interrupted")
    run_id = start(app, now=NOW + timedelta(minutes=3))  # a new one may begin
    assert replay.wait_for(run_id, seconds=60)


def test_a_run_that_fails_says_so_and_lets_the_next_begin(
    app: Flask, planted: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(**_kwargs: object) -> None:
        raise OutOfRange("the words of the reason")

    monkeypatch.setattr(replay, "prepare_replay", broken)
    run_id = start(app)

    assert replay.wait_for(run_id, seconds=20)
    db.session.rollback()
    run = replay.get_run(run_id, now=NOW)
    assert (run.status, run.message) == ("failed", "the words of the reason")


def test_why_a_run_failed_is_kept_to_be_told_in_any_language(
    app: Flask, planted: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    reason = say("every night of the record is alike: there are no errors to draw from")

    def broken(**_kwargs: object) -> None:
        raise OutOfRange(reason)

    monkeypatch.setattr(replay, "prepare_replay", broken)
    run_id = start(app)

    assert replay.wait_for(run_id, seconds=20)
    db.session.rollback()
    run = replay.get_run(run_id, now=NOW)
    assert (run.message, run.result) == (reason, None)
    with speaking("es"):
        assert told(run.message).startswith("todas las noches pasadas son iguales")


def test_the_words_of_a_run_that_failed_before_messages_were_kept_are_shown(
    planted: Factory,
) -> None:
    db.session.add(
        ReplayRun(
            started_at=NOW,
            record="old.csv",
            garden="current",
            covers="all",
            seed=1,
            status="failed",
            nights_total=9,
            heard_at=NOW,
            finished_at=NOW,
            started_by_id=None,
            message="the garden has no plantings to replay",
            result=None,
        )
    )
    db.session.commit()

    assert replay.list_runs(now=NOW)[0].message == "the garden has no plantings to replay"


def test_nothing_begins_with_a_file_or_covers_that_mean_nothing(
    app: Flask, planted: Factory
) -> None:
    with pytest.raises(UnreadableFile):
        start(app, data=b"no table")
    with pytest.raises(OutOfRange, match="20 nights"):
        start(app, data=record_csv(10))
    with pytest.raises(Refused):
        start(app, asked=replace(ASKED, covers="lots"))

    assert replay.list_runs(now=NOW) == []
    with pytest.raises(NotFound):
        replay.get_run(1, now=NOW)


# --- the garden's own nights ------------------------------------------------------------------


def test_the_odds_of_the_gardens_own_lows_are_scored(planted: Factory) -> None:
    keeper = planted.coordinator("Keeper")
    for days, (said_c, came_c) in enumerate([(-1.0, -2.5), (1.0, 0.5), (0.0, 1.0)]):
        evening = EVENING + timedelta(days=days)
        at = NOW + timedelta(days=days)
        forecasts.enter_by_hand(night_of=evening, low_c=said_c, member_id=None, now=at)
        plan_night(night_of=evening, member_id=None, now=at)
        for plot_id in (None, 1):
            learning.record_low(
                night_of=evening, plot_id=plot_id, low_c=came_c, member=keeper, now=at
            )

    scores = replay.calibration_on_record(before=EVENING + timedelta(days=9))
    none_yet = replay.calibration_on_record(before=EVENING)

    assert scores["nights"] == 3
    assert 12 <= scores["cases"] <= 24
    assert 0.0 < scores["brier"] < 0.35
    assert (none_yet["nights"], none_yet["cases"], none_yet["rows"]) == (0, 0, [])


def test_a_plan_made_after_midnight_is_no_forecast(planted: Factory) -> None:
    keeper = planted.coordinator("Keeper")
    forecasts.enter_by_hand(night_of=EVENING, low_c=0.0, member_id=None, now=NOW)
    plan_night(night_of=EVENING, member_id=None, now=NOW + timedelta(hours=15))
    learning.record_low(
        night_of=EVENING, plot_id=None, low_c=0.0, member=keeper, now=NOW + timedelta(hours=16)
    )

    assert db.session.scalar(select(ObservedLow.id)) and db.session.scalar(select(Forecast.id))
    assert replay.calibration_on_record(before=EVENING + timedelta(days=9))["nights"] == 0


# --- the command line -------------------------------------------------------------------------


def invoke(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *args: str) -> Result:
    monkeypatch.setenv("GARDEN_INSTANCE", str(tmp_path / "empty"))
    monkeypatch.delenv("DATABASE_URL", raising=False)
    with contextlib.chdir(tmp_path):
        return CliRunner().invoke(main, ["replay", *args])


def test_the_command_replays_an_invented_garden_without_a_database(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "winter.csv").write_bytes(record_csv(24, mean_c=9.0))
    args = ("winter.csv", "--unit", "C", "--covers", "0.5", "--seconds", "0.3")

    once = invoke(tmp_path, monkeypatch, *args, "--json")
    words = invoke(tmp_path, monkeypatch, *args, "--garden", "demo")

    assert once.exit_code == 0, once.output
    outcome = json.loads(once.stdout)
    assert outcome["covers"]["words"].startswith("0.5 times")
    assert words.exit_code == 0, words.output
    assert "perfect foresight" in words.stdout and "Brier score" in words.stdout


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--unit", "C", "--covers", "lots"), "“all”, “half”"),
        (("--covers", "half"), "°C, °F or tenths"),
        (("--unit", "C", "--covers", "none.csv"), "no file none.csv"),
        (("--unit", "C", "--months", "13"), "from 1 to 12"),
        (("--unit", "C", "--garden", "current"), "db upgrade"),
    ],
    ids=["covers", "unit", "no covers file", "months", "no database"],
)
def test_the_command_refuses_in_words_with_exit_code_2(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, args: tuple[str, ...], words: str
) -> None:
    (tmp_path / "winter.csv").write_bytes(record_csv(24))

    result = invoke(tmp_path, monkeypatch, "winter.csv", *args)

    assert result.exit_code == 2
    assert words in result.output
