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

SHELTER_LIFT_K = Estimate(3.0, 1.5)
SHELTER_LIFT_STATUS = "memory"
"""Air in an unheated shed or porch against the air outside, and how far that may be off. From
memory: a closed unheated outbuilding keeps a few degrees; no published figure was found."""

TOUCHING_UNDER_SHEET = 0.15
"""Share of a plant's leaves that touch a sheet lying on it. From memory; on hoops it is none."""

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

    A leaf against a film is as cold as the film: it counts as bare. Extension advice says
    leaves in contact are often injured, and a cloth held off beat one that touched by
    3 to 4 °F (about 1814). Raises OutOfRange for shares outside 0 to 1.
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
