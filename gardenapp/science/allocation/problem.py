"""What an allocation is asked and what it answers: plain frozen records.

Ids are the caller's own (whole numbers or text); nothing here looks into them.
Lengths are cm, times minutes, winds m/s. `worth` is in the garden's own unit, "how much the
holder minds losing one plant"; `worth_per_minute` is the same unit for a minute of somebody's
evening. Damage is the expected share of a plant lost, 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from gardenapp.errors import OutOfRange
from gardenapp.messages import Message, say
from gardenapp.messages import Number as Figure

Id = int | str
Number = int | float


@dataclass(frozen=True)
class PlotSite:
    """One plot: where covers stand. Unknown sizes are None and then not limiting."""

    id: Id
    length_cm: float | None = None
    width_cm: float | None = None
    bed_width_cm: float | None = None
    minutes_away: float = 0.0


@dataclass(frozen=True)
class PlantingNeed:
    """A group of like plants in one plot, and what the night would cost it bare.

    `bed`: plantings of one plot with the same bed stand side by side, so that one cover may stand
    over several of them; over plantings of different beds none does.
    """

    id: Id
    plot_id: Id
    count: int
    spread_cm: float
    height_cm: float
    worth: float
    bare_damage: float
    is_movable_pot: bool = False
    bed: Id | None = None


@dataclass(frozen=True)
class CoverPool:
    """Like covers kept together. `inner_height_cm` None: a sheet that drapes over anything.

    `allowed_plot_ids` None: the whole garden may use them; otherwise only these plots.
    `minutes` is the time to put one on.
    """

    id: Id
    label: str
    count: int
    inner_length_cm: float
    inner_width_cm: float
    inner_height_cm: float | None
    outer_length_cm: float
    outer_width_cm: float
    is_rigid: bool = False
    may_touch: bool = True
    clearance_cm: float = 0.0
    minutes: float = 0.0
    gust_limit_mps: float | None = None
    allowed_plot_ids: frozenset[Id] | None = None

    @property
    def is_draped(self) -> bool:
        """Whether it is a loose sheet: no height of its own, and it may be folded smaller."""
        return self.inner_height_cm is None and not self.is_rigid


@dataclass(frozen=True)
class Treatment:
    """One way to look after plants: a cover, covers from the outermost in, or () for shelter."""

    id: Id
    pool_ids: tuple[Id, ...]
    label: str = ""

    @property
    def is_shelter(self) -> bool:
        """Whether pots are carried to shelter instead of covered."""
        return not self.pool_ids


@dataclass(frozen=True)
class FixedUse:
    """Covers already on, or promised by somebody: they stay. `units`: the plants under each."""

    plot_id: Id
    treatment_id: Id
    units: tuple[Mapping[Id, int], ...]


@dataclass(frozen=True)
class Problem:
    """One night's question. `damage` is keyed (planting id, treatment id).

    A pair missing from `damage` is never used. `gust_mps` None: not known, no cover is refused.
    `minutes_budget` None: no limit on helpers' time. `least_gain`: a treatment is not used in a bed
    where all its units together save less, in the garden's unit. `least_share`: plants of one
    planting are shared out between treatments only in shares of at least this size, 0 to 1.
    """

    plots: tuple[PlotSite, ...]
    plantings: tuple[PlantingNeed, ...]
    pools: tuple[CoverPool, ...]
    treatments: tuple[Treatment, ...]
    damage: Mapping[tuple[Id, Id], float]
    shelter_spaces: int = 0
    shelter_minutes_per_pot: float = 0.0
    minutes_budget: float | None = None
    worth_per_minute: float = 0.0
    gust_mps: float | None = None
    fixed: tuple[FixedUse, ...] = ()
    least_gain: float = 0.0
    least_share: float = 0.0


@dataclass(frozen=True)
class Use:
    """Units of one treatment in one plot, and exactly which plants are under each unit.

    For shelter there is one entry: the pots carried there from this plot.
    """

    plot_id: Id
    treatment_id: Id
    units: tuple[Mapping[Id, int], ...]
    is_fixed: bool = False


@dataclass(frozen=True)
class Reason:
    """Why a planting's uncovered plants are uncovered (or that all is well), and what it needs.

    `units_wanted` is how many covers of the roomiest kind that could serve it would do.
    """

    code: str
    params: Mapping[str, Number | str] = field(default_factory=lambda: MappingProxyType({}))
    plants: int = 0
    needs_height_cm: float | None = None
    needs_spread_cm: float | None = None
    units_wanted: int = 0


@dataclass(frozen=True)
class StageInfo:
    """What one step of the solve did, for the log and the bench."""

    name: str
    seconds: float
    objective: float | None = None
    bound: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Allocation:
    """The answer. `objective` belongs to the whole plants placed in `uses`, fixed ones included.

    `bound`: no allocation that keeps the fixed uses can have a higher objective.
    `gap`: (bound - objective) / |bound|, 0 when both are 0.
    `minutes_used` counts new work only; what is already on costs no time tonight.
    `method`: 'optimal' (gap within what was asked), 'time limit' or 'greedy'.
    `harmful_fixed`: fixed uses with a planting expected to do worse than bare.
    """

    uses: tuple[Use, ...]
    covered: Mapping[Id, Mapping[Id, int]]
    objective: float
    bound: float
    gap: float
    minutes_used: float
    reasons: Mapping[Id, Reason]
    must_come_off: tuple[FixedUse, ...]
    method: str
    harmful_fixed: tuple[FixedUse, ...] = ()
    stages: tuple[StageInfo, ...] = ()


def relative_gap_of(objective: float, bound: float) -> float:
    """How far an objective may be from the best, as a share of the bound.

    Any unit, the same for both. 0 when both agree to rounding; infinite when the bound is 0 and
    the objective is not.
    """
    short = bound - objective
    if short <= 1e-9 * max(1.0, abs(bound)):
        return 0.0
    return short / abs(bound) if bound else math.inf


def check_problem(problem: Problem) -> None:
    """Refuse a problem with numbers or ids that make no sense, before any work is done.

    Raises OutOfRange naming the record, the field and what is allowed.
    """
    _no_twins("plot", [plot.id for plot in problem.plots])
    _no_twins("planting", [planting.id for planting in problem.plantings])
    _no_twins("cover", [pool.id for pool in problem.pools])
    _no_twins("treatment", [treatment.id for treatment in problem.treatments])
    plot_ids = {plot.id for plot in problem.plots}
    pool_ids = {pool.id for pool in problem.pools}
    planting_plots = {planting.id: planting.plot_id for planting in problem.plantings}
    treatment_ids = {treatment.id for treatment in problem.treatments}

    for plot in problem.plots:
        where = say("plot %(id)s", id=plot.id)
        for name in ("length_cm", "width_cm", "bed_width_cm"):
            _number(where, name, getattr(plot, name), above=0.0, optional=True)
        _number(where, "minutes_away", plot.minutes_away)
    for planting in problem.plantings:
        where = say("planting %(id)s", id=planting.id)
        _known(where, "plot_id", planting.plot_id, plot_ids)
        _whole(where, "count", planting.count)
        _number(where, "spread_cm", planting.spread_cm, above=0.0)
        _number(where, "height_cm", planting.height_cm)
        _number(where, "worth", planting.worth, above=0.0)
        _number(where, "bare_damage", planting.bare_damage, most=1.0)
    for pool in problem.pools:
        where = say("cover %(id)s", id=pool.id)
        _whole(where, "count", pool.count)
        for name in ("inner_length_cm", "inner_width_cm", "outer_length_cm", "outer_width_cm"):
            _number(where, name, getattr(pool, name), above=0.0)
        _number(where, "inner_height_cm", pool.inner_height_cm, above=0.0, optional=True)
        _number(where, "clearance_cm", pool.clearance_cm)
        _number(where, "minutes", pool.minutes)
        _number(where, "gust_limit_mps", pool.gust_limit_mps, optional=True)
    for treatment in problem.treatments:
        for pool_id in treatment.pool_ids:
            _known(say("treatment %(id)s", id=treatment.id), "pool_ids", pool_id, pool_ids)
    for (planting_id, treatment_id), share in problem.damage.items():
        if not 0.0 <= share <= 1.0:
            where = say(
                "damage of %(planting)s under %(treatment)s",
                planting=planting_id,
                treatment=treatment_id,
            )
            _number(where, "share", share, most=1.0)
    where = say("problem")
    _whole(where, "shelter_spaces", problem.shelter_spaces)
    _number(where, "shelter_minutes_per_pot", problem.shelter_minutes_per_pot)
    _number(where, "minutes_budget", problem.minutes_budget, optional=True)
    _number(where, "worth_per_minute", problem.worth_per_minute)
    _number(where, "gust_mps", problem.gust_mps, optional=True)
    _number(where, "least_gain", problem.least_gain)
    _number(where, "least_share", problem.least_share, most=1.0)
    for use in problem.fixed:
        where = say("fixed use in plot %(plot)s", plot=use.plot_id)
        _known(where, "plot_id", use.plot_id, plot_ids)
        _known(where, "treatment_id", use.treatment_id, treatment_ids)
        for unit in use.units:
            for planting_id, plants in unit.items():
                if planting_plots.get(planting_id) != use.plot_id:
                    raise OutOfRange(
                        say(
                            "%(where)s: planting %(planting)s does not stand there",
                            where=where,
                            planting=planting_id,
                        )
                    )
                _whole(where, f"plants of {planting_id}", plants)


def _no_twins(kind: str, ids: Collection[Id]) -> None:
    if len(set(ids)) != len(ids):
        raise OutOfRange(
            say("two records share one %(kind)s id: each %(kind)s needs its own", kind=kind)
        )


def _known(where: Message, name: str, value: Id, known: Collection[Id]) -> None:
    if value not in known:
        raise OutOfRange(
            say(
                "%(where)s: %(name)s %(value)s is not in the problem",
                where=where,
                name=name,
                value=repr(value),
            )
        )


def _whole(where: Message, name: str, value: int) -> None:
    if value != int(value) or value < 0:
        raise OutOfRange(
            say(
                "%(where)s: %(name)s must be a whole number, 0 or more, not %(value)s",
                where=where,
                name=name,
                value=repr(value),
            )
        )


def _number(
    where: Message,
    name: str,
    value: float | None,
    *,
    above: float | None = None,
    most: float = math.inf,
    optional: bool = False,
) -> None:
    if value is None:
        if optional:
            return
        raise OutOfRange(say("%(where)s: %(name)s is missing", where=where, name=name))
    too_low = value <= above if above is not None else value < 0
    if not math.isfinite(value) or too_low or value > most:
        shown = repr(value)
        if above is not None:
            raise OutOfRange(
                say(
                    "%(where)s: %(name)s must be above %(least)s, not %(value)s",
                    where=where,
                    name=name,
                    least=Figure(above),
                    value=shown,
                )
            )
        if most < math.inf:
            raise OutOfRange(
                say(
                    "%(where)s: %(name)s must be 0 or more and at most %(most)s, not %(value)s",
                    where=where,
                    name=name,
                    most=Figure(most),
                    value=shown,
                )
            )
        raise OutOfRange(
            say(
                "%(where)s: %(name)s must be 0 or more, not %(value)s",
                where=where,
                name=name,
                value=shown,
            )
        )
