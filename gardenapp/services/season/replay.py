"""Replaying a past record: reading it, running it, keeping what came out.

On the command line a replay runs where it is asked for. On the pages it runs in a thread of the
server, one at a time, which writes down how far it is; a restart of the server ends it, and the
next look at it says so.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload

from gardenapp.errors import GardenError, NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.messages import Words, from_json, say, to_json
from gardenapp.models.nights import ObservedLow, Plan
from gardenapp.models.replays import DONE, FAILED, INTERRUPTED, RUNNING, STOPPED, ReplayRun
from gardenapp.readers.climate import ClimateReading, Unit, read_climate
from gardenapp.science.allocation.weights import SAFE_BELOW
from gardenapp.science.covers.lift import TOUCHING_UNDER_SHEET
from gardenapp.science.learning import brier_score, reliability_table
from gardenapp.science.season.replay import (
    BARE,
    LEAST_ODDS,
    MARKS_C,
    PLAN,
    NightLine,
    Odds,
    Progress,
    ReplayResult,
    ReplaySettings,
    replay,
)
from gardenapp.science.season.replay_forecasts import ReplayNight, error_pool
from gardenapp.science.season.replay_garden import ReplayGarden
from gardenapp.services import change_log
from gardenapp.services.clockwork import garden_zone, night_at
from gardenapp.services.garden.weather import days_of_record
from gardenapp.services.kept_plans import header_of, offsets_said
from gardenapp.services.season.replay_gardens import (
    Covers,
    check_covers,
    current_garden,
    invented_garden,
    with_covers,
)
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

BANDS = 10
ENOUGH_CASES = 200  # with fewer in a band its observed share says little
HONEST_WITHIN = 0.05
SOLVE_SECONDS = 2.0
KEPT_RUNS = 20
_FAILURE = "failure"  # where a run that failed keeps why, in place of a result
MOST_NIGHTS_TOLD = 12
# Runs that are no replays and use the same machinery: their `garden` says which.
BUILD_NEXT = "build next"
OTHER_KINDS = (BUILD_NEXT,)
TELL_EVERY_S = 1.0
# A run that has said nothing for so long, and is not in this process, was cut off.
SILENT_FOR = timedelta(minutes=2)

GardenChoice = Literal["current", "invented"]
logger = logging.getLogger("gardenapp.replay")


@dataclass(frozen=True)
class ReplayAsked:
    """What somebody asked to have replayed.

    `months` are those whose nights count, 1 to 12; empty: all. `unit` and `station` are answers
    the file may need. `covers` is as `replay_gardens.with_covers` takes it.
    """

    garden: GardenChoice = "invented"
    covers: str = "half"
    seed: int = 1
    unit: Unit | None = None
    station: str | None = None
    daily_low_belongs_to: Literal["morning", "evening"] = "morning"
    months: frozenset[int] = field(default_factory=frozenset)
    time_limit_s: float = SOLVE_SECONDS


@dataclass(frozen=True)
class Record:
    """The nights of a file, ready to be replayed."""

    reading: ClimateReading
    nights: tuple[ReplayNight, ...]


@dataclass(frozen=True)
class RunView:
    """A run as a page shows it."""

    id: int
    started_at: datetime
    started_by: str
    record: str
    station: str
    garden: str
    covers: str
    seed: int
    status: str
    nights_done: int
    nights_total: int
    finished_at: datetime | None
    wants_stop: bool
    message: Words
    result: dict[str, Any] | None


# --- reading and running ----------------------------------------------------------------------


def read_record(*, data: bytes, time_zone: ZoneInfo, asked: ReplayAsked) -> Record:
    """The nights of a file in the months asked for.

    Raises UnreadableFile for the file, OutOfRange where too few nights are left to learn the
    size of errors from.
    """
    reading = read_climate(
        data,
        time_zone=time_zone,
        unit=asked.unit,
        station=asked.station,
        daily_low_belongs_to=asked.daily_low_belongs_to,
    )
    means = {on: day.mean_c for on, day in days_of_record(reading, time_zone).items()}
    nights = tuple(
        ReplayNight(
            night_of=night.night_of,
            low_c=night.low_c,
            measured_on=night.measured_on,
            evening_c=night.evening_c,
            dew_point_c=night.dew_point_c,
            cloud_fraction=night.cloud_fraction,
            wind_mps=night.wind_mps,
            gust_mps=night.gust_mps,
            day_mean_c=means.get(night.night_of),
        )
        for night in reading.nights
        if not asked.months or night.night_of.month in asked.months
    )
    if not nights:
        raise OutOfRange(_("The file holds no night in the months chosen."))
    error_pool(nights)  # so that a record too short is refused now and not in the background
    return Record(reading, nights)


def choose_garden(choice: GardenChoice, *, before: date) -> ReplayGarden:
    """The garden to replay through. Raises NotFound or Refused as `current_garden` does."""
    return current_garden(before=before) if choice == "current" else invented_garden()


def settings_of(asked: ReplayAsked) -> ReplaySettings:
    """The planner's own limits, with what was asked."""
    return ReplaySettings(
        seed=asked.seed,
        time_limit_s=asked.time_limit_s,
        safe_below=SAFE_BELOW,
        touching_fraction=TOUCHING_UNDER_SHEET,
    )


def prepare_replay(
    *, record: Record, garden: ReplayGarden, asked: ReplayAsked
) -> tuple[Covers, Iterator[Progress]]:
    """The covers in numbers, and the replay waiting to be run.

    Raises Refused for covers that mean nothing.
    """
    settings = settings_of(asked)
    covers = with_covers(garden, asked.covers, nights=record.nights, settings=settings)
    return covers, replay(covers.garden, record.nights, settings)


# --- what came out, as plain values -----------------------------------------------------------


def result_as_dict(
    result: ReplayResult, *, covers: Covers, record: Record, asked: ReplayAsked
) -> dict[str, Any]:
    """Everything a page or a script needs, in plain values that JSON holds.

    Notes are messages as `messages.to_json` keeps them; `messages.english` says them for scripts.
    """
    seasons = seasons_in(record.nights)
    bare = result.total(BARE).loss
    return {
        "record": {
            "kind": record.reading.kind,
            "station": record.reading.station,
            "notes": [to_json(note) for note in record.reading.notes],
            "first_night": record.nights[0].night_of.isoformat(),
            "last_night": record.nights[-1].night_of.isoformat(),
            "nights": result.nights,
            "frosts": result.frosts,
            "risky_nights": result.risky_nights,
            "missed_nights": result.missed_nights,
            "years": seasons,
            "months": sorted(asked.months),
        },
        "covers": {
            "words": to_json(covers.words),
            "count": covers.count,
            "needed_factor": round(covers.needed_factor, 3),
            "kinds": [[pool.label, pool.count] for pool in covers.garden.pools],
        },
        "garden": {
            "plots": len(covers.garden.plots),
            "plantings": len(covers.garden.plantings),
            "plants": sum(p.need.count for p in covers.garden.plantings),
            "whole_worth": round(
                sum(p.need.count * p.need.worth for p in covers.garden.plantings), 3
            ),
        },
        "seed": asked.seed,
        "policies": [
            {
                "name": total.name,
                "loss": round(total.loss, 4),
                "loss_a_year": round(total.loss / seasons, 4),
                "plants_a_year": round(total.plants / seasons, 2),
                "avoided": round(bare - total.loss, 4),
                "hours_a_year": round(total.minutes / 60 / seasons, 2),
                "nights": total.nights,
            }
            for total in result.totals
        ],
        "best_rule": result.best_rule.name,
        "less_lost_than_best_rule": _rounded(result.less_lost_than_best_rule),
        "share_of_foresight": _rounded(result.share_of_foresight),
        "cut_nights": result.cut_nights,
        "forecasts": {
            "errors_from": result.errors_from,
            "hit_share": round(result.forecasts.hit_share, 4),
            "scale": round(result.forecasts.scale, 4),
            "share_of_news": round(result.forecasts.share_of_news, 4),
        },
        "damage": scores_as_dict(result.damage),
        "lows": scores_as_dict(result.lows),
        "worst": [
            {
                "night_of": line.night_of.isoformat(),
                "forecast_c": round(line.forecast_c, 2),
                "low_c": round(line.low_c, 2),
                "losses": {name: round(loss, 3) for name, loss in line.losses.items()},
            }
            for line in _telling_nights(result.lines)
        ],
    }


def _telling_nights(lines: Sequence[NightLine]) -> list[NightLine]:
    """The nights on which it mattered most what was covered, in order of date."""
    spread = sorted(lines, key=lambda line: line.losses[PLAN] - line.losses[BARE])
    told = [line for line in spread[:MOST_NIGHTS_TOLD] if line.losses[BARE] > line.losses[PLAN]]
    return sorted(told, key=lambda line: line.night_of)


def seasons_in(nights: Sequence[ReplayNight]) -> int:
    """How many years a record spans, to the nearest, at least one."""
    span = (nights[-1].night_of - nights[0].night_of).days + 1
    return max(1, round(span / 365.25))


def scores_as_dict(odds: Odds) -> dict[str, Any]:
    """Brier score, what always saying the usual share would score, and the table in tenths."""
    if not odds.said:
        return {"cases": 0, "brier": None, "brier_usual": None, "rows": [], "worst_band": None}
    usual = sum(odds.came) / len(odds.came)
    rows = [
        {
            "from": row.from_probability,
            "to": row.to_probability,
            "cases": row.count,
            "said": round(row.mean_probability, 4),
            "came": round(row.observed_fraction, 4),
            "is_enough": row.count >= ENOUGH_CASES,
            "is_honest": abs(row.observed_fraction - row.mean_probability) <= HONEST_WITHIN,
        }
        for row in reliability_table(odds.said, odds.came, bands=BANDS)
    ]
    off = [abs(row["came"] - row["said"]) for row in rows if row["is_enough"]]
    return {
        "cases": len(odds.said),
        "brier": round(brier_score(odds.said, odds.came), 4),
        "brier_usual": round(usual * (1.0 - usual), 4),
        "rows": rows,
        "worst_band": round(max(off), 4) if off else None,
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


# --- runs kept in the database ----------------------------------------------------------------

_threads: dict[int, threading.Thread] = {}


def start_run(
    *,
    data: bytes,
    filename: str,
    asked: ReplayAsked,
    member_id: int | None,
    now: datetime,
    context: Callable[[], AbstractContextManager[Any]],
    clock: Callable[[], datetime],
) -> int:
    """Read a record and begin replaying it in the background; gives the run's id.

    `context` opens what the thread needs to reach the database. The database's own rule lets one
    run at a time be going on, whoever asks first.

    Raises UnreadableFile and OutOfRange for the file, Refused for the covers, a garden with
    nothing in it, or where a run is going on.
    """
    check_covers(asked.covers)
    record = read_record(data=data, time_zone=garden_zone(), asked=asked)
    garden = choose_garden(asked.garden, before=night_at(now, garden_zone()))
    run = ReplayRun(
        started_at=now,
        started_by_id=member_id,
        record=filename[:200],
        station=record.reading.station[:200],
        garden=asked.garden,
        covers=asked.covers,
        seed=asked.seed,
        nights_total=len(record.nights),
        heard_at=now,
        result=None,
        finished_at=None,
    )

    def steps() -> Iterator[Step]:
        covers, found = prepare_replay(record=record, garden=garden, asked=asked)
        for step in found:
            outcome = None
            if step.result is not None:
                outcome = result_as_dict(step.result, covers=covers, record=record, asked=asked)
            yield Step(step.done, outcome)

    return begin_run(
        run=run,
        steps=steps,
        detail=f"{len(record.nights)} nights, covers {asked.covers[:80]}, seed {asked.seed}",
        context=context,
        clock=clock,
    )


@dataclass(frozen=True)
class Step:
    """How many nights are done; the last step carries the result."""

    done: int
    result: dict[str, Any] | None = None


def begin_run(
    *,
    run: ReplayRun,
    steps: Callable[[], Iterator[Step]],
    detail: str,
    context: Callable[[], AbstractContextManager[Any]],
    clock: Callable[[], datetime],
) -> int:
    """Write a run down and do it in the background, step by step; gives the run's id.

    Raises Refused where a run is going on: the database's own rule lets there be one.
    """
    mark_interrupted(now=run.started_at)
    try:
        with write_transaction(changes_board=False) as session:
            session.add(run)
            session.flush()
            run_id = run.id
            change_log.record(
                action="replay started",
                subject=run.record,
                detail=detail,
                at=run.started_at,
                member_id=run.started_by_id,
            )
    except IntegrityError as error:
        raise Refused(_("A replay is already running. Wait for it, or stop it.")) from error
    thread = threading.Thread(
        target=_work,
        args=(run_id, steps, context, clock),
        name=f"replay {run_id}",
        daemon=True,
    )
    _threads[run_id] = thread
    thread.start()
    return run_id


def _work(
    run_id: int,
    steps: Callable[[], Iterator[Step]],
    context: Callable[[], AbstractContextManager[Any]],
    clock: Callable[[], datetime],
) -> None:
    """The thread: go on, telling how far it is every second or so, and keep the result."""
    with context():
        try:
            told = time.monotonic()
            for step in steps():
                if step.result is not None:
                    _finish(run_id, DONE, clock(), done=step.done, result=step.result)
                elif time.monotonic() - told >= TELL_EVERY_S:
                    told = time.monotonic()
                    if not _tell(run_id, step.done, clock()):
                        _finish(run_id, STOPPED, clock(), done=step.done)
                        return
        except GardenError as error:
            _finish(run_id, FAILED, clock(), message=error.message)
        except Exception:
            logger.exception("replay %s failed", run_id)
            words = say("Something went wrong; the log says what.")
            _finish(run_id, FAILED, clock(), message=words)
        finally:
            db.session.remove()
            _threads.pop(run_id, None)


def _tell(run_id: int, done: int, now: datetime) -> bool:
    """Write down how far it is; False where somebody asked it to stop."""
    with write_transaction(changes_board=False) as session:
        session.execute(
            update(ReplayRun).where(ReplayRun.id == run_id).values(nights_done=done, heard_at=now),
            execution_options={"synchronize_session": False},
        )
        wants_stop = session.scalar(select(ReplayRun.wants_stop).where(ReplayRun.id == run_id))
    return wants_stop is False


def _finish(
    run_id: int,
    status: str,
    now: datetime,
    *,
    done: int | None = None,
    message: Words = "",
    result: dict[str, Any] | None = None,
) -> None:
    db.session.rollback()
    values: dict[str, Any] = {
        "status": status,
        "finished_at": now,
        "heard_at": now,
        "message": str(message)[:80],
        # The column of words is short, and holds what is looked for in the database itself.
        "result": {_FAILURE: to_json(message)} if status == FAILED else result,
    }
    if done is not None:
        values["nights_done"] = done
    with write_transaction(changes_board=False) as session:
        session.execute(
            update(ReplayRun)
            .where(ReplayRun.id == run_id, ReplayRun.status == RUNNING)
            .values(**values),
            execution_options={"synchronize_session": False},
        )
        old = list(
            session.scalars(select(ReplayRun.id).order_by(ReplayRun.id.desc()).offset(KEPT_RUNS))
        )
        for old_id in old:
            session.delete(session.get(ReplayRun, old_id))


def wait_for(run_id: int, *, seconds: float) -> bool:
    """Wait until a run of this process has ended; whether it has."""
    thread = _threads.get(run_id)
    if thread is not None:
        thread.join(seconds)
    return run_id not in _threads


def mark_interrupted(*, now: datetime) -> None:
    """Say of runs that fell silent outside this process that a restart cut them off."""
    silent = [
        run_id
        for run_id, heard_at in db.session.execute(
            select(ReplayRun.id, ReplayRun.heard_at).where(ReplayRun.status == RUNNING)
        )
        if run_id not in _threads and now - heard_at > SILENT_FOR
    ]
    if not silent:
        return
    with write_transaction(changes_board=False) as session:
        session.execute(
            update(ReplayRun)
            .where(ReplayRun.id.in_(silent), ReplayRun.status == RUNNING)
            .values(status=INTERRUPTED, finished_at=now),
            execution_options={"synchronize_session": False},
        )


def get_run(run_id: int, *, now: datetime, kind: str = "") -> RunView:
    """One run as it is; `kind` is its garden where it is not a replay. Raises NotFound."""
    mark_interrupted(now=now)
    run = db.session.get(
        ReplayRun, run_id, options=[joinedload(ReplayRun.started_by)], populate_existing=True
    )
    if run is None or (run.garden if run.garden in OTHER_KINDS else "") != kind:
        raise NotFound(_("We can’t find that replay."))
    return _view(run)


def list_runs(*, now: datetime, kind: str = "") -> list[RunView]:
    """The newest runs first: replays, or those of another kind."""
    mark_interrupted(now=now)
    wanted = ReplayRun.garden == kind if kind else ReplayRun.garden.not_in(OTHER_KINDS)
    return [
        _view(run)
        for run in db.session.scalars(
            select(ReplayRun)
            .where(wanted)
            .options(joinedload(ReplayRun.started_by))
            .order_by(ReplayRun.id.desc())
            .limit(KEPT_RUNS)
            .execution_options(populate_existing=True)
        )
    ]


def _view(run: ReplayRun) -> RunView:
    has_failed = run.status == FAILED
    return RunView(
        id=run.id,
        started_at=run.started_at,
        started_by=run.started_by.name if run.started_by else "",
        record=run.record,
        station=run.station,
        garden=run.garden,
        covers=run.covers,
        seed=run.seed,
        status=run.status,
        nights_done=run.nights_done,
        nights_total=run.nights_total,
        finished_at=run.finished_at,
        wants_stop=run.wants_stop,
        message=from_json(run.result[_FAILURE]) if has_failed and run.result else run.message,
        result=None if has_failed else run.result,
    )


def stop_run(*, run_id: int, member_id: int, now: datetime) -> None:
    """Ask a run to stop; it does so after the night it is at.

    Raises NotFound, and Refused where it has ended.
    """
    with write_transaction(changes_board=False) as session:
        run = session.get(ReplayRun, run_id)
        if run is None:
            raise NotFound(_("We can’t find that replay."))
        if run.status != RUNNING:
            raise Refused(_("That replay has already ended."))
        run.wants_stop = True
        change_log.record(action="replay stopped", subject=run.record, at=now, member_id=member_id)


# --- the garden's own nights ------------------------------------------------------------------


def calibration_on_record(*, before: date) -> dict[str, Any]:
    """Whether the lows the garden's plans gave odds of came as often as was said.

    Each low that was read, at the screen or at a plot, against the newest plan that was made
    before its midnight: the odds of 2, 0, −2 and −4 °C or less. The plain scores of
    `scores_as_dict`, with the number of nights.
    """
    zone = garden_zone()
    lows = list(
        db.session.scalars(
            select(ObservedLow).where(ObservedLow.night_of < before).order_by(ObservedLow.id)
        )
    )
    plans: dict[date, Plan] = {}
    for plan in db.session.scalars(
        select(Plan)
        .where(Plan.night_of.in_({low.night_of for low in lows}))
        .order_by(Plan.made_at, Plan.id)
    ):
        if plan.made_at.astimezone(zone).date() <= plan.night_of:
            plans[plan.night_of] = plan
    offsets = offsets_said(
        list(plans.values()), plot_ids={low.plot_id for low in lows if low.plot_id is not None}
    )
    said: list[float] = []
    came: list[bool] = []
    nights: set[date] = set()
    for low in lows:
        found = plans.get(low.night_of)
        if found is None:
            continue
        believed = header_of(found).low
        if low.plot_id is not None:
            offset = offsets.get((found.id, low.plot_id))
            if offset is None:
                continue
            believed = believed.plus(offset)
        nights.add(low.night_of)
        for mark_c in MARKS_C:
            probability = believed.chance_below(mark_c)
            if LEAST_ODDS <= probability <= 1.0 - LEAST_ODDS:
                said.append(probability)
                came.append(low.low_c <= mark_c)
    return {"nights": len(nights), **scores_as_dict(Odds(tuple(said), tuple(came)))}
