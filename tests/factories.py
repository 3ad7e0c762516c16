"""Valid things of an invented garden, one line each; a test states only what matters to it."""

from __future__ import annotations

from datetime import datetime
from typing import Any, TypeVar

from gardenapp.extensions import Base, db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.people import Garden, Member, PlotHolder
from gardenapp.models.plants import Crop, CropStage, Planting
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.models.replays import ReplayRun

PASSWORD = "twelve cold lanterns"
Row = TypeVar("Row", bound=Base)


class Factory:
    """Makes rows and commits them, so that a request in another session sees them."""

    def __init__(self, now: datetime) -> None:
        self.now = now
        self._number = 0

    def _next(self) -> int:
        self._number += 1
        return self._number

    def _save(self, row: Row) -> Row:
        db.session.add(row)
        db.session.commit()
        return row

    def garden(self, **changes: Any) -> Garden:
        existing = db.session.get(Garden, 1)
        if existing is not None:
            for name, value in changes.items():
                setattr(existing, name, value)
            db.session.commit()
            return existing
        values: dict[str, Any] = {
            "id": 1,
            "name": "Lantern Lane Plots",
            "latitude": 52.2,
            "longitude": -0.9,
            "time_zone": "Europe/London",
            "elevation_m": 90.0,
            "created_at": self.now,
        }
        return self._save(Garden(**values | changes))

    def member(self, name: str = "", *, password: str | None = None, **changes: Any) -> Member:
        self.garden()
        number = self._next()
        values: dict[str, Any] = {"name": name or f"Member {number}", "created_at": self.now}
        if password is not None:
            from gardenapp.services.garden.passwords import hash_password

            values |= {"password_hash": hash_password(password)}
            values |= {"sign_in_name": (name or f"member{number}").lower()}
        return self._save(Member(**values | changes))

    def coordinator(self, name: str = "Odile", **changes: Any) -> Member:
        return self.member(name, role="coordinator", **changes)

    def plot(self, label: str = "", *, holders: tuple[Member, ...] = (), **changes: Any) -> Plot:
        self.garden()
        values: dict[str, Any] = {
            "label": label or f"P{self._next()}",
            "length_cm": 600.0,
            "width_cm": 300.0,
            "bed_width_cm": 120.0,
        }
        plot = self._save(Plot(**values | changes))
        for holder in holders:
            self._save(PlotHolder(plot_id=plot.id, member_id=holder.id))
        return plot

    def stage(self, crop: str = "", **changes: Any) -> CropStage:
        row = self._save(Crop(name=crop or f"crop {self._next()}"))
        values: dict[str, Any] = {
            "crop_id": row.id,
            "name": "plant",
            "kind": "kill",
            "threshold_c": 0.0,
            "source_text": "invented for the test",
        }
        return self._save(CropStage(**values | changes))

    def planting(
        self, plot: Plot | None = None, stage: CropStage | None = None, **changes: Any
    ) -> Planting:
        values: dict[str, Any] = {
            "plot_id": (plot or self.plot()).id,
            "stage_id": (stage or self.stage()).id,
            "count": 4,
            "height_cm": 20.0,
            "spread_cm": 20.0,
        }
        return self._save(Planting(**values | changes))

    def cover_kind(self, name: str = "", **changes: Any) -> CoverKind:
        values: dict[str, Any] = {
            "name": name or f"cover kind {self._next()}",
            "construction": "tote",
            "inner_length_cm": 60.0,
            "inner_width_cm": 40.0,
            "inner_height_cm": 35.0,
            "outer_length_cm": 64.0,
            "outer_width_cm": 44.0,
            "minutes": 3.0,
            "gust_limit_mps": 14.0,
            "clear_mean_k": 2.0,
            "clear_sd_k": 0.8,
            "cloudy_mean_k": 1.5,
            "cloudy_sd_k": 0.6,
        }
        return self._save(CoverKind(**values | changes))

    def place(self, label: str = "") -> StorePlace:
        return self._save(StorePlace(label=label or f"shed {self._next()}"))

    def cover(self, kind: CoverKind | None = None, **changes: Any) -> Cover:
        kind = kind or self.cover_kind()
        values: dict[str, Any] = {"class_id": kind.id, "label": f"C{self._next()}"}
        return self._save(Cover(**values | changes))


def replay_run(now: datetime, **changes: Any) -> int:
    """A replay that is going on, or as `changes` say; gives its number."""
    values: dict[str, Any] = {
        "started_at": now,
        "record": "winter.csv",
        "garden": "current",
        "covers": "half",
        "seed": 1,
        "nights_done": 12,
        "nights_total": 40,
        "heard_at": now,
        "finished_at": None,
        "started_by_id": None,
        "result": None,
    }
    run = ReplayRun(**values | changes)
    db.session.add(run)
    db.session.commit()
    return run.id
