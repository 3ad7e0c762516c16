"""A past record of nights run through the planner, beside rules of thumb and perfect foresight.

Each night begins with the whole garden and every cover free, so a hopeless night counts once and
not for the rest of the winter. The planner sees a simulated forecast; what then happens is drawn
from the record and, for what no record holds, from shapes that are not the planner's own:

- the low is the record's, somewhere within the step it was rounded to;
- cloud and wind are the record's, with a flat error, or those of real cool nights elsewhere;
- how far air and leaves fall below the screen, the plots' offsets and the covers' lifts have the
  published means and spreads, but flat instead of bell-shaped;
- plants are harmed and die by their published curves, as hard as the record's weather made them.

Only frost on shoots and leaves is counted, not chilling above freezing and not roots in pots.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from statistics import median

from gardenapp.errors import OutOfRange
from gardenapp.messages import say
from gardenapp.science.allocation.fit import Prepared
from gardenapp.science.allocation.problem import (
    Id,
    Problem,
)
from gardenapp.science.allocation.solve import solve
from gardenapp.science.covers.lift import (
    LiftPrior,
    bare_plant_c,
    covered_plant_c,
    lift_tonight,
    touching,
)
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.exposure import (
    leaf_k,
    open_sky,
    plant_air_k,
    radiative_share,
    share_of,
    spot_k,
    stillness,
)
from gardenapp.science.night.forecast_error import forecast_sd_k
from gardenapp.science.season.hardened import HardenedGarden
from gardenapp.science.season.replay_forecasts import (
    ErrorPool,
    ReplayNight,
    SimulatedForecasts,
    error_pool,
    simulated_forecasts,
    unrounded,
)
from gardenapp.science.season.replay_garden import ReplayGarden, ReplayPlanting
from gardenapp.science.season.replay_rules import (
    COVER_ALL_BELOW_C,
    RULE_MARGIN_K,
    Rule,
    by_rule,
    prepare_for_rules,
)

PLAN = "plan"
FORESIGHT = "perfect foresight"
BARE = "nothing covered"
POLICIES = (BARE, *(rule.value for rule in Rule), PLAN, FORESIGHT)

FIRST_NIGHT_LEAD_H = 12.0
MARKS_C = (2.0, 0.0, -2.0, -4.0)
"""Lows whose odds are scored."""
LEAST_ODDS = 0.01
"""Odds under this (or so near to 1) are not scored: nobody is told them, and they would flatter
every score."""

COOL_NIGHT_CLOUD = (0.0, 0.01, 0.09, 0.24, 0.43, 0.59, 0.75, 0.93, 1.0, 1.0)
COOL_NIGHT_WIND_MPS = (1.17, 1.66, 2.0, 2.27, 2.5, 2.73, 3.14, 3.6, 4.4, 5.76)
"""Middles of the tenths of mean cloud and of mean wind over the 123 nights with a low of 5 °C or
less in the TMY3 year of Greensboro, North Carolina (station 723170): derived from that file, for
records that hold no cloud or wind. One inland station."""
_SKY_ERROR = 0.2  # flat, so its deviation is 0.115: the planner states 0.12
_WIND_ERROR = 0.14  # and 0.08
_FLAT = math.sqrt(3.0)  # half the width of a flat spread with deviation 1
_WHOLE_SKY = Estimate(1.0, 0.0)


@dataclass(frozen=True)
class ReplaySettings:
    """How a replay is run.

    time_limit_s, relative_gap : for each solve; safe_below : expected share lost under which the
    planner leaves a planting alone; touching_fraction : leaves that touch a sheet laid on them;
    latitude : of the garden, for the seasons. [°]
    """

    seed: int = 1
    time_limit_s: float = 2.0
    relative_gap: float = 0.01
    safe_below: float = 0.05
    touching_fraction: float = 0.15
    latitude: float = 52.0


@dataclass(frozen=True)
class Outlook:
    """Expected share lost by planting, bare and under each treatment, as the planner has it."""

    bare: Mapping[Id, float]
    covered: Mapping[tuple[Id, Id], float]


@dataclass(frozen=True)
class Odds:
    """Things that were said to come with some probability, and whether they came."""

    said: tuple[float, ...]
    came: tuple[bool, ...]


@dataclass(frozen=True)
class PolicyTotal:
    """What one way of deciding came to over the record.

    loss : worth lost, each plant weighted by how much its holder minds; plants : plants lost;
    minutes : time spent putting covers on; nights : nights on which anything was covered.
    """

    name: str
    loss: float
    plants: float
    minutes: float
    nights: int


@dataclass(frozen=True)
class NightLine:
    """One night of the replay, for the table of those that mattered most. [°C, worth]"""

    night_of: date
    forecast_c: float
    low_c: float
    losses: Mapping[str, float]


@dataclass(frozen=True)
class ReplayResult:
    """A whole replay.

    nights : in the record; risky_nights : on which the planner saw something in danger;
    missed_nights : something was lost bare though the planner saw no danger; cut_nights : solves
    that the clock ended, which may come out a little otherwise on another computer; damage and
    lows : what was said of plants and of lows, and what came; lines : every night.
    """

    nights: int
    frosts: int
    risky_nights: int
    missed_nights: int
    cut_nights: int
    totals: tuple[PolicyTotal, ...]
    lines: tuple[NightLine, ...]
    damage: Odds
    lows: Odds
    low_marks_c: tuple[float, ...]
    forecasts: SimulatedForecasts
    errors_from: str

    def total(self, name: str) -> PolicyTotal:
        """The total of one policy. Raises OutOfRange for a name that is not in `POLICIES`."""
        for total in self.totals:
            if total.name == name:
                return total
        raise OutOfRange(
            say(
                "name must be one of %(policies)s, not %(name)s",
                policies=", ".join(POLICIES),
                name=name,
            )
        )

    @property
    def best_rule(self) -> PolicyTotal:
        """The rule of thumb that lost least."""
        names = {rule.value for rule in Rule}
        return min((t for t in self.totals if t.name in names), key=lambda t: t.loss)

    @property
    def less_lost_than_best_rule(self) -> float | None:
        """The plan's loss against the best rule's, as a share less; None where neither lost."""
        best = self.best_rule.loss
        return None if best <= 0.0 else 1.0 - self.total(PLAN).loss / best

    @property
    def share_of_foresight(self) -> float | None:
        """Loss avoided by the plan as a share of what perfect foresight would avoid."""
        bare = self.total(BARE).loss
        could = bare - self.total(FORESIGHT).loss
        return None if could <= 1e-9 else (bare - self.total(PLAN).loss) / could


@dataclass(frozen=True)
class Progress:
    """How far a replay is. The last one carries the result."""

    done: int
    total: int
    night_of: date
    result: ReplayResult | None = None


# --- what the planner believes ----------------------------------------------------------------


Expected = dict[tuple[object, ...], tuple[float, dict[Id, float]]]
"""Expected share lost bare and under each treatment, by what decides it but the treatments."""


def night_outlook(
    garden: ReplayGarden,
    night: ReplayNight,
    screen_low: Estimate,
    settings: ReplaySettings,
    *,
    known: Expected | None = None,
) -> Outlook:
    """What the planner expects of each planting, by the formulas of an evening's plan.

    `screen_low` is the forecast with its error, or the true low without one. Treatments are
    worked out only for plantings that are in danger bare. `known` is added to and may be given
    again for nights of the same treatments and settings.
    """
    share = radiative_share(cloud_fraction=night.cloud_fraction, wind_mps=night.wind_mps)
    lifts = {
        item.treatment.id: (
            lift_tonight(item.lift, share),
            None if item.over is None else lift_tonight(item.over, share),
        )
        for item in garden.treatments
    }
    bare: dict[Id, float] = {}
    covered: dict[tuple[Id, Id], float] = {}
    known = {} if known is None else known
    for planting in garden.plantings:
        height_cm = planting.need.height_cm
        key = (screen_low, share, planting.bearing, planting.offset, height_cm)
        if key not in known:
            known[key] = _expected(garden, planting, screen_low, share, lifts, settings)
        lost, under = known[key]
        bare[planting.need.id] = lost
        for treatment_id, expected in under.items():
            covered[planting.need.id, treatment_id] = expected
    return Outlook(bare, covered)


def _expected(
    garden: ReplayGarden,
    planting: ReplayPlanting,
    screen_low: Estimate,
    share: Estimate,
    lifts: Mapping[Id, tuple[Estimate, Estimate | None]],
    settings: ReplaySettings,
) -> tuple[float, dict[Id, float]]:
    """Expected share lost bare, and under each treatment where that is not safe."""
    leaf = leaf_k(share)
    air = plant_air_k(share, planting.need.height_cm / 100.0)
    offset = spot_k(share, planting.offset, planting.need.height_cm / 100.0)
    lost = planting.bearing.shares(
        bare_plant_c(screen_low=screen_low, offset=offset, air=air, leaf=leaf)
    )[2]

    def lost_under(lift: Estimate, leaf_shield: float) -> float:
        temp = covered_plant_c(
            screen_low=screen_low,
            offset=offset,
            air=air,
            leaf=leaf,
            lift=lift,
            leaf_shield=leaf_shield,
        )
        return planting.bearing.shares(temp)[2]

    under: dict[Id, float] = {}
    for item in garden.treatments if lost >= settings.safe_below else ():
        lift, over = lifts[item.treatment.id]
        expected = lost_under(lift, item.lift.leaf_shield)
        if item.is_draped:
            without = lost
            if item.over is not None and over is not None:
                without = lost_under(over, item.over.leaf_shield)
            expected = touching(
                bare_share=without,
                covered_share=expected,
                fraction_touching=settings.touching_fraction,
            )
        under[item.treatment.id] = expected
    return lost, under


def problem_of(
    garden: ReplayGarden, outlook: Outlook, *, gust_mps: float | None, safe_below: float
) -> Problem:
    """One night's question to the allocation; plantings that are safe ask for nothing."""
    return Problem(
        plots=garden.plots,
        plantings=tuple(
            replace(
                planting.need,
                bare_damage=(
                    outlook.bare[planting.need.id]
                    if outlook.bare[planting.need.id] >= safe_below
                    else 0.0
                ),
            )
            for planting in garden.plantings
        ),
        pools=garden.pools,
        treatments=tuple(item.treatment for item in garden.treatments),
        damage=outlook.covered,
        shelter_spaces=garden.shelter_spaces,
        shelter_minutes_per_pot=garden.shelter_minutes_per_pot,
        minutes_budget=garden.minutes_budget,
        worth_per_minute=garden.worth_per_minute,
        gust_mps=gust_mps,
    )


# --- what then happens ------------------------------------------------------------------------


class Truth:
    """One night as it came: the share of each planting lost, bare or under a treatment.

    The same night and seed give the same truth to every policy.
    """

    def __init__(
        self,
        garden: ReplayGarden,
        night: ReplayNight,
        plot_draws: Mapping[Id, float],
        settings: ReplaySettings,
        rng: random.Random,
    ) -> None:
        self._settings = settings
        self._night = night
        self._plot_draws = plot_draws
        self._treatments = {item.treatment.id: item for item in garden.treatments}
        cloud = (
            rng.choice(COOL_NIGHT_CLOUD) if night.cloud_fraction is None else night.cloud_fraction
        )
        wind = rng.choice(COOL_NIGHT_WIND_MPS) if night.wind_mps is None else night.wind_mps
        self.share = share_of(
            max(0.0, open_sky(cloud) + rng.uniform(-_SKY_ERROR, _SKY_ERROR)),
            max(0.0, stillness(wind) + rng.uniform(-_WIND_ERROR, _WIND_ERROR)),
        )
        self._air = rng.uniform(-_FLAT, _FLAT)
        whole = leaf_k(_WHOLE_SKY)
        self._leaf_k = self.share * (whole.mean + rng.uniform(-_FLAT, _FLAT) * whole.sd)
        draws = {item.treatment.id: rng.uniform(-_FLAT, _FLAT) for item in garden.treatments}
        self._lift_k = {
            item.treatment.id: self._lift(item.lift, draws[item.treatment.id])
            for item in garden.treatments
        }
        self._over_k = {
            item.treatment.id: self._lift(item.over, draws[item.treatment.id])
            for item in garden.treatments
            if item.over is not None
        }
        self._known: dict[tuple[object, ...], float] = {}

    def _lift(self, prior: LiftPrior, draw: float) -> float:
        clear = prior.clear.mean + draw * prior.clear.sd
        cloudy = prior.cloudy.mean + draw * prior.cloudy.sd
        return self.share * clear + (1.0 - self.share) * cloudy

    def lost(self, planting: ReplayPlanting, treatment_id: Id | None) -> float:
        """Share lost, 0 to 1; `treatment_id` None: bare."""
        offset_k = (
            planting.offset.mean + self._plot_draws[planting.need.plot_id] * planting.offset.sd
        )
        key = (planting.bearing, offset_k, planting.need.height_cm, treatment_id)
        if key not in self._known:
            self._known[key] = self._lost(planting, offset_k, treatment_id)
        return self._known[key]

    def _lost(self, planting: ReplayPlanting, offset_k: float, treatment_id: Id | None) -> float:
        air = plant_air_k(Estimate(self.share, 0.0), planting.need.height_cm / 100.0)
        air_c = self._night.low_c + self.share * offset_k + air.mean + self._air * air.sd
        bare = planting.bearing.lost_at(air_c + self._leaf_k)
        if treatment_id is None:
            return bare
        item = self._treatments[treatment_id]
        leaf_k_ = self._leaf_k * (1.0 - item.lift.leaf_shield)
        under = planting.bearing.lost_at(air_c + self._lift_k[treatment_id] + leaf_k_)
        if item.is_draped:
            without = bare
            if item.over is not None:
                leaf_k_ = self._leaf_k * (1.0 - item.over.leaf_shield)
                without = planting.bearing.lost_at(air_c + self._over_k[treatment_id] + leaf_k_)
            under = touching(
                bare_share=without,
                covered_share=under,
                fraction_touching=self._settings.touching_fraction,
            )
        return under


# --- the covers there are and the covers that are needed --------------------------------------


def scaled(garden: ReplayGarden, factor: float) -> ReplayGarden:
    """The garden with every kind of cover multiplied, rounded to whole covers.

    Raises OutOfRange for a factor below 0 or above 1000.
    """
    if not 0.0 <= factor <= 1000.0:
        raise OutOfRange(
            say("%(name)s must be 0 to 1000, not %(value)s", name="factor", value=factor)
        )
    return replace(
        garden,
        pools=tuple(
            replace(pool, count=math.floor(pool.count * factor + 0.5)) for pool in garden.pools
        ),
    )


def needed_factor(
    garden: ReplayGarden, nights: Sequence[ReplayNight], settings: ReplaySettings
) -> float:
    """How many times the garden's covers it takes to cover everything in danger, same mix.

    On the middle one of the nights that endanger anything, going by its true low: the least
    factor with which the rule "most tender first" leaves no plant bare that any number of covers
    could cover. 1 where no night endangers anything or nothing fits.
    """
    dangers = []
    hardened = HardenedGarden(replace(garden, treatments=()), nights, latitude=settings.latitude)
    for night in sorted(nights, key=lambda n: n.low_c):
        tonight = hardened.on(night.night_of)
        outlook = night_outlook(tonight, night, Estimate(night.low_c, 0.0), settings)
        wanted = [p for p in tonight.plantings if outlook.bare[p.need.id] >= settings.safe_below]
        if wanted:
            dangers.append((night.low_c, wanted))
    if not dangers:
        return 1.0
    middle_c = median(low_c for low_c, _ in dangers)
    _, wanted = min(dangers, key=lambda danger: abs(danger[0] - middle_c))
    order = [p.need.id for p in sorted(wanted, key=lambda p: -p.threshold_c)]
    warmth = warmth_of(garden)
    idle = Outlook(dict.fromkeys((p.need.id for p in garden.plantings), 0.0), {})

    def under_cover(factor: float) -> int:
        problem = problem_of(
            replace(scaled(garden, factor), minutes_budget=None),
            idle,
            gust_mps=None,
            safe_below=settings.safe_below,
        )
        answer = by_rule(prepare_for_rules(problem), wanted=order, warmth=warmth)
        return sum(sum(under.values()) for under in answer.covered.values())

    most = under_cover(64.0)
    if most == 0:
        return 1.0
    high = 0.125
    while high < 64.0 and under_cover(high) < most:
        high *= 2.0
    low = 0.0 if high == 0.125 else high / 2.0
    for _ in range(8):
        middle = (low + high) / 2.0
        if under_cover(middle) < most:
            low = middle
        else:
            high = middle
    return high


def warmth_of(garden: ReplayGarden) -> dict[Id, float]:
    """How warm each treatment is thought to be by somebody with a rule of thumb. [K]

    Its lift on a clear night with what its shade is worth to the leaf; shelter comes first.
    """
    leaf = leaf_k(_WHOLE_SKY).mean
    return {
        item.treatment.id: (
            math.inf
            if item.treatment.is_shelter
            else item.lift.clear.mean - leaf * item.lift.leaf_shield
        )
        for item in garden.treatments
    }


# --- the replay -------------------------------------------------------------------------------


@dataclass
class _Sum:
    loss: float = 0.0
    plants: float = 0.0
    minutes: float = 0.0
    nights: int = 0


@dataclass
class _Scores:
    said: list[float] = field(default_factory=list)
    came: list[bool] = field(default_factory=list)

    def add(self, probability: float, came: bool) -> None:
        if LEAST_ODDS <= probability <= 1.0 - LEAST_ODDS:
            self.said.append(probability)
            self.came.append(came)

    def odds(self) -> Odds:
        return Odds(tuple(self.said), tuple(self.came))


Covered = Mapping[Id, Mapping[Id, int]]


class _Run:
    """One replay's state."""

    def __init__(
        self, garden: ReplayGarden, nights: Sequence[ReplayNight], settings: ReplaySettings
    ) -> None:
        if not garden.plantings:
            raise OutOfRange(say("the garden has no plantings to replay"))
        self.garden = garden
        self.nights = tuple(nights)
        self.settings = settings
        self.pool: ErrorPool = error_pool(self.nights)
        self.forecasts = simulated_forecasts(self.nights, self.pool, seed=settings.seed)
        self.came = unrounded(self.nights, seed=settings.seed)
        plots = self._rng("plots")
        self.plot_draws = {plot.id: plots.uniform(-_FLAT, _FLAT) for plot in garden.plots}
        self.warmth = warmth_of(garden)
        self.sums = {name: _Sum() for name in POLICIES}
        self.damage = _Scores()
        self.low_scores = _Scores()
        self.low_marks: list[float] = []
        self.lines: list[NightLine] = []
        self.risky = self.missed = self.cut = 0
        self._prepared: dict[frozenset[Id], Prepared] = {}
        self._hardened = HardenedGarden(garden, self.nights, latitude=settings.latitude)

    def _rng(self, what: object) -> random.Random:
        return random.Random(f"{self.settings.seed} {what}")  # noqa: S311 -- a simulation

    def night(self, index: int) -> None:
        night, forecast_c = self.came[index], self.forecasts.lows_c[index]
        rng = self._rng(f"night {index}")
        self.garden = self._hardened.on(self.nights[index].night_of)
        believed = Estimate(forecast_c, forecast_sd_k(FIRST_NIGHT_LEAD_H))
        self._score_low(night, believed)
        seen = night_outlook(self.garden, night, believed, self.settings)
        known = night_outlook(self.garden, night, Estimate(night.low_c, 0.0), self.settings)
        truth = Truth(self.garden, night, self.plot_draws, self.settings, rng)
        orders = self._rule_orders(forecast_c, rng)
        answers: dict[str, tuple[Covered, float]] = {
            BARE: ({}, 0.0),
            PLAN: self._planned(seen, night),
            FORESIGHT: self._planned(known, night),
        }
        for rule, wanted in orders.items():
            if wanted:
                answer = by_rule(self._fit(night), wanted=wanted, warmth=self.warmth)
                answers[rule.value] = answer.covered, answer.minutes
            else:
                answers[rule.value] = {}, 0.0
        losses = {name: self._add(name, *answers[name], truth) for name in POLICIES}
        is_risky = max(seen.bare.values()) >= self.settings.safe_below
        self.risky += is_risky
        lost_bare = max(truth.lost(p, None) for p in self.garden.plantings)
        self.missed += not is_risky and lost_bare >= self.settings.safe_below
        self.lines.append(NightLine(night.night_of, forecast_c, self.nights[index].low_c, losses))
        self._score_damage(seen, answers[PLAN][0], truth, rng)

    def _planned(self, outlook: Outlook, night: ReplayNight) -> tuple[Covered, float]:
        if not outlook.covered:
            return {}, 0.0
        problem = problem_of(
            self.garden,
            outlook,
            gust_mps=night.gust_mps,
            safe_below=self.settings.safe_below,
        )
        allocation = solve(
            problem,
            time_limit_s=self.settings.time_limit_s,
            relative_gap=self.settings.relative_gap,
        )
        self.cut += allocation.method == "time limit"
        return allocation.covered, allocation.minutes_used

    def _rule_orders(self, forecast_c: float, rng: random.Random) -> dict[Rule, list[Id]]:
        """Who comes first by each rule; nobody where the rule sees no need."""
        garden = self.garden
        by_plot = {plot.id: number for number, plot in enumerate(garden.plots)}
        arrival = list(garden.plots)
        rng.shuffle(arrival)
        arrives = {plot.id: number for number, plot in enumerate(arrival)}
        near = [p for p in garden.plantings if p.threshold_c >= forecast_c - RULE_MARGIN_K]
        tender_first = sorted(near, key=lambda p: -p.threshold_c)
        everyone = sorted(garden.plantings, key=lambda p: by_plot[p.need.plot_id])
        return {
            Rule.ALL_BELOW: [
                p.need.id for p in (everyone if forecast_c < COVER_ALL_BELOW_C else ())
            ],
            Rule.TENDER_FIRST: [p.need.id for p in tender_first],
            Rule.FIRST_COME: [
                p.need.id for p in sorted(tender_first, key=lambda p: arrives[p.need.plot_id])
            ],
        }

    def _fit(self, night: ReplayNight) -> Prepared:
        """What fits where; the same on every night whose gust takes the same covers away."""
        over = frozenset(
            pool.id
            for pool in self.garden.pools
            if night.gust_mps is not None
            and pool.gust_limit_mps is not None
            and night.gust_mps > pool.gust_limit_mps
        )
        if over not in self._prepared:
            idle = Outlook({p.need.id: 0.0 for p in self.garden.plantings}, {})
            problem = problem_of(self.garden, idle, gust_mps=night.gust_mps, safe_below=1.0)
            self._prepared[over] = prepare_for_rules(problem)
        return self._prepared[over]

    def _add(self, name: str, covered: Covered, minutes: float, truth: Truth) -> float:
        loss = plants = 0.0
        for planting in self.garden.plantings:
            under = covered.get(planting.need.id, {})
            left = planting.need.count - sum(under.values())
            gone = left * truth.lost(planting, None) + sum(
                number * truth.lost(planting, treatment_id)
                for treatment_id, number in under.items()
            )
            plants += gone
            loss += gone * planting.need.worth
        total = self.sums[name]
        total.loss += loss
        total.plants += plants
        total.minutes += minutes
        total.nights += any(covered.values())
        return loss

    def _score_low(self, night: ReplayNight, believed: Estimate) -> None:
        for mark_c in MARKS_C:
            before = len(self.low_scores.said)
            self.low_scores.add(believed.chance_below(mark_c), night.low_c <= mark_c)
            if len(self.low_scores.said) > before:
                self.low_marks.append(mark_c)

    def _score_damage(
        self, seen: Outlook, covered: Covered, truth: Truth, rng: random.Random
    ) -> None:
        """One plant of each planting, picked at random: was it hurt as often as was said?"""
        for planting in self.garden.plantings:
            treatment_id = self._roof_over(planting, covered, rng)
            said = (
                seen.bare[planting.need.id]
                if treatment_id is None
                else seen.covered[planting.need.id, treatment_id]
            )
            self.damage.add(said, rng.random() < truth.lost(planting, treatment_id))

    def _roof_over(
        self, planting: ReplayPlanting, covered: Covered, rng: random.Random
    ) -> Id | None:
        number = rng.randrange(planting.need.count) if planting.need.count else 0
        for treatment_id, plants in covered.get(planting.need.id, {}).items():
            if number < plants:
                return treatment_id
            number -= plants
        return None

    def result(self) -> ReplayResult:
        return ReplayResult(
            nights=len(self.nights),
            frosts=sum(night.low_c < 0.0 for night in self.nights),
            risky_nights=self.risky,
            missed_nights=self.missed,
            cut_nights=self.cut,
            totals=tuple(
                PolicyTotal(name, s.loss, s.plants, s.minutes, s.nights)
                for name, s in self.sums.items()
            ),
            lines=tuple(self.lines),
            damage=self.damage.odds(),
            lows=self.low_scores.odds(),
            low_marks_c=tuple(self.low_marks),
            forecasts=self.forecasts,
            errors_from=self.pool.made_by,
        )


def replay(
    garden: ReplayGarden, nights: Sequence[ReplayNight], settings: ReplaySettings
) -> Iterator[Progress]:
    """Run a record through the planner night by night, telling how far it is.

    Parameters
    ----------
    garden : what grows where and which covers there are.
    nights : the record, in order.
    settings : seed and limits.

    Yields
    ------
    A `Progress` after each night; the last one carries the result. Stop asking, and it stops.

    Notes
    -----
    The same seed, record and garden give the same result, but for solves that the clock ended
    (`cut_nights`). Losses are expected over plants given the night, so they do not hang on the
    luck of single plants; the odds are scored on single plants drawn at random.

    Raises OutOfRange for a garden without plantings or a record too short to draw errors from.
    """
    run = _Run(garden, nights, settings)
    for index, night in enumerate(run.nights):
        run.night(index)
        is_last = index == len(run.nights) - 1
        yield Progress(
            index + 1, len(run.nights), night.night_of, run.result() if is_last else None
        )
