"""How much of a plant a temperature hurts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate

_STANDARD = NormalDist()
_Z90 = _STANDARD.inv_cdf(0.9)

DEFAULT_SPREAD_K = {"damage": 1.0, "kill": 1.0, "root_kill": 1.0, "chilling": 2.0}
"""Spread of a dose–response curve of which only one temperature is published. [K]

Of 67 published pairs of 10 and 90 % kill of fruit buds the middle one means 0.87 K of
spread; open blossom 0.2 to 1.1 K, closed buds more. We take 1 K, a little wider, for a crop
whose spread nobody printed. Chilling: from memory."""

AIR_RECORD_K = Estimate(-0.75, 0.5)
"""What a threshold recorded in the field is moved by, to hold for the leaf. It is the air a grower
read, on nights when leaves ran colder than that air; the plan reckons with the leaf. Half of a
clear night's usual difference is taken, the other half left as caution, since nobody wrote down
what kind of night it was. The halving is our own choice; the difference is that of
`exposure.leaf_k`."""

_PUBLISHED_SHARE = {"damage": 0.10, "kill": 0.50, "root_kill": 0.50, "chilling": 0.10}
"""What share hurt one published temperature of a kind is read as: damage is the onset."""


@dataclass(frozen=True)
class DamageCurve:
    """Share of plants, or of buds, hurt: Φ((T50 − T)/sd).

    t50_c : temperature that hurts half [°C]; sd_k : spread [K], above 0.
    """

    t50_c: float
    sd_k: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.t50_c):
            raise OutOfRange(
                say(
                    "%(name)s must be a finite number, not %(value)s",
                    name="t50_c",
                    value=self.t50_c,
                )
            )
        if not (math.isfinite(self.sd_k) and self.sd_k > 0.0):
            raise OutOfRange(
                say("%(name)s must be above 0, not %(value)s", name="sd_k", value=self.sd_k)
            )

    def share_at(self, temp_c: float) -> float:
        """Share hurt at a temperature that is known, 0 to 1."""
        return _STANDARD.cdf((self.t50_c - temp_c) / self.sd_k)

    def expected_share(self, temp: Estimate) -> float:
        """Share to expect hurt at a temperature that is only believed, 0 to 1.

        Closed form of the Gaussian average: Φ((T50 − μ)/√(σT² + σc²)).
        """
        return _STANDARD.cdf((self.t50_c - temp.mean) / math.hypot(temp.sd, self.sd_k))

    def needs_c(self, share: float, *, sd_k: float) -> float:
        """What must be expected, `sd_k` sure, for no more than `share` to be lost. [°C]

        Where `expected_share` is `share`; strictly between 0 and 1, or OutOfRange.
        """
        return DamageCurve(self.t50_c, math.hypot(self.sd_k, sd_k)).temperature_for(share)

    def temperature_for(self, share: float) -> float:
        """The temperature that hurts this share; strictly between 0 and 1. [°C]"""
        if not 0.0 < share < 1.0:
            raise OutOfRange(
                say("%(name)s must lie between 0 and 1, not %(value)s", name="share", value=share)
            )
        return self.t50_c - self.sd_k * _STANDARD.inv_cdf(share)


def curve_from_pair(t10_c: float, t90_c: float) -> DamageCurve:
    """The probit curve through published 10 % and 90 % kill temperatures.

    Raises OutOfRange unless the 90 % one is the colder.

    Examples
    --------
    >>> round(curve_from_pair(-2.2, -3.9).t50_c, 2)
    -3.05
    """
    if not t90_c < t10_c:
        raise OutOfRange(
            say("t90_c %(t90_c)s must be colder than t10_c %(t10_c)s", t90_c=t90_c, t10_c=t10_c)
        )
    return DamageCurve((t10_c + t90_c) / 2.0, (t10_c - t90_c) / (2.0 * _Z90))


def curve_from_threshold(temp_c: float, *, kind: str, spread_k: float | None = None) -> DamageCurve:
    """The curve where one temperature is published.

    Parameters
    ----------
    temp_c : published temperature. [°C]
    kind : "damage" (onset, read as 10 % hurt), "kill" or "root_kill" (half), or
        "chilling" (onset of harm above freezing).
    spread_k : of the curve; the kind's own in `DEFAULT_SPREAD_K` if not given. [K]

    Raises OutOfRange for another kind or a spread that is not above 0.
    """
    if kind not in _PUBLISHED_SHARE:
        raise OutOfRange(
            say(
                "kind must be one of %(kinds)s, not %(kind)s",
                kinds=", ".join(sorted(_PUBLISHED_SHARE)),
                kind=kind,
            )
        )
    spread = DEFAULT_SPREAD_K[kind] if spread_k is None else spread_k
    return DamageCurve(temp_c + spread * _STANDARD.inv_cdf(_PUBLISHED_SHARE[kind]), spread)


def further_share(after: float, before: float) -> float:
    """What a further night takes of what the nights before have left, 0 to 1. Both 0 to 1."""
    if before >= 1.0:
        return 0.0
    return max(0.0, after - before) / (1.0 - before)


def combined_share(a: float, b: float) -> float:
    """Share lost to either of two harms, as shoots and root balls in pots, 0 to 1.

    1 − (1 − a)(1 − b): as if they struck independently.
    """
    for name, value in (("a", a), ("b", b)):
        if not 0.0 <= value <= 1.0:
            raise OutOfRange(say("%(name)s must be 0 to 1, not %(value)s", name=name, value=value))
    return 1.0 - (1.0 - a) * (1.0 - b)


def hours_below_on_day(low_c: float, mean_c: float, threshold_c: float) -> float:
    """Hours of a day below a threshold, the day being a sine from its lowest about its mean. [h]"""
    swing_k = max(mean_c - low_c, 1e-6)
    height = (mean_c - threshold_c) / swing_k
    return 24.0 * math.acos(min(1.0, max(-1.0, height))) / math.pi


CHILLING_HOURS_FOR_HALF = 48.0
CHILLING_STEEPNESS = 1.5


def chilling_share(
    hours_below: float,
    *,
    hours_for_half: float = CHILLING_HOURS_FOR_HALF,
    steepness: float = CHILLING_STEEPNESS,
) -> float:
    """Share of a chilling-tender crop set back by hours below its chilling threshold, 0 to 1.

    Parameters
    ----------
    hours_below : hours colder than the threshold and above freezing. [h]
    hours_for_half : dose that harms half. [h]
    steepness : above 1, so that the first hours do little.

    Notes
    -----
    1 − 2^−(h/h½)^k, from memory throughout and on the cautious side: published limits are
    for storing harvested fruit for days to weeks, not for a night outdoors. Hours add up
    over nights that follow each other; recovery by day is not counted. Raises OutOfRange
    for negative hours or constants not above 0.
    """
    if not (math.isfinite(hours_below) and hours_below >= 0.0):
        raise OutOfRange(
            say("%(name)s must be 0 or more, not %(value)s", name="hours_below", value=hours_below)
        )
    if not (hours_for_half > 0.0 and steepness > 0.0):
        raise OutOfRange(say("hours_for_half and steepness must be above 0"))
    return float(1.0 - 2.0 ** -((hours_below / hours_for_half) ** steepness))
