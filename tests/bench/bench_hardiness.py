"""What plants bear for one day, beside that garden's plan.

Run by hand:  python -m tests.bench.bench_hardiness [--plots 600]
Not collected as a test: figures depend on the machine, so compare the ratio. CPU seconds of this
process. The states are worked out as for a plan, from the rows and the kept days; the plan is the
allocation alone, of an invented garden of the same size.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from flask_migrate import upgrade
from sqlalchemy import select

from gardenapp import create_app, reference
from gardenapp.config import read_settings
from gardenapp.extensions import db
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot
from gardenapp.models.weather import DailyWeather
from gardenapp.science.allocation.solve import solve
from gardenapp.services.garden import hardened
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.transaction import write_transaction
from tests.bench.gardens import invented_garden
from tests.factories import Factory

EVENING = date(2026, 11, 24)
NOW = datetime(2026, 11, 24, 15, tzinfo=UTC)


def fill(plots: int) -> None:
    """A garden of so many plots with seven plantings each, and its days."""
    Factory(NOW).garden()
    with write_transaction() as session:
        seed_catalogue(
            session,
            stages=reference.load_stages(),
            constructions=reference.load_constructions(),
            sources=reference.load_sources(),
        )
        session.flush()
        stages = session.scalars(select(CropStage).order_by(CropStage.id)).all()
        for number in range(plots):
            plot = Plot(label=f"P{number}", length_cm=600.0, width_cm=300.0, bed_width_cm=120.0,
                        offset_k=-0.5 * (number % 5))  # fmt: skip
            session.add(plot)
            session.flush()
            session.add_all(
                Planting(
                    plot_id=plot.id, stage_id=stages[(number * 7 + n) % len(stages)].id, count=6,
                    height_cm=20.0, spread_cm=20.0, in_pot=n == 6,
                )
                for n in range(7)
            )  # fmt: skip
        session.add_all(
            DailyWeather(on_date=EVENING - timedelta(days=n), source="record", min_c=3.0,
                         mean_c=6.0) for n in range(150)
        )  # fmt: skip


def seconds_of_states() -> tuple[float, int]:
    """CPU seconds to say what everything bears this evening, and how many plantings that is."""
    plantings = db.session.scalars(select(Planting)).all()
    offsets = {plot.id: plot.offset_k for plot in db.session.scalars(select(Plot))}
    started = time.process_time()
    stages = hardened.stages_of(plantings, on=EVENING)
    states = hardened.states_of(plantings, stages, offsets, on=EVENING)
    hardened.bearings_of(plantings, stages, states, {})
    hardened.before_of(plantings, stages, offsets, on=EVENING)
    return time.process_time() - started, len(plantings)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--plots", type=int, default=600)
    plots = parser.parse_args().plots
    with tempfile.TemporaryDirectory() as folder:
        app = create_app(read_settings({"GARDEN_INSTANCE": str(Path(folder))}))
        with app.app_context():
            upgrade()
            fill(plots)
            seconds, plantings = min(seconds_of_states() for _ in range(3))
            db.session.remove()
            db.engine.dispose()
    problem = invented_garden(
        plots=plots, plantings=7 * plots, classes=20, covers=5 * plots, seed=1
    )
    started = time.process_time()
    solve(problem)
    plan = time.process_time() - started
    print(
        f"{plantings} plantings: states {seconds:.2f} s, plan {plan:.1f} s, "
        f"ratio {seconds / plan:.3f} (a fifth is asked)"
    )


if __name__ == "__main__":
    main()
