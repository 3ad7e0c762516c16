"""A stored night of 56 jobs in an invented garden of thirty plots.

Kept as it is, so that how long a page gets is measured on the same evening whatever later changes
of the numbers would plan. Nothing here is worked out by the planner.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from gardenapp.extensions import db
from gardenapp.models.forecasts import Forecast, ForecastImport
from gardenapp.models.nights import Job, JobPart, Plan, PlanRow
from gardenapp.models.people import Member
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import (
    Gift,
    PlanHeader,
    PlantingStory,
    Reason,
    TreatmentName,
)
from tests.factories import Factory
from tests.services.night.planning import EVENING
from tests.services.night.small_garden import SAMPLES

PLOTS = [f"{row}{n}" for row, most in (("A", 8), ("B", 8), ("C", 8), ("D", 6)) for n in
         range(1, most + 1)]  # fmt: skip
PLACES = {
    "Long shed": "key on the hook",
    "Tea hut loft": "low beam",
    "Pallet stack, north end": "",
    "Gate lean-to": "",
    "Rafiq’s garage": "ring first",
}
KINDS: dict[str, dict[str, Any]] = {
    "fleece": {"construction": "laid sheet", "film": "fleece", "is_rigid": False},
    "thick fleece": {"construction": "laid sheet", "film": "fleece", "is_rigid": False},
    "glass frame": {"construction": "frame", "film": "glass", "mass_kg": 24.0},
    "film frame": {"construction": "frame", "film": "PE"},
    "tote": {"construction": "upturned box", "film": "PP"},
    "blanket": {"construction": "laid sheet", "film": "cloth", "is_rigid": False},
    "film tunnel": {"construction": "tunnel", "film": "PE"},
    "bottle": {"construction": "cloche", "film": "PET"},
}
CROPS = (
    "lettuce",
    "fennel",
    "celeriac",
    "chard",
    "broad beans",
    "parsley",
    "sugar peas",
    "pak choi",
)
# How many jobs fall on each plot; Esme holds A5, B4 and C2 with eight of them.
MANY = {"A5": 3, "B4": 3, "C2": 2, "A1": 3, "A2": 3, "A7": 3, "B7": 3, "C7": 3, "D3": 3}
JOBS, NO_COVER, AT_RISK, WATCH, SAFE = 56, 6, 4, 20, 90
LOW = {"low_c": -3.0, "cloud_fraction": 0.1, "wind_mps": 1.0, "gust_mps": 4.0}


@dataclass(frozen=True)
class StoredNight:
    """Who is in it."""

    plan_id: int
    esme: Member
    other: Member
    coordinator: Member


def stored_night(make: Factory, *, times: int = 1) -> StoredNight:
    """Make the garden and put its night in; `times` as many plots, jobs and plantings."""
    make.garden(name="Thistle Bank")
    coordinator = make.coordinator("Odile Marsh")
    members = [make.member(name) for name in ("Esme Orchard", "Tom Fielding", "Ines Weir")]
    plots = {
        label: make.plot(
            label,
            holders=(members[0],) if label in {"A5", "B4", "C2"} else (members[1 + n % 2],),
            distance_m=10.0 + 4.0 * n,
        )
        for n, label in enumerate(_labels(times))
    }
    stage = make.stage("winter green", threshold_c=-1.0)
    places = {name: _place(make, name, note) for name, note in PLACES.items()}
    kinds = {name: make.cover_kind(name, **values) for name, values in KINDS.items()}
    kept = json.loads((SAMPLES / "plan_format_1.json").read_text("utf-8"))
    header = PlanHeader.from_json(kept["plan"]["header"], 1)
    row = kept["rows"][0]
    template = PlantingStory.from_json(
        row["data"], 1, planting_id=1, plot_id=1, status="safe", margin_k=1.0
    )
    plan = _plan(header, make.now)
    work = _jobs_by_plot()
    number = 0
    labels = _labels(times)
    for label in labels:
        for _job in range(work.get(label.partition("/")[0], 0)):
            _add_job(make, plan, header, plots[label], stage, template, number, kinds, places)
            number += 1
    assert number == JOBS * times
    reason = Reason("all_in_use", {}, needs_height_cm=40.0, needs_spread_cm=60.0, units_wanted=1)
    for status, many in (("short", NO_COVER), ("watch", WATCH), ("safe", SAFE)):
        for n in range(many * times):
            plot = plots[labels[(n * 7) % len(labels)]]
            _add_row(make, plan, plot, stage, template, status, n, reason, given=())
    db.session.commit()
    return StoredNight(plan.id, members[0], members[1], coordinator)


def _labels(times: int) -> list[str]:
    return [label if n == 0 else f"{label}/{n}" for n in range(times) for label in PLOTS]


def _jobs_by_plot() -> dict[str, int]:
    work = dict(MANY)
    for label in PLOTS:
        if sum(work.values()) < JOBS and label not in work:
            work[label] = 1
    for label in PLOTS:
        if sum(work.values()) < JOBS and label not in MANY:
            work[label] += 1
    return {label: work[label] for label in PLOTS if label in work}


def _plan(header: PlanHeader, now: datetime) -> Plan:
    source = ForecastImport(came_by="hand", kind="by hand", name="", sha256="", entered_at=now)
    db.session.add(source)
    db.session.flush()
    forecast = Forecast(import_id=source.id, night_of=EVENING, hours=[], **LOW)
    db.session.add(forecast)
    db.session.flush()
    plan = Plan(
        night_of=EVENING,
        forecast_id=forecast.id,
        made_at=now,
        is_current=True,
        method="proved",
        objective=1.0,
        bound=1.0,
        gap=0.0,
        header=header.to_json(),
    )
    db.session.add(plan)
    db.session.flush()
    return plan


def _add_job(
    make: Factory,
    plan: Plan,
    header: PlanHeader,
    plot: Plot,
    stage: Any,
    template: PlantingStory,
    number: int,
    kinds: dict[str, Any],
    places: dict[str, Any],
) -> None:
    name = list(KINDS)[number % len(KINDS)]
    place = places[list(PLACES)[(number // 3) % len(PLACES)]]
    is_carry = number % 11 == 10
    treatment = TreatmentName(place="the porch") if is_carry else TreatmentName((name,))
    cover = None
    if not is_carry:
        cover = make.cover(kinds[name], label=f"{name} {number + 1}", place_id=place.id)
    assert header.sunset_at is not None
    job = Job(
        plan_id=plan.id,
        plot_id=plot.id,
        treatment="shelter" if is_carry else str(kinds[name].id),
        label=treatment.label,
        minutes=3.0 + number % 4,
        by_at=header.sunset_at + timedelta(minutes=20 + 11 * (number % 13)),
        lift_by_at=header.sunrise_at,
        safe_from_at=header.sunrise_at,
        mass_kg=KINDS[name].get("mass_kg") if cover else None,
    )
    db.session.add(job)
    db.session.flush()
    given = Gift(job.id, job.treatment, treatment, 6, Estimate(0.4, 1.0), Estimate(2.0, 0.8), 0.06)
    status = "short" if number % 14 == 13 else "protect"
    planting_id = _add_row(make, plan, plot, stage, template, status, number, None, given=(given,))
    db.session.add(
        JobPart(
            job_id=job.id,
            cover_id=cover.id if cover else None,
            plants={str(planting_id): 6 + number % 9},
        )
    )


def _add_row(
    make: Factory,
    plan: Plan,
    plot: Plot,
    stage: Any,
    template: PlantingStory,
    status: str,
    number: int,
    reason: Reason | None,
    *,
    given: tuple[Gift, ...],
) -> int:
    name = CROPS[number % len(CROPS)]
    planting = make.planting(plot, stage, name=name, count=6 + number % 9)
    story = replace(
        template,
        planting_id=planting.id,
        plot_id=plot.id,
        plot=plot.label,
        name=name,
        status=status,
        count=planting.count,
        left=0 if given or status in {"safe", "watch"} else planting.count,
        given=given,
        reason=reason if status == "short" and not given else None,
    )
    db.session.add(
        PlanRow(
            plan_id=plan.id,
            planting_id=planting.id,
            plot_id=plot.id,
            status=status,
            margin_k=-1.0,
            data=story.to_json(),
        )
    )
    db.session.flush()
    return planting.id


def _place(make: Factory, name: str, note: str) -> StorePlace:
    place = make.place(name)
    place.note = note
    db.session.commit()
    return place
