"""Tables and queries, one module a noun; no rules and no commits here.

The words of the house, where they are narrower than in speech:

- kind: a way of building a cover in one size, with what it is believed to add (`cover_kind`).
- thing: one cover with its own label; lot: a quantity of one material, `_milli` in thousandths.
- subject: a thing or a lot, where it does not matter which.
- happening: what somebody says happened to a subject; an entry is one that was written.
- ledger: the entries of all subjects, added to and never changed; what is, is what they add up to.
- act: what a page offers to do to a subject; its judge says who may, and whether it fits.
- form key: made with each form shown, so that sending it twice does its work once.
- night of: the date of a night's evening. Low: the coldest of the night, in the screen or a plot.
- lift: what a cover adds, a difference. Threshold: what a plant bears. Margin: low less threshold.
- plan: the covers and jobs for a night; the board shows it. Claim: a member takes a job.
- change log: who changed what in the garden, for its members; request log: the server's own lines.
"""

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
    tables,
    trials,
    weather,
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
    "tables",
    "trials",
    "weather",
]
