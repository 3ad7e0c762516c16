"""A board without jobs is no good news by itself: what it cannot know, in one sentence."""

from __future__ import annotations

from gardenapp.services.night.tonight import TonightPage
from gardenapp.words import _, n_


def why_empty(page: TonightPage) -> str:
    """Why a night without a job to do is not known to be a safe one; empty where it is.

    Asked of a page with a plan. The garden's plots and plants come first, then its covers, then
    the forecast's age: nothing can be said of what nobody has written down.
    """
    if page.lacking.plots:
        return _("No plots are written down yet, so nothing could be planned.")
    if page.lacking.plantings:
        return _("No plants are written down yet, so nothing could be planned.")
    short = len(page.with_status("short"))
    if short and page.lacking.covers:
        return n_(
            "%(num)s planting is at risk, and the shed has no covers yet.",
            "%(num)s plantings are at risk, and the shed has no covers yet.",
            short,
        )
    if page.is_stale and not short:
        return _("By an old forecast nothing needs a cover; a newer one may say otherwise.")
    return ""
