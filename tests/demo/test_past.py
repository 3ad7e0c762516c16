"""The demo has lived: every page that tells of the past has something to tell."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from statistics import fmean

import pytest
from argon2 import PasswordHasher
from flask import Flask
from sqlalchemy import func, select

import seed_demo
from gardenapp import create_app
from gardenapp.demo.past import TRIALS, is_whole
from gardenapp.demo.weather import cold_evenings, moved, recent_evenings, record
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.nights import Claim, CoverUse, ObservedLow, Plan
from gardenapp.models.people import Member
from gardenapp.models.store import LedgerEntry
from gardenapp.models.trials import Outcome, Trial
from gardenapp.services.garden import passwords
from gardenapp.services.garden.first_run import next_step
from gardenapp.services.night import learning, outcomes
from gardenapp.services.season.outlook import get_season
from gardenapp.services.store import ledger
from gardenapp.services.trials.cover_trials import list_trials
from tests.conftest import NOW, make_settings

TODAY = NOW.date()


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    patch = pytest.MonkeyPatch()
    patch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=64))
    app = create_app(
        make_settings(tmp_path_factory.mktemp("lived")), overrides={"CLOCK": lambda: NOW}
    )
    with app.app_context():
        seed_demo.seed(low_c=-2.0, now=NOW)
        yield app
        db.session.remove()
        db.engine.dispose()
    patch.undo()


def count(model: type, *where: object) -> int:
    return db.session.scalar(select(func.count()).select_from(model).where(*where)) or 0  # type: ignore[arg-type]


@pytest.mark.usefixtures("demo")
def test_two_winters_of_cold_nights_lie_behind_it() -> None:
    nights = db.session.scalars(select(ObservedLow.night_of).distinct()).all()
    assert len(nights) >= 60
    assert min(nights).year == TODAY.year - 2
    assert count(Plan) >= 12
    assert count(Outcome) > 40
    assert count(Claim) >= 50
    planned = {day.month for day in db.session.scalars(select(Plan.night_of))}
    assert planned <= {9, 10, 11, 12, 1}  # what grows now grew then as well
    assert is_whole()
    assert {row.damage for row in db.session.scalars(select(Outcome))} >= {"none", "some"}
    by_member = db.session.execute(
        select(Claim.member_id, func.count()).group_by(Claim.member_id)
    ).all()
    assert len(by_member) >= 6
    assert len({number for _member, number in by_member}) > 2  # their nights differ


@pytest.mark.usefixtures("demo")
def test_the_garden_has_learnt_from_them_and_nothing_is_laughable() -> None:
    belief = learning.site_belief(before=TODAY)
    assert belief.nights >= 50
    learnt = [offset for offset in belief.offsets.values() if offset.nights]
    assert len(learnt) >= 5
    assert all(-4.0 < offset.estimate.mean < 4.0 for offset in learnt)
    page = outcomes.calibration(now=NOW)
    assert page.score is not None
    assert 0.0 < page.score < 0.4


@pytest.mark.usefixtures("demo")
def test_trials_taught_plausible_lifts() -> None:
    trials = list_trials()
    assert len(trials) == len(TRIALS)
    assert count(Trial, Trial.status == "kept") == 3
    for trial in db.session.scalars(select(Trial)):
        lifts = [night.lift_k for night in trial.nights]
        assert len(lifts) >= 3
        assert all(-1.0 < lift < 4.0 for lift in lifts)  # common practice, no source
    means = sorted(
        fmean(night.lift_k for night in row.nights) for row in db.session.scalars(select(Trial))
    )
    invented = sorted(trial.lift_k for trial in TRIALS)
    assert means == pytest.approx(invented, abs=0.5)


@pytest.mark.usefixtures("demo")
def test_things_have_been_used_mended_lent_and_have_left() -> None:
    found = set(db.session.scalars(select(LedgerEntry.action).distinct()))
    assert {"deployed", "brought back", "damaged", "mended", "lent", "returned", "retired"} <= found
    assert ledger.differences() == []
    most = db.session.scalar(
        select(func.count()).select_from(CoverUse).group_by(CoverUse.cover_id)
        .order_by(func.count().desc()).limit(1)
    )  # fmt: skip
    assert 2 <= (most or 0) <= 30  # of some twenty nights out
    assert count(Cover, Cover.cost_hundredths > 0) > 30


@pytest.mark.usefixtures("demo")
def test_the_season_has_ten_winters_and_no_step_of_the_first_run_is_open() -> None:
    season = get_season(threshold_c=0.0, now=NOW)
    assert season is not None
    assert next_step(now=NOW) is None
    assert count(Member, Member.language == "es") == 2


def test_the_record_is_real_and_only_its_years_are_moved() -> None:
    days = record()
    assert len(days) > 3_600
    assert {day.on.year for day in days} == set(range(2008, 2019))
    last = moved(TODAY)[-1]
    assert date(TODAY.year, 4, 30) <= last.on < TODAY
    assert all(day.on <= TODAY for day in moved(TODAY))


@pytest.mark.outside("Deutscher Wetterdienst, open data: station 282, daily minima")
def test_its_cold_nights_are_those_of_the_station() -> None:
    by_day = {(day.on.month, day.on.day): day for day in record() if day.on.year in (2016, 2017)}
    nights = cold_evenings(TODAY, winters=2, each=30, below_c=1.0)
    assert len(nights) == 60
    assert all(night.low_c <= 1.0 for night in nights)
    assert {n.on.month for n in nights} <= {10, 11, 12, 1, 2, 3, 4}
    assert len(by_day) >= 365


@pytest.mark.parametrize(
    "today", [date(2026, 7, 1), date(2028, 2, 29), date(2026, 1, 1), date(2031, 4, 30)]
)
def test_any_day_has_two_winters_behind_it(today: date) -> None:
    nights = cold_evenings(today, winters=2, each=30, below_c=1.0)
    assert len(nights) == 60
    assert max(night.on for night in nights) < today
    for night in recent_evenings(today, most=4, below_c=1.0):
        assert 2 <= (today - night.on).days <= 40
