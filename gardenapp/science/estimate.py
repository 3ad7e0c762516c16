"""What we believe about a number, and how sure we are of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from gardenapp.errors import OutOfRange
from gardenapp.messages import say

_STANDARD = NormalDist()


@dataclass(frozen=True)
class Estimate:
    """A Gaussian belief: a mean and a standard deviation, in the caller's unit.

    Raises OutOfRange where either is not finite or the deviation is negative.

    Examples
    --------
    >>> low_c, offset_k = Estimate(1.0, 1.2), Estimate(-1.0, 0.5)
    >>> low_c.plus(offset_k)
    Estimate(mean=0.0, sd=1.3)
    """

    mean: float
    sd: float

    def __post_init__(self) -> None:
        if not math.isfinite(self.mean):
            raise OutOfRange(say("mean must be a finite number, not %(mean)s", mean=self.mean))
        if not (math.isfinite(self.sd) and self.sd >= 0.0):
            raise OutOfRange(say("sd must be finite and 0 or more, not %(sd)s", sd=self.sd))

    @property
    def variance(self) -> float:
        """The square of the deviation."""
        return self.sd * self.sd

    def plus(self, *others: Estimate) -> Estimate:
        """Sum of independent quantities: means add, and so do variances."""
        return Estimate(
            self.mean + sum(other.mean for other in others),
            math.hypot(self.sd, *(other.sd for other in others)),
        )

    def shifted(self, k: float) -> Estimate:
        """The same belief moved by a certain amount."""
        return Estimate(self.mean + k, self.sd)

    def scaled(self, f: float) -> Estimate:
        """The belief about `f` times the quantity; the deviation stays positive."""
        return Estimate(self.mean * f, self.sd * abs(f))

    def times(self, other: Estimate) -> Estimate:
        """Product of two independent quantities, its first two moments exact."""
        return Estimate(
            self.mean * other.mean,
            math.hypot(self.mean * other.sd, other.mean * self.sd, self.sd * other.sd),
        )

    def mixed(self, other: Estimate, weight: float) -> Estimate:
        """Either this or, with probability `weight`, the other.

        The Gaussian of the same mean and variance as the mixture, so that two
        beliefs that disagree give a wide one: the variance between them counts.
        Weight 0 gives this belief, weight 1 the other. Raises OutOfRange for a
        weight outside 0 to 1.
        """
        if not 0.0 <= weight <= 1.0:
            raise OutOfRange(say("weight must be 0 to 1, not %(weight)s", weight=weight))
        mean = (1.0 - weight) * self.mean + weight * other.mean
        within = (1.0 - weight) * self.variance + weight * other.variance
        between = weight * (1.0 - weight) * (self.mean - other.mean) ** 2
        return Estimate(mean, math.sqrt(within + between))

    def interval(self, fraction: float = 0.8) -> tuple[float, float]:
        """The central interval that holds the true value this often.

        Raises OutOfRange unless `fraction` lies strictly between 0 and 1.
        """
        if not 0.0 < fraction < 1.0:
            raise OutOfRange(
                say(
                    "%(name)s must lie between 0 and 1, not %(value)s",
                    name="fraction",
                    value=fraction,
                )
            )
        half_width = _STANDARD.inv_cdf(0.5 + fraction / 2.0) * self.sd
        return (self.mean - half_width, self.mean + half_width)

    def chance_below(self, x: float) -> float:
        """Probability, 0 to 1, that the quantity is at or below `x`.

        Without spread it is a step: 1 at and above the mean, 0 under it.
        """
        if self.sd == 0.0:
            return 1.0 if x >= self.mean else 0.0
        return _STANDARD.cdf((x - self.mean) / self.sd)
