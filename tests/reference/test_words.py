"""Cautions, materials and terms."""

from __future__ import annotations

import pytest

from gardenapp.reference import Material, load_cautions, load_materials, load_offsets, load_terms


def material(name: str, what: str, source_id: str = "") -> Material:
    found = [
        m
        for m in load_materials()
        if (m.material, m.property) == (name, what) and source_id in ("", m.source_id)
    ]
    assert found, (name, what)
    return found[0]


DANGERS = [
    "heaters",
    "lamps",
    "candles",
    "mains",
    "bags_children",
    "wind_borne",
    "ice_at_night",
    "treated_wood",
    "glass",
    "snow_load",
    "overheating",
    "tools",
    "lifting",
]


@pytest.mark.parametrize("key", DANGERS)
def test_each_danger_has_a_caution_and_someone_to_ask(key: str) -> None:
    (caution,) = [c for c in load_cautions() if c.key == key]

    assert caution.defer_to
    assert caution.source_ids


def test_a_caution_fits_a_phone() -> None:
    for caution in load_cautions():
        assert len(caution.text) <= 200, caution.key
        assert caution.text.endswith((".", ".)")), caution.key


def test_a_caution_from_memory_says_so() -> None:
    for caution in load_cautions():
        if caution.status == "memory":
            assert "from memory" in caution.text.lower(), caution.key


def test_fire_under_a_cover_is_refused_and_not_explained() -> None:
    texts = {c.key: c for c in load_cautions()}

    for key in ("heaters", "lamps", "candles"):
        assert "our answer is no" in texts[key].defer_to


def test_the_odds_are_never_called_a_promise() -> None:
    (beyond,) = [c for c in load_cautions() if c.key == "beyond_covers"]

    assert "never a promise" in beyond.text


@pytest.mark.outside("US National Park Service, Fire Prevention 52: 3 ft from anything that burns")
def test_a_heater_needs_a_metre_that_no_small_cover_has() -> None:
    (heaters,) = [c for c in load_cautions() if c.key == "heaters"]

    assert "clear metre" in heaters.text
    assert "NPS-HEATER" in heaters.source_ids


@pytest.mark.outside("RoSPA garden electric safety; BS 7671 as quoted: 30 mA")
def test_mains_outdoors_names_the_safety_switch_and_the_electrician() -> None:
    (mains,) = [c for c in load_cautions() if c.key == "mains"]

    assert "30 mA" in mains.text
    assert "electrician" in mains.defer_to


@pytest.mark.outside("web pages on snow weight: wet snow up to 500 kg/m³ (low-quality copies)")
def test_ten_centimetres_of_wet_snow_weighs_what_the_caution_says() -> None:
    (snow,) = [c for c in load_cautions() if c.key == "snow_load"]

    assert 0.10 * 500.0 == 50.0
    assert "25 to 50 kg on each square metre" in snow.text


MATERIALS = [
    ("LDPE", "density", "kg/m3", 914, 940, "ACS Omega 2022 review, Table 1"),
    ("HDPE", "density", "kg/m3", 952, 965, "ACS Omega 2022 review, Table 1"),
    ("polycarbonate (PC)", "density", "kg/m3", 1200, 1200, "ACS Omega 2022 review, Table 1"),
    ("water", "density", "kg/m3", 1000, 1000, "Moene and van Dam 2014, Table 2.2"),
    ("water", "volumetric heat capacity", "J/(m3 K)", 4.18e6, 4.18e6, "Moene 2014, Table 2.2"),
    ("clay soil, dry", "thermal conductivity", "W/(m K)", 0.15, 0.15, "Moene 2014, Table 2.2"),
    ("sand, dry", "bulk density", "kg/m3", 1602, 1602, "web page repeating engineering tables"),
    ("wet snow", "density", "kg/m3", 300, 500, "web pages on snow weight, table"),
]


@pytest.mark.parametrize(
    ("name", "what", "unit", "low", "high"),
    [
        pytest.param(*row[:5], marks=pytest.mark.outside(row[5]), id=f"{row[0]}, {row[1]}")
        for row in MATERIALS
    ],
)
def test_a_material_has_its_published_figure(
    name: str, what: str, unit: str, low: float, high: float
) -> None:
    found = material(name, what)

    assert (found.low, found.high, found.unit) == (low, high, unit)


@pytest.mark.outside("definition of the mil (25.4 µm) with 920 kg/m³")
def test_film_mass_follows_from_thickness_and_density() -> None:
    film = material("PE film 100 um, density 0.92", "areal mass")

    assert film.low == pytest.approx(100e-6 * 920.0 * 1000.0)
    assert film.unit == "g/m2"
    assert film.status == "derived"


@pytest.mark.outside("PS 20 lumber sizes, web tables")
@pytest.mark.parametrize(("nominal", "mm"), [("2x4", "38 x 89"), ("1x6", "19 x 140")])
def test_lumber_keeps_its_real_size_beside_its_name(nominal: str, mm: str) -> None:
    assert mm in material(f"lumber nominal {nominal}", "actual dry size").value


@pytest.mark.outside("ASTM D7611 as summarised by ANSI")
@pytest.mark.parametrize(
    ("code", "polymer"),
    [(1, "PET"), (2, "HDPE"), (3, "PVC"), (4, "LDPE"), (5, "PP"), (6, "PS"), (7, "other")],
)
def test_resin_codes_name_their_polymer(code: int, polymer: str) -> None:
    assert polymer in material(f"resin code {code}", "meaning").value


@pytest.mark.outside("ISPM 15 treatment codes, web page: 56 °C in the core for 30 minutes")
def test_the_heat_treatment_mark_is_told_from_the_gas() -> None:
    heat = material("pallet mark HT", "meaning").value
    gas = material("pallet mark MB", "meaning").value

    assert "56" in heat
    assert "30 min" in heat
    assert "methyl bromide" in gas


@pytest.mark.outside("ISO 6780 plan sizes, trade pages")
def test_the_common_pallets_are_listed() -> None:
    sizes = {m.value for m in load_materials() if m.material == "pallet, ISO 6780"}

    assert {"1200 x 800", "1200 x 1000"} <= sizes


def test_a_range_of_a_material_runs_from_low_to_high() -> None:
    for row in load_materials():
        assert (row.low is None) == (row.high is None), row
        if row.low is not None and row.high is not None:
            assert row.low <= row.high, row
        assert row.source_id, row


WORDS = [
    "low",
    "official air temperature",
    "ground frost",
    "air frost",
    "radiation frost",
    "wind frost",
    "dew point",
    "hardiness",
    "hardened off",
    "fine down to",
    "damage",
    "kill",
    "chilling",
    "root kill",
    "planting",
    "cover",
    "lift",
    "day gain",
    "safety margin",
    "plot offset",
    "bed",
    "shed",
    "stock",
    "record of stock",
    "trial",
    "offcut",
    "kerf",
    "ballast",
]


@pytest.mark.parametrize("word", WORDS)
def test_each_word_of_the_trade_has_one_plain_sentence(word: str) -> None:
    (found,) = [term for term in load_terms() if term.term == word]

    assert found.meaning.endswith(".")
    assert len(found.meaning) <= 140


@pytest.mark.outside("UK weather diary citing the Met Office glossary of 1991: 0.0 °C is no frost")
def test_air_frost_is_strictly_below_zero() -> None:
    (frost,) = [term for term in load_terms() if term.term == "air frost"]

    assert "exactly 0.0 °C is not" in frost.meaning


def test_each_usual_spot_is_named_once_with_what_tells_it_and_where_its_figure_is_from() -> None:
    offsets = load_offsets()

    assert len({offset.key for offset in offsets}) == len(offsets) == 12
    assert all(offset.label and offset.hint for offset in offsets)
    assert {offset.status for offset in offsets} == {"practice"}
    assert all(-3.0 <= offset.mean_k <= 3.0 for offset in offsets)
