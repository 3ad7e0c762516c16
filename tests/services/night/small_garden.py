"""A small garden in which a cold night asks for everything a plan can say.

A stack, pots to carry in, a kind that a trial taught something of, a planting no cover fits, chill
and roots. Its numbers are fixed, so that a plan kept elsewhere belongs to it.
"""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import select, text

from gardenapp.extensions import Base, db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.nights import Job, JobPart, Plan, PlanRow
from gardenapp.models.people import Member
from gardenapp.models.trials import Trial, TrialNight
from tests.factories import Factory
from tests.services.night.planning import EVENING

SAMPLES = Path(__file__).parent / "samples"
LOW = {"low_c": -3.0, "cloud_fraction": 0.1, "wind_mps": 1.0, "gust_mps": 4.0}
BEANS, DAHLIA, LEMON, LEEKS, BASIL = 101, 102, 103, 104, 105


def small_garden(make: Factory) -> Member:
    """Make it and give its coordinator, who holds the first of its two plots."""
    make.garden(shelter_label="the porch", shelter_spaces=2)
    odile = make.coordinator("Odile", id=101)
    near = make.plot("A1", holders=(odile,), id=101, distance_m=30.0)
    far = make.plot("B2", id=102, offset_k=-1.0, offset_sd_k=0.5, offset_reason="a hollow")
    tender = make.stage("French bean", threshold_c=1.0, kind="kill", chilling_c=6.0)
    hardy = make.stage("leek", threshold_c=-9.0)
    potted = make.stage("lemon", threshold_c=-1.5, root_kill_c=-4.0, heat_max_c=30.0)
    make.planting(near, tender, id=BEANS, name="beans", mind="dearly")
    make.planting(far, tender, id=DAHLIA, name="tall dahlia", height_cm=180.0, count=1)
    make.planting(near, potted, id=LEMON, height_cm=90.0, in_pot=True, is_movable=True, count=2)
    make.planting(far, hardy, id=LEEKS, name="leeks", count=20, mind="little", worth_per="bed")
    make.planting(far, tender, id=BASIL, name="basil", count=9, mind="much")
    frame = make.cover_kind("Film frame", id=101, clear_mean_k=3.0, day_gain_k=9.0)
    fleece = make.cover_kind(
        "Loose fleece",
        id=102,
        construction="fleece",
        is_rigid=False,
        goes_under=True,
        may_touch=True,
        clear_mean_k=2.5,
        inner_height_cm=None,
        inner_length_cm=150.0,
        inner_width_cm=150.0,
        outer_length_cm=150.0,
        outer_width_cm=150.0,
    )
    shed = make.place("north shed")
    make.cover(frame, id=101, label="F1", place_id=shed.id)
    make.cover(frame, id=102, label="F2", place_id=shed.id, condition="worn")
    make.cover(fleece, id=103, label="L1", place_id=make.place("tea hut").id)
    _add_trial(frame.id, make.now)
    return odile


def _add_trial(kind_id: int, now: datetime) -> None:
    trial = Trial(
        id=101,
        class_id=kind_id,
        is_sealed=True,
        status="kept",
        entered_at=now,
        inside_name="inside.csv",
        outside_name="outside.csv",
        first_at=now - timedelta(days=9),
        last_at=now - timedelta(days=6),
        result={},
        data=b"",
    )
    db.session.add(trial)
    db.session.flush()
    for number, lift_k in enumerate((3.4, 3.9, 2.1)):
        db.session.add(
            TrialNight(
                trial_id=trial.id,
                night_of=EVENING - timedelta(days=9 - number),
                lift_k=lift_k,
                clear_share=1.0 if number < 2 else 0.0,
            )
        )
    db.session.commit()


def _count_on(*tables: type[Base]) -> None:
    """Let a server that counts rows itself go on after numbers that were given."""
    if db.engine.dialect.name == "postgresql":
        for table in tables:
            name = table.__tablename__
            newest = f'(SELECT max(id) FROM "{name}")'
            db.session.execute(
                text(f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), {newest})")
            )


def write_sample(name: str) -> None:
    """Keep the plan that is in the database in a file of the samples."""
    plan = db.session.scalars(select(Plan)).one()

    def columns(row: Any, *left_out: str) -> dict[str, Any]:
        found = {c.key: getattr(row, c.key) for c in row.__table__.columns if c.key not in left_out}
        return {k: v.isoformat() if isinstance(v, date) else v for k, v in found.items()}

    kept = {
        "plan": columns(plan, "forecast_id", "made_by_id"),
        "rows": [columns(row) for row in plan.rows],
        "jobs": [columns(job) for job in plan.jobs],
        "parts": [columns(part) for job in plan.jobs for part in job.parts],
    }
    (SAMPLES / name).write_text(json.dumps(kept, indent=1, ensure_ascii=False) + "\n", "utf-8")


def keep_sample(name: str, *, now: datetime) -> Plan:
    """Put a kept plan of a file into the small garden's database, as it was written."""
    kept = json.loads((SAMPLES / name).read_text("utf-8"))
    source = ForecastImport(came_by="hand", kind="by hand", name="", sha256="", entered_at=now)
    db.session.add(source)
    db.session.flush()
    forecast = Forecast(import_id=source.id, night_of=EVENING, hours=[], **LOW)
    db.session.add(forecast)
    db.session.flush()
    values = {**kept["plan"], "night_of": EVENING, "forecast_id": forecast.id}
    values["made_at"] = datetime.fromisoformat(values["made_at"])
    plan = Plan(**values)
    db.session.add(plan)
    db.session.flush()
    moments = ("by_at", "lift_by_at", "safe_from_at")
    for item in kept["jobs"]:
        times = {k: item[k] and datetime.fromisoformat(item[k]) for k in moments}
        db.session.add(Job(**{**item, **times}))
    db.session.flush()
    db.session.add_all([PlanRow(**item) for item in kept["rows"]])
    db.session.add_all([JobPart(**item) for item in kept["parts"]])
    db.session.flush()
    _count_on(Plan, Job, PlanRow, JobPart)
    db.session.commit()
    return plan
