"""Until when a job can wait: each its own time, and what a late one still gains."""

from __future__ import annotations

from datetime import datetime, timedelta

from gardenapp.science.covers.lift import hours_late
from gardenapp.services.night.outlook import BareOutlook
from gardenapp.services.night.prospect import Prospect, covered_if

# How long before sunset a plant is covered that only may be in danger by then. Our own choice.
MOST_EARLY = timedelta(hours=1)
# A job is late where less than this is left of the loss it avoids from sunset on. Our own choice.
STILL_GOOD = 0.9
_HALVINGS = 6  # to a sixtieth of the night


class Latest:
    """Until when plants of this night can wait for their cover; those alike are reckoned once."""

    def __init__(self, prospect: Prospect) -> None:
        self._prospect = prospect
        self._plantings = prospect.gathered.by_id()
        self._known: dict[tuple[int, str], datetime] = {}

    def of(self, planting_id: int, treatment_id: str) -> datetime:
        """The earlier of when it may cross what it bears, and when the cover has no night left.

        A cover gives the less the later it goes on. It can wait as long as nine tenths of the loss
        that it avoids from sunset on are still avoided, but not until the plants are in danger.
        """
        bare = self._prospect.bare[planting_id]
        key = (id(bare), treatment_id)
        if key not in self._known:
            sunset_at = self._prospect.site.night.sunset_at
            waits = sunset_at
            if (planting_id, treatment_id) in self._prospect.covered:
                waits = self._while_good(planting_id, treatment_id)
            self._known[key] = min(waits, self._in_danger(bare, waits))
        return self._known[key]

    def _in_danger(self, bare: BareOutlook, waits: datetime) -> datetime:
        """When it may be in danger; nobody is sent at noon for what only may be so at dusk."""
        if bare.crosses_at is None or bare.crosses_early_at is None:
            return waits
        early_at = max(bare.crosses_early_at, self._prospect.site.night.sunset_at - MOST_EARLY)
        return min(bare.crosses_at, early_at)

    def _while_good(self, planting_id: int, treatment_id: str) -> datetime:
        site, bare = self._prospect.site, self._prospect.bare[planting_id].harm.share
        planting = self._plantings[planting_id]

        def avoided(kept: float) -> float:
            return bare - covered_if(self._prospect, planting, treatment_id, kept).harm.share

        night_h = (site.curve.low[0] - site.night.sunset_at) / timedelta(hours=1)
        wanted = STILL_GOOD * avoided(1.0)
        if night_h <= 0.0 or wanted <= 0.0:
            return site.night.sunset_at
        bad, good = 0.0, 1.0
        for _halving in range(_HALVINGS):
            middle = (bad + good) / 2.0
            if avoided(middle) >= wanted:
                good = middle
            else:
                bad = middle
        return site.night.sunset_at + timedelta(hours=hours_late(good, night_h))
