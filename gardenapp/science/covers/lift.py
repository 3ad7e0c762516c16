"""What a cover adds to a plant's temperature, and how sure that is.

Lift is air inside minus air outside at the same height, at night. It may be negative:
thin bare polyethylene, open to the night's radiation, has been measured colder inside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.estimate import Estimate

SECOND_LAYER_SHARE = 0.6
"""What a second layer adds, as a share of its own lift. Two films lose 34 % (Rasheed 2017) to
40 % (an orchid society's figure) less heat than one: their resistance is 1.52 to 1.67 times
as much, so the second adds 0.52 to 0.67 of the first, if the ground gives the same heat."""
_SECOND_LAYER_SHARE_SD = 0.15

TOUCHING_UNDER_SHEET = 0.15
"""Share of a plant's leaves that touch a sheet lying on it. From memory; on hoops it is none."""

DULL_FROM_CLOUD = 0.5
MILD_DAY_C, COLD_DAY_C = 10.0, 2.0
DULL_DAY_COST = 0.4
"""After a dull cold day the ground has little to give: covers alone failed to hold off frost then
where they had added 2 to 3 K before (an extension trial on strawberries). No figure was
published; that a wholly dull day at 2 °C costs 40 % of the gain is from memory."""

_UNSEALED_LOSS_SHARE = 0.4
_UNSEALED_LEAST_K = 0.2
_UNSEALED_MOST_K = 1.0
_UNSEALED_SD_K = 0.4


@dataclass(frozen=True)
class LiftPrior:
    """A cover's lift on a clear calm and on a cloudy or windy night, and its shade from the sky.

    clear, cloudy : [K]; the clear one may be negative.
    leaf_shield : share, 0 to 1, of the leaf's own fall below the air that the cover takes
        away. A published protection index serves: polyethylene 0.26, polystyrene 0.63,
        polyester (PET) 0.87, glass 0.93 (Hanson 1963).
    """

    clear: Estimate
    cloudy: Estimate
    leaf_shield: float

    def __post_init__(self) -> None:
        _share("leaf_shield", self.leaf_shield)


def _share(name: str, value: float) -> float:
    if not 0.0 <= value <= 1.0:
        raise OutOfRange(say("%(name)s must be 0 to 1, not %(value)s", name=name, value=value))
    return value


def lift_tonight(prior: LiftPrior, share: Estimate) -> Estimate:
    """The lift to expect tonight, between the clear and the cloudy one. [K]

    `share` is from `exposure.radiative_share`. Tonight is either kind of night with that
    probability, so a cover that differs much between them is uncertain in between. The
    share's own spread does not come in: the mixture is linear in its weight, and so only
    the mean counts.
    """
    weight = min(1.0, max(0.0, share.mean))
    return prior.cloudy.mixed(prior.clear, weight)


def late_share(hours_after_sunset: float, night_hours: float) -> float:
    """Share of its whole night's lift that a cover still gives at dawn, put on late, 0 to 1.

    Parameters
    ----------
    hours_after_sunset : when it is put on; before sunset nothing is lost. [h]
    night_hours : from sunset to the low, above 0. [h]

    Notes
    -----
    √(1 − t/n). The night's loss changes from that of open ground to that under a cover at t; the
    surface of a deep uniform soil answers a steady change of its heat loss with the square root of
    the time since (Carslaw and Jaeger 1959, section 2.9; Brunt's night curve rests on the same).
    So what the cover saves has had n − t hours to warm instead of n. Raises OutOfRange for a night
    of no hours or a time that is no number.
    """
    if not (math.isfinite(night_hours) and night_hours > 0.0):
        raise OutOfRange(
            say("%(name)s must be above 0, not %(value)s", name="night_hours", value=night_hours)
        )
    if not math.isfinite(hours_after_sunset):
        raise OutOfRange(say("hours_after_sunset must be a finite number"))
    late = min(1.0, max(0.0, hours_after_sunset / night_hours))
    return math.sqrt(1.0 - late)


def hours_late(share: float, night_hours: float) -> float:
    """How long after sunset a cover still gives a share of its whole night's lift. [h]

    The inverse of `late_share`. share : 0 to 1. night_hours : from sunset to the low, above 0. [h]
    Raises OutOfRange.
    """
    if not 0.0 <= share <= 1.0:
        raise OutOfRange(say("a share must be between 0 and 1, not %(value)s", value=share))
    late_share(0.0, night_hours)  # refuses a night of no hours
    return (1.0 - share * share) * night_hours


def stored_share(*, day_cloud_fraction: float, day_high_c: float) -> float:
    """Share of a cover's usual lift after a day of this kind, 1 to 0.6.

    Parameters
    ----------
    day_cloud_fraction : mean of the daylight hours before the night, 0 to 1.
    day_high_c : the warmest of them. [°C]

    Notes
    -----
    1 but where the day was both dull and cold (see `DULL_DAY_COST`, from memory). Raises
    OutOfRange for cloud outside 0 to 1 or a temperature that is no number.
    """
    _share("day_cloud_fraction", day_cloud_fraction)
    if not math.isfinite(day_high_c):
        raise OutOfRange(say("day_high_c must be a finite number"))
    dull = max(0.0, (day_cloud_fraction - DULL_FROM_CLOUD) / (1.0 - DULL_FROM_CLOUD))
    cold = min(1.0, max(0.0, (MILD_DAY_C - day_high_c) / (MILD_DAY_C - COLD_DAY_C)))
    return 1.0 - DULL_DAY_COST * dull * cold


def kept_lift(lift: Estimate, share: float) -> Estimate:
    """A lift of which only a share is to be had tonight, its spread no smaller. [K]

    A lift below zero is no store of heat and stays; so does the spread. Raises OutOfRange for a
    share outside 0 to 1.
    """
    _share("share", share)
    return Estimate(lift.mean * share if lift.mean > 0.0 else lift.mean, lift.sd)


def unsealed(lift: Estimate) -> Estimate:
    """The lift of the same cover with edges open. [K]

    Always less than sealed. Takes off 40 %, at least 0.2 and at most 1 K: holes of 0.65 to
    6.5 % of a film cost at most 1 K at night (Guttormsen 1972); the rest is from memory,
    and so the spread grows.
    """
    loss_k = min(_UNSEALED_MOST_K, max(_UNSEALED_LEAST_K, _UNSEALED_LOSS_SHARE * lift.mean))
    return Estimate(lift.mean - loss_k, math.hypot(lift.sd, _UNSEALED_SD_K))


def _stacked_lift(one: Estimate, other: Estimate) -> Estimate:
    more, less = (one, other) if one.mean >= other.mean else (other, one)
    # A layer that alone would be colder inside does not cool what lies under a better one,
    # and is not credited with warming it.
    added = Estimate(max(0.0, less.mean), less.sd).times(
        Estimate(SECOND_LAYER_SHARE, _SECOND_LAYER_SHARE_SD)
    )
    return more.plus(added)


def stacked(outer: LiftPrior, inner: LiftPrior) -> LiftPrior:
    """Two covers, one over the other.

    The better one counts in full, the other with 0.6 of its own lift (see
    `SECOND_LAYER_SHARE`); a lift below zero adds nothing. Two perforated films measured
    twice the one (1.5 and 3 K), so this is on the cautious side. What one shield lets
    through the other stops in part: 1 − (1 − a)(1 − b).
    """
    return LiftPrior(
        clear=_stacked_lift(outer.clear, inner.clear),
        cloudy=_stacked_lift(outer.cloudy, inner.cloudy),
        leaf_shield=1.0 - (1.0 - outer.leaf_shield) * (1.0 - inner.leaf_shield),
    )


def touching(*, bare_share: float, covered_share: float, fraction_touching: float) -> float:
    """Share of the plant hurt when some of its leaves touch the cover, 0 to 1.

    bare_share : hurt without this cover, but under any other that stands over it: a leaf against a
        film is as cold as the film, and a film under a frame is no colder than the frame's air.

    Extension advice says leaves in contact are often injured, and a cloth held off beat one that
    touched by 3 to 4 °F (about 1814). Raises OutOfRange for shares outside 0 to 1.
    """
    _share("bare_share", bare_share)
    _share("covered_share", covered_share)
    f = _share("fraction_touching", fraction_touching)
    return f * bare_share + (1.0 - f) * covered_share


def bare_plant_c(
    *, screen_low: Estimate, offset: Estimate, air: Estimate, leaf: Estimate
) -> Estimate:
    """Temperature of an uncovered plant at the low. [°C]

    screen_low : forecast low and its error [°C]; offset : the plot's [K];
    air, leaf : from `exposure` [K]. Taken as independent, though one sky makes both: with
    nothing known of the sky that leaves out about 0.1 K of a spread of 1.5 K.
    """
    return screen_low.plus(offset, air, leaf)


def covered_plant_c(
    *,
    screen_low: Estimate,
    offset: Estimate,
    air: Estimate,
    leaf: Estimate,
    lift: Estimate,
    leaf_shield: float,
) -> Estimate:
    """Temperature of a plant under a cover at the low. [°C]

    As `bare_plant_c`, with the air inside warmer by `lift` and the leaf's own fall
    below it lessened by `leaf_shield`. Raises OutOfRange for a shield outside 0 to 1.
    """
    _share("leaf_shield", leaf_shield)
    return screen_low.plus(offset, air, lift, leaf.scaled(1.0 - leaf_shield))
