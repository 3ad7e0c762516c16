"""What a two-logger trial of a cover is made of, and what it says."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime

import numpy as np
from numpy.typing import NDArray

from gardenapp.errors import OutOfRange
from gardenapp.messages import Message, marked, say

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Series:
    """One logger's record.

    at_s : whole seconds since 1970 in UTC, strictly rising, at least two.
    temp_c : as many temperatures, all finite. [°C]
    humidity_percent : as many, nan where unknown; None for a logger that has none. [%]

    Raises OutOfRange for anything else.
    """

    at_s: Integers
    temp_c: Floats
    humidity_percent: Floats | None = None
    label: str = ""

    def __post_init__(self) -> None:
        if len(self.at_s) < 2:
            raise OutOfRange(say("a logger's record needs at least two readings"))
        if len(self.temp_c) != len(self.at_s):
            raise OutOfRange(say("at_s and temp_c must be equally many"))
        if self.humidity_percent is not None and len(self.humidity_percent) != len(self.at_s):
            raise OutOfRange(say("at_s and humidity_percent must be equally many"))
        if (np.diff(self.at_s) <= 0).any():
            raise OutOfRange(say("at_s must rise from each reading to the next"))
        if not np.isfinite(self.temp_c).all():
            raise OutOfRange(say("every temperature must be a finite number"))

    @property
    def step_s(self) -> float:
        """The usual time between two readings. [s]"""
        return float(np.median(np.diff(self.at_s)))


# How the offset of two clocks is known; shown to people as well.
GIVEN, ESTIMATED, NONE_FOUND = marked("given"), marked("estimated"), marked("none found")


@dataclass(frozen=True)
class ClockOffset:
    """How far the inside logger's clock is from the outside one's.

    offset_s : what was added to the inside logger's times; above 0 where its clock was slow. [s]
    method : "given", "estimated", or "none found" (0, because nothing better could be shown).
    correlation : of the two loggers' quick changes at that offset; None where not estimated.
    correlation_unmoved : the same without any offset.
    """

    offset_s: float
    method: str
    correlation: float | None = None
    correlation_unmoved: float | None = None


@dataclass(frozen=True)
class Spread:
    """A figure over several nights or days: each night is one observation.

    sd is None for fewer than two.
    """

    count: int
    mean: float
    sd: float | None
    lowest: float
    highest: float


@dataclass(frozen=True)
class HumiditySide:
    """Moisture of the air at one logger over the moments both loggers know.

    mean_dew_point_c : None where the air was too dry for any. hours_humid : at or above 90 %.
    """

    lowest_percent: float
    mean_percent: float
    highest_percent: float
    mean_dew_point_c: float | None
    mean_absolute_gm3: float
    mean_vapour_pressure_deficit_hpa: float
    hours_humid: float


@dataclass(frozen=True)
class Humidity:
    """Moisture inside against outside.

    lowest_difference_points : lowest inside minus lowest outside, in points of percent.
    water_ratio : mean water in a cubic metre inside over that outside.
    hours : the time compared. words : what the figures mean and do not.
    """

    inside: HumiditySide
    outside: HumiditySide
    lowest_difference_points: float
    water_ratio: float
    hours: float
    words: tuple[Message, ...]


@dataclass(frozen=True)
class NightResult:
    """One night, sunset to sunrise.

    lift_at_minimum_k : lowest inside minus lowest outside, whenever each came: the lift.
    lift_at_outside_low_k : the difference at the moment it was coldest outside, for comparison.
    lift_mean_k, lift_least_k, lift_most_k : of the difference through the night.
    is_whole : no gap of more than an hour (or two steps), from sunset to sunrise.
    outside_fall_k : from two hours after sunset to the outside low; None where not measured.
    looked_clear : a guess from that fall; None where it says nothing.
    humid_hours_inside, humid_hours_outside : at or above 90 %; None without humidity.
    """

    night_of: date
    lift_at_minimum_k: float
    lift_at_outside_low_k: float
    lift_mean_k: float
    lift_least_k: float
    lift_most_k: float
    inside_low_c: float
    inside_low_at: datetime
    outside_low_c: float
    outside_low_at: datetime
    is_whole: bool
    covered_fraction: float
    readings: int
    outside_fall_k: float | None
    looked_clear: bool | None
    humid_hours_inside: float | None
    humid_hours_outside: float | None


@dataclass(frozen=True)
class DayResult:
    """One day, sunrise to sunset of a local date.

    gain_max_k : highest inside minus highest outside. hours_above_max : inside, above the crop's
    maximum; None where no maximum was given.
    """

    on: date
    gain_max_k: float
    gain_mean_k: float
    inside_max_c: float
    inside_max_at: datetime
    outside_max_c: float
    hours_above_max: float | None
    is_whole: bool
    covered_fraction: float


@dataclass(frozen=True)
class Totals:
    """The trial in a few figures, over whole nights and whole days only; None without any."""

    lift_at_minimum_k: Spread | None
    lift_mean_k: Spread | None
    gain_max_k: Spread | None
    gain_mean_k: Spread | None
    hours_above_max: float | None
    hours_matched: float


@dataclass(frozen=True)
class Flag:
    """A reason to doubt the trial or to read it with care; `code` is fixed, `words` are for people.

    `doubts` says that the lift of this trial should not be learnt from as it is.
    """

    code: str
    params: dict[str, float | str]
    words: str
    doubts: bool


@dataclass(frozen=True)
class ChartPoint:
    """One moment of the two curves; `follows_gap` where the line should be broken before it."""

    at: datetime
    inside_c: float
    outside_c: float
    follows_gap: bool

    @property
    def difference_k(self) -> float:
        """Inside minus outside."""
        return self.inside_c - self.outside_c


@dataclass(frozen=True, eq=False)
class Matched:
    """Both loggers at the same moments (those of the one that measures less often).

    `gap_s` is the longest step that still counts as unbroken.
    """

    at_s: Integers
    inside_c: Floats
    outside_c: Floats
    inside_percent: Floats | None
    outside_percent: Floats | None
    step_s: float
    gap_s: float

    def __len__(self) -> int:
        return len(self.at_s)


@dataclass(frozen=True, eq=False)
class TrialResult:
    """All that two loggers say about a cover."""

    clock_offset: ClockOffset
    matched: Matched = field(repr=False)
    inside_step_s: float
    outside_step_s: float
    nights: tuple[NightResult, ...]
    days: tuple[DayResult, ...]
    totals: Totals
    humidity: Humidity | None
    flags: tuple[Flag, ...]
    chart: tuple[ChartPoint, ...]
    heat_max_c: float | None

    @property
    def matched_count(self) -> int:
        """Moments known from both loggers."""
        return len(self.matched)

    @property
    def starts_at(self) -> datetime:
        """The first matched moment."""
        return moment(int(self.matched.at_s[0]))

    @property
    def ends_at(self) -> datetime:
        """The last matched moment."""
        return moment(int(self.matched.at_s[-1]))

    @property
    def is_doubtful(self) -> bool:
        """Whether any flag says not to learn from this trial as it is."""
        return any(flag.doubts for flag in self.flags)


def moment(at_s: int) -> datetime:
    """A moment in UTC from seconds since 1970."""
    return datetime.fromtimestamp(at_s, tz=UTC)
