"""What the board shows, for machines: plain JSON in SI units and English, with no names in it.

Its shape is a promise to whoever reads it, and does not follow the form in which plans are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from gardenapp.messages import from_text
from gardenapp.models.forecasts import Forecast
from gardenapp.science.allocation.reasons import words_of
from gardenapp.science.night.plan_records import Gift, Option, PlanHeader, PlantingStory
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night.tonight import BoardJob, TonightPage, tonight_page


def board_as_dict(*, now: datetime, night_of: date | None = None) -> dict[str, Any]:
    """Everything the board shows, for machines; no names in it."""
    page = tonight_page(now=now, night_of=night_of)
    garden = get_garden()
    return {
        "garden": garden.name,
        "time_zone": garden.time_zone,
        "night_of": page.night_of.isoformat(),
        "units": {"temperature": "degC", "difference": "K", "length": "cm", "wind": "m/s"},
        "forecast": None if page.forecast is None else _forecast(page.forecast),
        "plan": None if page.header is None else _plan(page, page.header),
        "counts": page.counts,
        "plantings": [story_as_dict(story) for story in page.rows],
        "jobs": [_job(job) for job in page.jobs],
        "changes": [
            {"code": change.code, "name": change.name, "plot": change.plot}
            for change in page.changes
        ],
        "forecast_age_hours": (
            None
            if page.forecast_age is None
            else round(page.forecast_age.total_seconds() / 3600, 1)
        ),
        "forecast_is_old": page.is_stale,
        # What the garden has none of: without it an empty list of jobs says nothing.
        "lacking": [name for name, is_lacking in asdict(page.lacking).items() if is_lacking],
    }


def header_as_dict(header: PlanHeader) -> dict[str, Any]:
    """What a plan says of its night: as it is kept, without what only its readers need."""
    data = header.to_json()
    del data["format"], data["names"]
    return data


def story_as_dict(story: PlantingStory) -> dict[str, Any]:
    """What a plan says of a planting: as it is kept, with labels and reasons in English words."""
    data = story.to_json()
    data["given"] = _labelled(data["given"], story.given)
    data["options"] = _labelled(data["options"], story.options)
    if story.reason is not None:
        words = words_of(story.reason.code, story.reason.values)
        code, values = data["reason"].pop("code"), data["reason"].pop("params")
        data["reason"] = {"code": code, "params": values, "words": words, **data["reason"]}
    return {
        "planting_id": story.planting_id,
        "plot_id": story.plot_id,
        "status": story.status,
        "margin_k": story.margin_k,
        **data,
    }


def _labelled(
    kept: Sequence[dict[str, Any]], items: Sequence[Gift | Option]
) -> list[dict[str, Any]]:
    """What is kept with names, with their English labels in the same places."""
    return [
        {
            "label" if key == "name" else key: item.name.label if key == "name" else value
            for key, value in data.items()
        }
        for data, item in zip(kept, items, strict=True)
    ]


def _forecast(forecast: Forecast) -> dict[str, Any]:
    source = forecast.source
    return {
        "low_c": forecast.low_c,
        "came_by": source.came_by,
        "kind": source.kind,
        "attribution": source.attribution,
        "issued_at": _iso(source.issued_at),
        "entered_at": _iso(source.entered_at),
        "notes": "\n".join(map(str, from_text(forecast.notes))),
    }


def _plan(page: TonightPage, header: PlanHeader) -> dict[str, Any]:
    return {
        "id": page.plan_id,
        "made_at": _iso(page.made_at),
        "is_stale": page.is_stale,
        "is_outdated": page.is_outdated,
        "method": page.method,
        "gap": page.gap,
        **header_as_dict(header),
    }


def _job(job: BoardJob) -> dict[str, Any]:
    return {
        "id": job.id,
        "plot": job.plot,
        "plot_id": job.plot_id,
        "label": job.name.label,
        "covers": [{"label": cover.label, "kept_at": cover.place} for cover in job.covers],
        "plants": {str(key): number for key, number in job.plants.items()},
        "minutes": round(job.minutes, 1),
        "put_on_by": _iso(job.by_at),
        "safe_to_lift_from": _iso(job.safe_from_at),
        "lift_off_by": _iso(job.lift_by_at),
        "must_come_off": job.must_come_off,
        "state": job.state,
        "troubles": [
            {"code": trouble.code, "cover": trouble.label, "plot": trouble.plot}
            for trouble in job.troubles
        ],
    }


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()
