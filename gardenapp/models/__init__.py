"""Tables and queries, one module a noun; no rules and no commits here."""

from gardenapp.models import (
    builds,
    covers,
    forecasts,
    nights,
    notices,
    people,
    plants,
    plots,
    replays,
    store,
    trials,
)

__all__ = [
    "builds",
    "covers",
    "forecasts",
    "nights",
    "notices",
    "people",
    "plants",
    "plots",
    "replays",
    "store",
    "trials",
]
