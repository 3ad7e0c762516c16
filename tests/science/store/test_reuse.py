"""Nights, seasons, costs and plastic, worked by hand and held against what was published."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from gardenapp.errors import OutOfRange
from gardenapp.reference import load_materials
from gardenapp.science.store.ledger import Entry
from gardenapp.science.store.reuse import (
    cost_per_night,
    nights_within,
    plastic_kg,
    season_days,
    season_of,
    seasons_in_service,
    stays_of,
    uses_within,
)
from gardenapp.services.store.lots import PRESETS
from gardenapp.services.store.things import MARK_WORDS, MARKS_FOR_BEDS, RESIN_WORDS, bed_refusal


def on(number: int, night: date) -> Entry:
    at = datetime(night.year, night.month, night.day, 17, tzinfo=UTC)
    return Entry(number, "deployed", at, plot_id=3, night_of=night)


def back(number: int, day: date, hour: int = 9) -> Entry:
    at = datetime(day.year, day.month, day.day, hour, tzinfo=UTC)
    return Entry(number, "brought back", at)


@pytest.mark.parametrize(
    ("came_back", "nights"),
    [
        ((date(2026, 11, 24), 22), 0),
        ((date(2026, 11, 25), 2), 1),
        ((date(2026, 11, 25), 9), 1),
        ((date(2026, 11, 25), 16), 1),
        ((date(2026, 11, 27), 9), 3),
    ],
    ids=["same evening", "small hours", "morning", "next afternoon", "three days on"],
)
def test_a_night_counts_when_the_cover_stood_until_the_next_day(
    came_back: tuple[date, int], nights: int
) -> None:
    entries = [on(1, date(2026, 11, 24)), back(2, *came_back)]

    (stay,) = stays_of(entries, day_of=datetime.date, today=date(2027, 1, 1))

    assert len(stay.nights) == nights
    assert stay.is_over


def test_what_was_taken_back_never_stood() -> None:
    entries = [
        on(1, date(2026, 11, 24)),
        Entry(2, "reversed", datetime(2026, 11, 24, 18, tzinfo=UTC), reverses=1),
        on(3, date(2026, 11, 25)),
    ]

    stays = stays_of(entries, day_of=datetime.date, today=date(2026, 11, 26))

    assert [(stay.night_of, len(stay.nights), stay.is_over) for stay in stays] == [
        (date(2026, 11, 25), 1, False)
    ]


def test_a_stay_over_the_end_of_june_is_shared_between_two_seasons() -> None:
    stays = stays_of(
        [on(1, date(2027, 6, 29)), back(2, date(2027, 7, 3))],
        day_of=datetime.date,
        today=date(2027, 8, 1),
    )

    assert len(nights_within(stays, *season_days(2026))) == 2
    assert len(nights_within(stays, *season_days(2027))) == 2
    assert (uses_within(stays, *season_days(2026)), uses_within(stays, *season_days(2027))) == (
        1,
        0,
    )


def test_seasons_run_from_july_to_june() -> None:
    assert season_of(date(2026, 6, 30)) == 2025
    assert season_of(date(2026, 7, 1)) == 2026
    assert season_days(2026) == (date(2026, 7, 1), date(2027, 6, 30))
    assert seasons_in_service(date(2024, 3, 1), date(2026, 11, 24)) == 4
    assert seasons_in_service(date(2026, 11, 24), date(2026, 11, 24)) == 1


def test_before_the_first_night_there_is_no_cost_of_a_night() -> None:
    assert cost_per_night([500.0], 0) is None
    assert cost_per_night([500.0, 100.0], 12) == 50.0


@pytest.mark.outside(
    "FILM-01: a film handbook's roll, 300 m × 0.5 m × 17 µm × 920 kg/m³ = 2.346 kg"
)
def test_a_rolls_mass_is_that_of_the_worked_example() -> None:
    assert plastic_kg(300 * 0.5, 17, 920) == pytest.approx(2.346, abs=0.0005)


@pytest.mark.outside("FILMYIELD, film yield chart: PE 23.4, HDPE 24.1, OPP 23 g/m² at 1 mil")
@pytest.mark.parametrize(
    ("name", "density"), [("PE film", 920), ("HDPE film", 950), ("OPP film", 905.5)]
)
def test_a_film_of_one_mil_weighs_what_the_chart_says(name: str, density: float) -> None:
    published = next(
        row.low
        for row in load_materials()
        if row.material.startswith(f"{name} 1 mil") and row.property == "areal mass"
    )

    assert published is not None
    assert plastic_kg(1, 25.4, density) * 1000 == pytest.approx(published, abs=0.15)


@pytest.mark.parametrize("bad", [(-1, 1, 1), (1, -1, 1), (1, 1, 0)])
def test_a_mass_of_less_than_nothing_is_refused(bad: tuple[float, float, float]) -> None:
    with pytest.raises(OutOfRange):
        plastic_kg(*bad)


def values(material: str, prop: str) -> list[str]:
    return [r.value for r in load_materials() if r.material == material and r.property == prop]


@pytest.mark.outside("ISPM15-HT, ISPM15-MB, ISPM15-DRAFT, PALLETGARDEN: the codes on a pallet")
def test_heat_is_taken_and_gas_is_refused_as_the_marks_mean() -> None:
    coded = {
        row.material.removeprefix("pallet mark "): row.value
        for row in load_materials()
        if row.material.startswith("pallet mark ") and row.property == "meaning"
    }
    heated = {code for code, meaning in coded.items() if "heat" in meaning.split(":")[0]}
    gassed = {code for code, meaning in coded.items() if "fumigated" in meaning}

    assert heated == MARKS_FOR_BEDS
    assert gassed == {"MB", "SF"}
    # DB (debarked) and KD (kiln dried) stand beside a treatment and are none themselves.
    assert set(coded) - heated - gassed == {"DB", "KD"}
    assert not {"DB", "KD"} & set(MARK_WORDS)
    for code in (*gassed, "none", ""):
        assert bed_refusal(sort="pallet", mark=code, wood="untreated") is not None
    for code in heated:
        assert bed_refusal(sort="pallet", mark=code, wood="untreated") is None


@pytest.mark.outside("ASTM-RIC (ASTM D7611), ANSI summary: resin identification codes 1 to 7")
def test_the_resin_codes_are_the_published_ones() -> None:
    for code, polymer in {
        "1": "PET",
        "2": "HDPE",
        "3": "PVC",
        "4": "LDPE",
        "5": "polypropylene",
        "6": "polystyrene",
        "7": "other",
    }.items():
        assert polymer in values(f"resin code {code}", "meaning")[0]
    shown = {"1": "PET", "2": "PE-HD", "3": "PVC", "4": "PE-LD", "5": "PP", "6": "PS", "7": "other"}
    assert {code: RESIN_WORDS[code] for code in shown} == {c: f"{c} {w}" for c, w in shown.items()}


@pytest.mark.outside("PALLET6780, list of the plan sizes of ISO 6780")
def test_the_pallets_offered_have_sizes_of_the_standard() -> None:
    published = {
        value.split(" mm")[0].split(" (")[0] for value in values("pallet, ISO 6780", "plan size")
    }

    offered = {
        preset.lot.section.removesuffix(" mm").replace("×", "x")
        for preset in PRESETS
        if preset.lot.sort == "pallet"
    }

    assert len(offered) == 3
    assert offered <= published
