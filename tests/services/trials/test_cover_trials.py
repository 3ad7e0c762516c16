"""Trials kept, learnt from, and used by tonight's plan."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import func, select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound
from gardenapp.extensions import db
from gardenapp.models.covers import CoverKind
from gardenapp.models.people import Member
from gardenapp.models.trials import Trial, TrialNight
from gardenapp.readers.logger import LoggerOptions
from gardenapp.science.estimate import Estimate
from gardenapp.services.night import forecasts, plan_night, tonight
from gardenapp.services.trials import cover_trials
from tests.factories import Factory
from tests.logger_files import trial_files

EVENING = date(2026, 11, 24)


@pytest.fixture
def member(make: Factory) -> Member:
    return make.member("Ines")


@pytest.fixture
def kind(make: Factory) -> CoverKind:
    return make.cover_kind("Big crate", clear_mean_k=2.0, clear_sd_k=0.8, day_gain_k=6.0)


def keep(
    kind: CoverKind,
    member: Member,
    now: datetime,
    *,
    files: tuple[bytes, bytes] | None = None,
    key: str = "",
    **entry: object,
) -> int:
    inside, outside = files or trial_files()
    values: dict[str, object] = {
        "kind_id": kind.id,
        "cover_id": None,
        "place": "",
        "is_sealed": True,
        "sky": "clear",
        "note": "",
        "heat_max_c": None,
    }
    return cover_trials.keep_trial(
        entry=cover_trials.TrialEntry(**values | entry),  # type: ignore[arg-type]
        inside=cover_trials.LoggerFile("in.csv", inside, LoggerOptions()),
        outside=cover_trials.LoggerFile("out.csv", outside, LoggerOptions()),
        form_key=key,
        member=member,
        now=now,
    )


def rows() -> tuple[int, int]:
    return (
        db.session.scalar(select(func.count()).select_from(Trial)) or 0,
        db.session.scalar(select(func.count()).select_from(TrialNight)) or 0,
    )


def test_a_clear_trial_moves_the_clear_lift_towards_what_was_measured(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    keep(kind, member, make.now)

    prior, story = cover_trials.believed_lifts()[kind.id]

    assert 2.5 < prior.clear.mean < 4.5
    assert prior.clear.sd < 0.8
    assert (story.trials, len(story.nights), story.clear.nights) == (1, 4, 4)
    assert story.cloudy.nights == 0
    assert prior.cloudy.mean == pytest.approx(kind.cloudy_mean_k)
    assert [round(night.lift_k, 1) for night in story.nights] == [4.5] * 4


def test_nights_of_unknown_sky_are_judged_by_how_far_the_air_fell(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    keep(kind, member, make.now, sky="unknown")

    shares = set(db.session.scalars(select(TrialNight.clear_share)))

    assert shares <= {0.0, 0.5, 1.0}
    assert cover_trials.believed_lifts()[kind.id][1].nights


def test_a_kind_without_a_trial_is_not_among_the_believed(make: Factory, kind: CoverKind) -> None:
    make.garden()

    assert cover_trials.believed_lifts() == {}
    assert cover_trials.kind_story(kind_id=kind.id).lift is None


def test_a_trial_left_out_teaches_nothing_and_comes_back(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    trial_id = keep(kind, member, make.now)

    cover_trials.use_trial(trial_id=trial_id, is_used=False, member=member, now=make.now)
    without = cover_trials.believed_lifts()
    cover_trials.use_trial(trial_id=trial_id, is_used=True, member=member, now=make.now)

    assert without == {}
    assert kind.id in cover_trials.believed_lifts()
    assert rows() == (1, 4)


def test_somebody_elses_trial_cannot_be_left_out(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    trial_id = keep(kind, member, make.now)
    other = make.member("Wes")

    with pytest.raises(NotAllowed):
        cover_trials.use_trial(trial_id=trial_id, is_used=False, member=other, now=make.now)

    cover_trials.use_trial(
        trial_id=trial_id, is_used=False, member=make.coordinator(), now=make.now
    )


def test_swapped_files_are_kept_as_doubted_and_not_learnt_from(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    inside, outside = trial_files()

    trial_id = keep(kind, member, make.now, files=(outside, inside))

    page = cover_trials.get_trial(trial_id=trial_id, member=member)
    assert page.line.status == "doubted"
    assert "swapped" in {flag["code"] for flag in page.result["flags"]}
    assert cover_trials.believed_lifts() == {}


def test_a_trial_with_the_rim_open_does_not_teach_a_kind_that_is_closed(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    keep(kind, member, make.now, is_sealed=False)

    assert cover_trials.believed_lifts() == {}
    assert [line.counts for line in cover_trials.list_trials()] == [False]


def test_an_unreadable_file_names_its_line_and_leaves_nothing(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    broken = trial_files()[0] + b"\n2026-11-25 12:00:00,warm,90"

    with pytest.raises(cover_trials.UnreadableTrial) as refusal:
        keep(kind, member, make.now, files=(broken, b"no table at all"))

    assert set(refusal.value.faults) == {"inside", "outside"}
    assert refusal.value.faults["inside"][0].line == broken.count(b"\n") + 1
    assert rows() == (0, 0)


def test_files_of_different_weeks_are_refused_in_words(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    inside, _ = trial_files()
    _, later = trial_files(begin=datetime(2026, 12, 20, 12, tzinfo=UTC))

    with pytest.raises(cover_trials.UnreadableTrial, match="overlap"):
        keep(kind, member, make.now, files=(inside, later))

    assert rows() == (0, 0)


def test_the_same_form_twice_is_one_trial(make: Factory, kind: CoverKind, member: Member) -> None:
    first = keep(kind, member, make.now, key="a" * 32)
    second = keep(kind, member, make.now, key="a" * 32)

    assert first == second
    assert rows() == (1, 4)


def test_a_cover_of_another_kind_is_refused(make: Factory, kind: CoverKind, member: Member) -> None:
    with pytest.raises(FieldRefused, match="not of the kind"):
        keep(kind, member, make.now, cover_id=make.cover().id)


def test_a_kind_that_is_not_there_is_not_found(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    with pytest.raises(NotFound):
        keep(kind, member, make.now, kind_id=999)


def test_the_cleaned_readings_come_back_as_they_were_measured(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    trial_id = keep(kind, member, make.now)

    name, lines = cover_trials.cleaned_csv(trial_id=trial_id)
    table = "".join(lines).splitlines()

    assert name == f"trial-{trial_id}.csv"
    assert len(table) == 4 * 144 + 2
    assert table[0].startswith("time_utc,inside_c,outside_c,difference_k")
    assert table[1] == "2026-11-20T12:00:00Z,18.55,9.55,9.00,92.0,80.5"
    assert not any(cell[:1] in "=+@\t" for line in table for cell in line.split(",") if cell)


def test_readings_of_every_second_are_kept_one_a_minute(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    trial_id = keep(kind, member, make.now, files=trial_files(days=0.5, step_min=1 / 60))

    _, lines = cover_trials.cleaned_csv(trial_id=trial_id)

    assert len("".join(lines).splitlines()) == 12 * 60 + 2


def test_day_gains_are_brought_to_full_sun_and_learnt(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    keep(kind, member, make.now)

    gain = cover_trials.believed_gains()[kind.id]

    assert gain.prior.mean == 6.0
    assert gain.estimate.mean > 7.0
    assert gain.nights >= 2


def plan(now: datetime) -> tonight.TonightPage:
    plan_night.plan_night(night_of=EVENING, member_id=None, now=now)
    return tonight.tonight_page(now=now)


def test_tonights_plan_reckons_with_the_trial_and_says_so(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    make.planting(name="beans")
    make.cover(kind)
    forecasts.enter_by_hand(
        night_of=EVENING, low_c=-2.0, cloud_fraction=0.0, wind_mps=0.5, member_id=None, now=make.now
    )
    before = plan(make.now)
    keep(kind, member, make.now)

    after = plan(make.now + timedelta(minutes=2))

    old, new = (page.rows[0].given[0] for page in (before, after))
    assert new.lift.mean > old.lift.mean + 0.3
    assert new.share < old.share
    assert before.header is not None
    assert after.header is not None
    assert before.header.lifts == {}
    (story,) = after.header.lift_stories(new.treatment)
    assert story.clear.prior == Estimate(2.0, 0.8)
    assert story.clear.result.mean > 2.3
    assert (story.trials, story.nights) == (1, 4)


def test_a_measured_day_gain_brings_the_lifting_time_forward(
    make: Factory, kind: CoverKind, member: Member
) -> None:
    make.planting(stage=make.stage("salad", heat_max_c=18.0))
    make.cover(kind)
    forecasts.enter_by_hand(night_of=EVENING, low_c=-2.0, member_id=None, now=make.now)
    kind.day_gain_k = 14.0
    db.session.commit()
    before = plan(make.now)
    keep(kind, member, make.now, files=trial_files(gain_k=26.0))

    after = plan(make.now + timedelta(minutes=2))

    assert after.jobs[0].lift_by_at is not None
    assert before.jobs[0].lift_by_at is None or after.jobs[0].lift_by_at < before.jobs[0].lift_by_at
