"""How each plot stands tonight, in one word, for the map of the garden."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from gardenapp.services.night.tonight import BoardJob, TonightPage
from gardenapp.words import later

NEED, TAKEN, COVERED, RISK, SAFE, NONE = "need", "taken", "covered", "risk", "safe", "none"


@dataclass(frozen=True)
class PlotState:
    """`key` says how the map draws a plot, `word` how it tells it."""

    key: str
    word: str


NEEDS_COVER = PlotState(NEED, later("needs a cover"))
IS_TAKEN = PlotState(TAKEN, later("taken"))
IS_COVERED = PlotState(COVERED, later("covered"))
NO_COVER = PlotState(RISK, later("no cover free"))
STILL_AT_RISK = PlotState(RISK, later("covered, still at risk"))
SMALL_RISK = PlotState(SAFE, later("small risk, left bare"))
IS_SAFE = PlotState(SAFE, later("safe"))
NOTHING_PLANNED = PlotState(NONE, later("nothing planned"))


def plot_states(page: TonightPage, *, now: datetime) -> dict[int, PlotState]:
    """The state of each plot that the night's plan knows, by the plot's number.

    What somebody can still do comes first: a job that is free, then one that is claimed. Where all
    that can be done is done, a planting that no cover was found for, or whose covers broke, makes
    the plot one that is still at risk: covered is said of plots where nothing is left bare that
    should not be. A cover taken off again counts as wanted until the plants can stand bare.
    """
    jobs: dict[int, list[BoardJob]] = defaultdict(list)
    statuses: dict[int, set[str]] = defaultdict(set)
    for job in page.jobs:
        # One that the wind asks off again covers nothing, and is no cover to put on.
        if not job.must_come_off:
            jobs[job.plot_id].append(job)
    for story in page.rows:
        statuses[story.plot_id].add(story.status)
    return {
        plot_id: _state(jobs.get(plot_id, ()), statuses.get(plot_id, set()), now)
        for plot_id in sorted(jobs.keys() | statuses.keys())
    }


def _state(jobs: Collection[BoardJob], statuses: Collection[str], now: datetime) -> PlotState:
    states = {job.state for job in jobs}
    if "free" in states or any(_is_bare_too_early(job, now) for job in jobs):
        return NEEDS_COVER
    if "claimed" in states:
        return IS_TAKEN
    if "short" in statuses or "struck" in states:
        return STILL_AT_RISK if "on" in states else NO_COVER
    if "on" in states:
        return IS_COVERED
    return SMALL_RISK if "watch" in statuses else IS_SAFE


def _is_bare_too_early(job: BoardJob, now: datetime) -> bool:
    """Whether its covers came off while the plants still want them."""
    return job.state == "off" and job.safe_from_at is not None and now < job.safe_from_at
