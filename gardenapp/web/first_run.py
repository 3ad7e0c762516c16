"""The way from an empty garden to a first plan, as pages show it: one step at a time."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Flask, current_app, request

from gardenapp.demo.weather import CREDIT
from gardenapp.services.garden import first_run
from gardenapp.services.garden.first_run import Step
from gardenapp.web.access import current_garden, current_member
from gardenapp.web.clock import now
from gardenapp.words import later


@dataclass(frozen=True)
class Door:
    """Where a step is done: an endpoint with what its address says, and the words on it."""

    label: str
    endpoint: str
    says: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class StepWords:
    """A step in words: what it is, why, and its doors, the quickest first."""

    title: str
    why: str
    doors: tuple[Door, ...]


PASTE = Door(later("Paste your table"), "tables.paste")
GRID = "tables.grid"
EXAMPLE = Door(later("Start from an example"), "tables.paste", (("example", "1"),))
WORDS = {
    "plots": StepWords(
        later("Your plots"),
        later("The list you have will do, with what grows where and who holds it."),
        (PASTE, Door(later("Type them in"), GRID), EXAMPLE),
    ),
    "plantings": StepWords(
        later("What grows there"),
        later("Without plants nothing can be planned, whatever the night brings."),
        (PASTE, Door(later("Type it in"), GRID), EXAMPLE),
    ),
    "covers": StepWords(
        later("The covers you own"),
        later("Fleece, totes, frames, jars: how many, and where they are kept."),
        (PASTE, Door(later("Type them in"), GRID), Door(later("Add one"), "store.add_page")),
    ),
    "forecast": StepWords(
        later("The forecast"),
        later("Choose the weather service for your place, or type tonight’s low."),
        (
            Door(later("Choose a service"), "forecast.services"),
            Door(later("Type the low"), "forecast.by_hand"),
        ),
    ),
    "members": StepWords(
        later("The people"),
        later("Who holds plots or helps on cold evenings."),
        (PASTE, Door(later("Add one"), "people.new_member")),
    ),
    "slips": StepWords(
        later("Their way in"),
        later("A slip of paper for each, with a code for their phone."),
        (Door(later("Print join slips"), "people.slips"),),
    ),
}
# Where the next step is told below the page; on Today it stands at the top.
ON_THE_WAY = frozenset({"tables", "forecast", "people", "plots", "covers", "plants"})


def doors_of(step: Step) -> tuple[Door, ...]:
    """The doors of a step that this installation has."""
    return tuple(d for d in WORDS[step.key].doors if d.endpoint in current_app.view_functions)


def guide() -> Step | None:
    """What a coordinator has to do next for the garden to begin, if anything."""
    member = current_member()
    if member is None or not member.is_coordinator or current_garden() is None:
        return None
    return first_run.next_step(now=now())


def guide_below() -> Step | None:
    """The same, on pages of the way itself; not on the page where it is done."""
    if request.blueprint not in ON_THE_WAY:
        return None
    step = guide()
    is_here = step is not None and any(d.endpoint == request.endpoint for d in doors_of(step))
    return None if is_here else step


def init_first_run(app: Flask) -> None:
    """Let templates ask for the next step."""
    app.context_processor(
        lambda: {
            "guide_below": guide_below,
            "step_words": WORDS,
            "doors_of": doors_of,
            "demo_credit": CREDIT,
        }
    )
