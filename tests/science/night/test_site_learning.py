"""Splitting what was read at the plots into forecast error and plot offset."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.science.estimate import Estimate
from gardenapp.science.learning import normal_normal
from gardenapp.science.night.site_learning import (
    GardenLearning,
    LowReading,
    learn_garden,
    learn_site,
)

Z90 = NormalDist().inv_cdf(0.95)


def test_a_plot_never_read_keeps_its_prior() -> None:
    learning = learn_site(
        [LowReading(1, "a", -2.0)],
        offset_priors={"a": Estimate(0.0, 1.0), "b": Estimate(-1.0, 0.7)},
        forecast_sd_k=1.3,
    )

    assert learning.offsets["b"].estimate.mean == pytest.approx(-1.0)
    assert learning.offsets["b"].estimate.sd == pytest.approx(0.7)
    assert learning.offsets["b"].nights == 0
    assert learning.offsets["b"].weight_of_prior == pytest.approx(1.0)


@pytest.mark.outside("textbook normal-normal update with known variance, from memory")
def test_with_an_exact_forecast_it_is_the_textbook_update() -> None:
    prior, lows = Estimate(-1.0, 0.7), [-1.9, -2.2, -1.6]
    learning = learn_site(
        [LowReading(i, "a", low) for i, low in enumerate(lows)],
        offset_priors={"a": prior},
        forecast_sd_k=1e-6,
        reading_sd_k=0.6,
        bias_prior=Estimate(0.0, 1e-6),
    )

    expected = normal_normal(prior, lows, 0.6)

    assert learning.offsets["a"].estimate.mean == pytest.approx(expected.estimate.mean, abs=1e-5)
    assert learning.offsets["a"].estimate.sd == pytest.approx(expected.estimate.sd, abs=1e-5)
    assert learning.offsets["a"].weight_of_prior == pytest.approx(expected.weight_of_prior)


def test_the_same_error_everywhere_is_blamed_on_the_forecast_and_not_on_the_plots() -> None:
    readings = [LowReading(n, plot, -2.0) for n in range(6) for plot in "abcd"]

    learning = learn_site(
        readings, offset_priors={p: Estimate(0.0, 0.7) for p in "abcd"}, forecast_sd_k=1.3
    )

    night = learning.night_errors[0].mean
    offsets = [learnt.estimate.mean for learnt in learning.offsets.values()]
    assert night < -1.0
    assert all(abs(offset) < 0.6 for offset in offsets)


def test_what_is_stated_at_ninety_percent_holds_in_about_ninety_percent_of_gardens() -> None:
    rng = random.Random(20261124)
    runs, held, asked = 500, 0, 0
    for _ in range(runs):
        bias = rng.gauss(0.0, 0.5)
        priors = {p: Estimate(m, 0.7) for p, m in zip("abcde", (0, -1, -2, 0.5, 0), strict=True)}
        truth = {p: rng.gauss(prior.mean, prior.sd) for p, prior in priors.items()}
        readings = []
        for night in range(40):
            error = bias + rng.gauss(0.0, 1.3)
            readings += [
                LowReading(night, p, error + offset + rng.gauss(0.0, 0.6))
                for p, offset in truth.items()
                if rng.random() < 0.6
            ]
        learning = learn_site(readings, offset_priors=priors, forecast_sd_k=1.3)
        for p, offset in truth.items():
            estimate = learning.offsets[p].estimate
            held += abs(estimate.mean - offset) <= Z90 * estimate.sd
            asked += 1

    assert 0.85 <= held / asked <= 0.95


@pytest.mark.parametrize("residual", [float("nan"), float("inf")])
def test_a_reading_that_is_no_number_is_refused(residual: float) -> None:
    with pytest.raises(OutOfRange):
        learn_site([LowReading(1, None, residual)], offset_priors={}, forecast_sd_k=1.3)


def test_a_nights_own_error_is_bias_and_night_together_with_their_covariance() -> None:
    # One night read once at the screen: y = b + e + r, with known variances.
    bias, sd, reading = Estimate(0.2, 0.5), 1.2, 0.3

    learnt = learn_site(
        [LowReading("n1", None, 1.5)],
        offset_priors={},
        forecast_sd_k=sd,
        reading_sd_k=reading,
        bias_prior=bias,
    )

    # What the reading says of b + e, whose prior is 0.2 ± √(0.5² + 1.2²).
    prior = 1 / (0.5**2 + 1.2**2)
    posterior = prior + 1 / 0.3**2
    night = learnt.night_errors["n1"]
    assert night.mean == pytest.approx((0.2 * prior + 1.5 / 0.3**2) / posterior)
    assert night.sd == pytest.approx(posterior**-0.5)


@pytest.mark.parametrize("name", ["forecast_sd_k", "reading_sd_k"])
@pytest.mark.parametrize("value", [0.0, -1.0, math.nan])
def test_a_spread_of_nothing_is_refused(name: str, value: float) -> None:
    spreads: dict[str, Any] = {"forecast_sd_k": 1.0, "reading_sd_k": 0.3} | {name: value}

    with pytest.raises(OutOfRange, match=f"{name} must be above 0"):
        learn_site([], offset_priors={}, **spreads)


def test_one_night_at_one_plot_is_shared_out_by_the_variances() -> None:
    learnt = learn_site(
        [LowReading("a", "bed", 2.0)],
        offset_priors={"bed": Estimate(-0.5, 1.0), "never": Estimate(0.3, 0.7)},
        forecast_sd_k=1.0,
        reading_sd_k=1.0,
        bias_prior=Estimate(0.5, 1.0),
    )

    # Four equal variances make the reading; what surprises, 2.0 less 0.0, is split in four.
    assert learnt.bias.estimate.mean == pytest.approx(0.5 + 0.5)
    assert learnt.offsets["bed"].estimate.mean == pytest.approx(-0.5 + 0.5)
    assert learnt.offsets["bed"].estimate.sd == pytest.approx(0.75**0.5)
    assert learnt.offsets["bed"].weight_of_prior == pytest.approx(0.75)
    assert (learnt.offsets["bed"].nights, learnt.bias.nights) == (1, 1)
    assert learnt.night_errors["a"].mean == pytest.approx(0.5 + 0.5 + 0.5)
    assert learnt.night_errors["a"].sd == pytest.approx(1.0)
    assert learnt.offsets["never"].estimate.mean == pytest.approx(0.3)
    assert (learnt.offsets["never"].nights, learnt.offsets["never"].weight_of_prior) == (
        0, pytest.approx(1.0),
    )  # fmt: skip


def test_what_is_not_said_is_from_memory_and_is_told() -> None:
    readings = [LowReading("a", "bed", 2.0), LowReading("b", None, -1.0)]
    priors = {"bed": Estimate(0.0, 1.0)}

    usual = learn_site(readings, offset_priors=priors, forecast_sd_k=1.3)
    said = learn_site(
        readings, offset_priors=priors, forecast_sd_k=1.3, reading_sd_k=0.6,
        bias_prior=Estimate(0.0, 0.5),
    )  # fmt: skip

    assert usual == said


def test_nights_of_a_plot_are_counted_once_however_often_it_was_read() -> None:
    readings = [LowReading("a", "bed", 1.0)] * 3 + [LowReading("b", "bed", 1.0)]

    learnt = learn_site(readings, offset_priors={"bed": Estimate(0.0, 1.0)}, forecast_sd_k=1.0)

    assert (learnt.offsets["bed"].nights, learnt.bias.nights) == (2, 2)


def test_a_plot_without_a_prior_is_named() -> None:
    with pytest.raises(OutOfRange, match="plot 'shed' has no prior offset"):
        learn_site([LowReading("a", "shed", 1.0)], offset_priors={}, forecast_sd_k=1.0)
    with pytest.raises(OutOfRange, match="every prior needs a spread above 0"):
        learn_site([], offset_priors={"bed": Estimate(0.0, 0.0)}, forecast_sd_k=1.0)


# --- a plot's kind of night, the layer near the ground, and the spread ---------------------------

NIGHT_SD_K = math.sqrt(1.338086**2 - 0.5**2)
SHARES = (0.15, 0.3, 0.6, 0.9, 1.0)


def test_a_pocket_is_learnt_as_what_it_is_on_clear_nights() -> None:
    """Learnt over all nights alike it would be milder than half of what it does when clear."""
    rng = random.Random(7)
    readings = []
    for night in range(120):
        share = SHARES[night % 5]
        error = rng.gauss(0.0, 1.2)
        readings.append(LowReading(night, None, error + rng.gauss(0.0, 0.6), share))
        pocket_k = error - 2.5 * share + rng.gauss(0.0, 0.6)
        readings.append(LowReading(night, "pocket", pocket_k, share))
    alike = [LowReading(r.night, r.plot, r.residual_k) for r in readings]
    priors = {"pocket": Estimate(-1.0, 1.2)}

    own, mixed = (
        learn_site(each, offset_priors=priors, forecast_sd_k=1.2).offsets["pocket"].estimate
        for each in (readings, alike)
    )

    assert own.mean == pytest.approx(-2.5, abs=2.0 * own.sd)
    assert own.sd < 0.2
    assert mixed.mean > -1.7  # and it would be sure of it
    assert mixed.sd < 0.2


def test_nights_that_are_neither_clear_nor_calm_say_little_of_a_plot() -> None:
    prior = {"bed": Estimate(0.0, 1.0)}

    dull, clear = (
        learn_site(
            [LowReading(n, plot, -1.0 if plot else 0.0, share) for n in range(8)
             for plot in ("bed", None)],
            offset_priors=prior, forecast_sd_k=1.2,
        ).offsets["bed"].estimate.sd
        for share in (0.15, 1.0)
    )  # fmt: skip

    assert clear < 0.4 < 0.8 < dull < 1.0


def test_plot_ground_and_forecast_are_told_apart_by_what_was_read_where() -> None:
    """A garden whose forecast is 0.8 K too mild, whose hollow is 2 K colder and whose ground falls
    0.7 K beyond the rule, each on clear nights."""
    rng = random.Random(11)
    readings = []
    for night in range(150):
        share = SHARES[night % 5]
        error = -0.8 + rng.gauss(0.0, 1.2)

        def read(k: float) -> float:
            return k + rng.gauss(0.0, 0.6)

        readings += [
            LowReading(night, None, read(error), share),
            LowReading(night, "hollow", read(error - 2.0 * share), share),
            LowReading(night, "open", read(error - 0.7 * share), share, layer=share),
        ]

    learnt = learn_site(
        readings,
        offset_priors={"hollow": Estimate(-1.0, 1.0), "open": Estimate(0.0, 0.3)},
        forecast_sd_k=1.2,
    )

    assert learnt.bias.estimate.mean == pytest.approx(-0.8, abs=0.25)
    assert learnt.offsets["hollow"].estimate.mean == pytest.approx(-2.0, abs=0.25)
    assert learnt.layer.estimate.mean == pytest.approx(-0.7, abs=0.35)
    assert learnt.layer.nights == 150


def test_a_vague_reading_weighs_less() -> None:
    def offset(sd_k: float | None) -> Estimate:
        return (
            learn_site(
                [LowReading(n, "bed", -3.0, sd_k=sd_k) for n in range(5)],
                offset_priors={"bed": Estimate(0.0, 1.0)},
                forecast_sd_k=1.0,
            )
            .offsets["bed"]
            .estimate
        )

    assert offset(3.0).mean > offset(None).mean
    assert offset(3.0).sd > offset(None).sd
    with pytest.raises(OutOfRange, match="every reading needs a spread"):
        offset(0.0)


def garden(
    rng: random.Random, nights: int, *, clear_by: float = 1.0
) -> tuple[GardenLearning, Callable[[], tuple[float, float]]]:
    """An invented garden after so many nights, and its next night's share and error."""
    sd_k = NIGHT_SD_K * math.sqrt(10.0 / rng.gammavariate(5.0, 2.0))
    bias = rng.gauss(0.0, 0.5)
    priors = {plot: Estimate(mean, 1.0) for plot, mean in (("a", 0.0), ("b", -1.5), ("c", -2.5))}
    truth = {plot: rng.gauss(prior.mean, prior.sd) for plot, prior in priors.items()}

    def night() -> tuple[float, float]:
        share = rng.choice(SHARES)
        return share, bias + rng.gauss(0.0, sd_k * (clear_by if share > 0.8 else 1.0))

    readings, shares = [], {}
    for number in range(nights):
        share, error = night()
        shares[number] = share
        if rng.random() < 0.5:
            readings.append(LowReading(number, None, error + rng.gauss(0.0, 0.6), share))
        readings += [
            LowReading(number, plot, error + share * offset + rng.gauss(0.0, 0.6), share)
            for plot, offset in truth.items()
            if rng.random() < 0.6
        ]
    learnt = learn_garden(
        readings, offset_priors=priors, forecast_sd_k=NIGHT_SD_K, clear_shares=shares
    )
    return learnt, night


def covered(nights: int, gardens: int, **changes: float) -> float:
    """How often the next nights' errors lie in the 80 % interval, over invented gardens."""
    rng = random.Random(nights)
    held = asked = 0
    for _ in range(gardens):
        learnt, night = garden(rng, nights, **changes)
        record = learnt.record
        for _ in range(30):
            share, error = night()
            spread_k = math.hypot(record.spread_on(share), record.bias.sd)
            low, high = Estimate(record.bias.mean, spread_k).interval(0.8)
            held += low <= error <= high
            asked += 1
    return held / asked


@pytest.mark.parametrize(("nights", "gardens"), [(10, 400), (30, 300), (120, 120)])
def test_what_is_stated_at_eighty_percent_holds_however_many_nights_there_are(
    nights: int, gardens: int
) -> None:
    found = covered(nights, gardens)

    print(f"{nights} nights: {found:.1%} in 80 %")
    assert 0.78 <= found <= 0.82


def test_a_record_whose_clear_nights_are_worse_forecast_shows_it() -> None:
    rng = random.Random(5)
    learnt, _night = garden(rng, 300, clear_by=1.8)
    even, _night = garden(rng, 300)

    assert learnt.record.spread_on(1.0) > 1.2 * learnt.record.spread_on(0.15)
    assert even.record.spread_on(1.0) == pytest.approx(even.record.spread_on(0.15), rel=0.15)
    assert 0.76 <= covered(120, 60, clear_by=1.6) <= 0.86


def test_a_garden_without_nights_has_the_published_spread_and_no_kinds() -> None:
    learnt = learn_garden([], offset_priors={}, forecast_sd_k=1.3, clear_shares={})

    assert (learnt.record.sd_k, learnt.record.count, learnt.record.weight_of_prior) == (1.3, 0, 1.0)
    assert learnt.record.clear_sd_k is None
    assert learnt.site.layer.estimate == Estimate(0.0, 0.6)
    assert learnt.site.layer.nights == 0
