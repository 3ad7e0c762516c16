"""What is assumed about crops and cold, against what was published."""

from __future__ import annotations

import re

import pytest

from gardenapp.reference import (
    Chilling,
    CurveSource,
    Evidence,
    StageDefault,
    load_evidence,
    load_stages,
)
from gardenapp.science.night.damage import DamageCurve, curve_from_pair, curve_from_threshold
from gardenapp.services.garden.hardiness import published_hardiness

MSU = "Michigan State Univ. Extension, critical spring temperatures, {} block"
INTERMOUNTAIN = "Intermountain Tree Fruit Production Guide, cherry stages page"
PURDUE = "Purdue Facts for Fancy Fruit, frost and freeze damage, Table 1"
WILSON = "Wilson, Payne and Boyd 2023, Scientific Reports, Table 2"
DAWLING = "Dawling and Bezilla 2012, winter hardiness list, {} °F group"

# Limits for harvested produce: days in a store, not one night outdoors.
STORAGE_SOURCES = {"S_PRODDEG2005", "S_HB66", "S_LOPEZ_BASIL", "S_UCD_HERBS", "S_USU_VEG"}


def to_c(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) * 5.0 / 9.0


def stage(crop: str, name: str) -> StageDefault:
    found = [s for s in load_stages() if (s.crop, s.stage) == (crop, name)]
    assert len(found) == 1, (crop, name)
    return found[0]


def curves(of: StageDefault) -> list[CurveSource]:
    return [c for c in (of.unhardened, of.hardened, of.root_kill) if c is not None]


def evidence(crop: str, *, part: str = "", source_id: str = "") -> list[Evidence]:
    return [
        row
        for row in load_evidence()
        if row.crop == crop and part in row.part and source_id in ("", row.source_id)
    ]


def chosen(of: StageDefault) -> list[CurveSource | Chilling]:
    return [*curves(of), *([of.chilling] if of.chilling is not None else [])]


def damage_curve(curve: CurveSource) -> DamageCurve:
    if curve.t10_c is not None and curve.t90_c is not None:
        return curve_from_pair(curve.t10_c, curve.t90_c)
    return curve_from_threshold(curve.threshold_c, kind=curve.kind, spread_k=curve.spread_k)


def test_there_are_enough_crops_and_stages_for_an_allotment() -> None:
    stages = load_stages()

    assert len(stages) >= 110
    assert len({s.crop for s in stages}) >= 60


def test_the_groups_are_short_headings_with_something_under_each() -> None:
    groups = {s.group for s in load_stages()}

    assert 10 <= len(groups) <= 20
    assert all(len(group) <= 40 for group in groups)


PAIRS = [
    ("apple", "silver tip", 15, 2, MSU.format("apple")),
    ("apple", "green tip", 18, 10, MSU.format("apple")),
    ("apple", "half-inch green", 23, 15, MSU.format("apple")),
    ("apple", "tight cluster", 27, 21, MSU.format("apple")),
    ("apple", "first pink", 28, 24, MSU.format("apple")),
    ("apple", "full pink", 28, 25, MSU.format("apple")),
    ("apple", "first bloom", 28, 25, MSU.format("apple")),
    ("apple", "full bloom", 28, 25, MSU.format("apple")),
    ("apple", "post-bloom", 28, 25, MSU.format("apple")),
    ("pear", "bud scales separating", 15, 0, MSU.format("pear")),
    ("pear", "blossom buds exposed", 20, 6, MSU.format("pear")),
    ("pear", "tight cluster", 24, 15, MSU.format("pear")),
    ("pear", "first white", 25, 19, MSU.format("pear")),
    ("pear", "full white", 26, 22, MSU.format("pear")),
    ("pear", "full bloom", 28, 24, MSU.format("pear")),
    ("European plum", "first white", 26, 22, MSU.format("European plum")),
    ("European plum", "full bloom", 28, 23, MSU.format("European plum")),
    ("sweet cherry", "swollen bud", 17, 5, MSU.format("sweet cherry")),
    ("sweet cherry", "full bloom", 28, 25, MSU.format("sweet cherry")),
    ("peach", "swollen bud", 18, 1, MSU.format("peach")),
    ("peach", "first pink", 25, 15, MSU.format("peach")),
    ("peach", "full bloom", 27, 24, MSU.format("peach")),
    ("apricot", "tips separate", 20, 0, MSU.format("apricot")),
    ("apricot", "full bloom", 27, 22, MSU.format("apricot")),
    ("sour cherry", "swollen bud", 15, 0, INTERMOUNTAIN),
    ("sour cherry", "full bloom", 28, 25, INTERMOUNTAIN),
    ("strawberry", "full bloom", 32, 31, PURDUE),
    ("strawberry", "petals showing", 30, 28, PURDUE),
    ("strawberry", "petal fall", 31, 28, PURDUE),
    ("highbush blueberry", "full bloom", 28, 26, PURDUE),
    ("highbush blueberry", "tight cluster", 23, 20, PURDUE),
    ("grape", "bud burst", 28, 26, PURDUE),
]


@pytest.mark.parametrize(
    ("crop", "name", "t10_f", "t90_f"),
    [
        pytest.param(*row[:4], marks=pytest.mark.outside(row[4]), id=f"{row[0]}, {row[1]}")
        for row in PAIRS
    ],
)
def test_buds_die_between_the_two_published_temperatures(
    crop: str, name: str, t10_f: float, t90_f: float
) -> None:
    curve = stage(crop, name).unhardened

    assert curve.t10_c == pytest.approx(to_c(t10_f), abs=0.06)
    assert curve.t90_c == pytest.approx(to_c(t90_f), abs=0.06)
    assert curve.refers_to == "tissue"


@pytest.mark.outside("Michigan State Univ. Extension, apricot block: no 90 % figure printed")
def test_a_stage_with_only_a_ten_percent_figure_has_no_pair() -> None:
    curve = stage("apricot", "swollen bud").unhardened

    assert (curve.t10_c, curve.t90_c) == (None, None)
    assert curve.threshold_c == pytest.approx(to_c(15), abs=0.06)


# Ranges printed in °C; the warm end is where harm begins.
RANGES = [
    ("pea", "before flowering", "unhardened", -2, -4),
    ("broccoli", "heading", "unhardened", -2, -4),
    ("other fruit trees", "open blossom", "unhardened", -2, -4),
    ("lettuce", "winter type, rosette", "hardened", -4, -7),
    ("carrot", "tops", "hardened", -4, -7),
    ("broccoli", "young plant or leaves", "hardened", -4, -7),
    ("cauliflower", "young plant or leaves", "hardened", -4, -7),
    ("purple sprouting broccoli", "shoots with buds", "unhardened", -2, -4),
    ("parsnip", "tops", "hardened", -4, -7),
]


@pytest.mark.parametrize(
    ("crop", "name", "which", "warm_c", "cold_c"),
    [
        pytest.param(*row, marks=pytest.mark.outside(WILSON), id=f"{row[0]}, {row[1]}")
        for row in RANGES
    ],
)
def test_a_published_range_is_read_from_its_warm_to_its_cold_end(
    crop: str, name: str, which: str, warm_c: float, cold_c: float
) -> None:
    curve = getattr(stage(crop, name), which)

    assert (curve.threshold_c, curve.t10_c, curve.t90_c) == (warm_c, warm_c, cold_c)
    assert curve.status == "derived", "reading a range as 10 % and 90 % is ours"


FIELD_KILLS = [
    ("basil", "plant", "unhardened", 35),
    ("tomato", "full grown", "unhardened", 32),
    ("potato", "full foliage", "unhardened", 32),
    ("squash and courgette", "full grown", "unhardened", 32),
    ("rocket", "leaves", "hardened", 22),
    ("beetroot", "tops", "death_unhardened", 20),
]


@pytest.mark.parametrize(
    ("crop", "name", "which", "kill_f"),
    [
        pytest.param(*row, marks=pytest.mark.outside(DAWLING.format(row[3])), id=row[0])
        for row in FIELD_KILLS
    ],
)
def test_a_growers_field_record_is_kept_as_a_kill_of_the_air_temperature(
    crop: str, name: str, which: str, kill_f: float
) -> None:
    curve = getattr(stage(crop, name), which)

    assert curve.kind == "kill"
    assert curve.threshold_c == pytest.approx(to_c(kill_f), abs=0.06)
    assert curve.refers_to == "air"


@pytest.mark.outside("Plant Physiology 135 (2004) 1642, Table I: LT50 not acclimated −3 °C")
@pytest.mark.parametrize("crop", ["kale", "Brussels sprouts", "mizuna", "swede", "collards"])
def test_soft_brassicas_take_the_half_kill_of_unhardened_rape(crop: str) -> None:
    for soft in [s.unhardened for s in load_stages() if s.crop == crop]:
        assert (soft.kind, soft.threshold_c) == ("kill", -3.0)
        assert soft.status == "derived"


@pytest.mark.outside("LSU AgCenter, citrus and freezing: hardened tissue freezes 5 to 6 °F lower")
@pytest.mark.parametrize("crop", ["satsuma", "kumquat", "sweet orange", "mandarin"])
def test_citrus_hardens_by_the_published_difference(crop: str) -> None:
    plant = stage(crop, "plant in a pot")

    assert plant.hardened is not None
    gained_f = (plant.unhardened.threshold_c - plant.hardened.threshold_c) * 9.0 / 5.0
    rounding_f = 2 * 0.05 * 9.0 / 5.0  # both are held to a tenth of a degree Celsius
    assert 5.0 - rounding_f <= gained_f <= 6.0 + rounding_f


@pytest.mark.outside("Wilson, Payne and Boyd 2023, Table 2: tomato and cucumber 5 to 0 °C")
@pytest.mark.parametrize(
    ("crop", "name"), [("tomato", "full grown"), ("cucumber", "climbing, full height")]
)
def test_chill_tender_crops_are_hurt_from_five_degrees(crop: str, name: str) -> None:
    chilling = stage(crop, name).chilling

    assert chilling is not None
    assert chilling.threshold_c == 5.0
    assert chilling.hours_for_half is None, "no dose is published"


@pytest.mark.outside("Havis 1976, abstract: lethal root temperatures −5 to −23.3 °C, 38 species")
def test_roots_in_pots_default_to_the_tenderest_of_those_tried() -> None:
    plant = stage("woody shrubs in pots", "in a pot")

    assert plant.root_kill is not None
    assert plant.root_kill.threshold_c == -5.0


@pytest.mark.outside(
    "Ohio State Univ. specialist, second-hand: holly roots 23 °F young, 9 °F mature"
)
def test_young_roots_die_before_mature_ones_and_both_before_the_top() -> None:
    young = stage("American holly", "in a pot, first winter")
    mature = stage("American holly", "in a pot, roots mature")

    assert young.root_kill is not None
    assert mature.root_kill is not None
    assert young.root_kill.threshold_c == pytest.approx(to_c(23), abs=0.06)
    assert mature.root_kill.threshold_c == pytest.approx(to_c(9), abs=0.06)
    assert mature.root_kill.threshold_c > mature.unhardened.threshold_c


@pytest.mark.outside("definition of the degree Fahrenheit: °C = (°F − 32) × 5/9")
def test_fahrenheit_as_published_is_the_celsius_we_hold() -> None:
    printed = re.compile(r"(?:below |about )?(-?[\d.]+)(?:-([\d.]+))? °F")
    rows = [row for row in load_evidence() if row.published_unit == "F"]

    for row in rows:
        match = printed.fullmatch(row.as_published)
        assert match, row
        assert row.temp_c is not None, row
        ends_c = [to_c(float(end)) for end in match.groups() if end is not None]
        assert min(abs(row.temp_c - end_c) for end_c in ends_c) < 0.06, row
    assert len(rows) > 200


def test_words_alone_are_kept_as_words() -> None:
    rows = [row for row in load_evidence() if row.published_unit == "words"]

    assert rows
    assert all(row.temp_c is None for row in rows)
    assert all(row.temp_c is not None for row in load_evidence() if row not in rows)


def test_a_tenth_is_never_hurt_at_a_colder_temperature_than_nine_tenths() -> None:
    for of in load_stages():
        for curve in curves(of):
            if curve.t10_c is not None and curve.t90_c is not None:
                assert curve.t10_c > curve.t90_c, of
                assert curve.threshold_c == curve.t10_c, of
                assert curve.kind == "damage", of


def test_hardened_plants_never_bear_less_than_soft_ones() -> None:
    for of in load_stages():
        if of.hardened is not None:
            soft, hard = damage_curve(of.unhardened), damage_curve(of.hardened)
            assert hard.t50_c <= soft.t50_c, of


def test_every_threshold_gives_a_damage_curve_that_is_near_nothing_on_a_warm_night() -> None:
    for of in load_stages():
        for curve in curves(of):
            assert damage_curve(curve).share_at(12.0) < 0.01, of
            assert damage_curve(curve).share_at(-45.0) > 0.99, of


def test_a_value_called_seen_stands_in_the_evidence_as_it_was_seen() -> None:
    rows = {(row.crop, row.source_id, row.kind, row.temp_c) for row in load_evidence()}

    for of in load_stages():
        for curve in curves(of):
            if curve.status != "seen":
                continue
            if curve.t10_c is not None:
                assert (of.crop, curve.source_id, "10pct", curve.t10_c) in rows, of
                assert (of.crop, curve.source_id, "90pct", curve.t90_c) in rows, of
            else:
                kinds = [curve.kind, "10pct"] if curve.kind == "damage" else [curve.kind]
                keys = {(of.crop, curve.source_id, kind, curve.threshold_c) for kind in kinds}
                assert keys & rows, of
        if of.chilling is not None and of.chilling.status == "seen":
            key = (of.crop, of.chilling.source_id, "chilling", of.chilling.threshold_c)
            assert key in rows, of


def test_no_default_rests_on_memory_without_saying_so() -> None:
    for of in load_stages():
        if any(part.status == "memory" for part in chosen(of)):
            assert "from memory" in of.why, of


def test_no_storage_limit_is_a_threshold_for_plants_outdoors() -> None:
    for of in load_stages():
        assert not {part.source_id for part in chosen(of)} & STORAGE_SOURCES, of


def test_the_bound_of_a_hardiness_class_is_never_a_killing_point() -> None:
    bounds = {
        (row.source_id, row.temp_c)
        for row in load_evidence()
        if "class bound" in row.note and row.temp_c is not None
    }

    assert bounds
    for of in load_stages():
        for curve in curves(of):
            if (curve.source_id, curve.threshold_c) in bounds:
                assert curve.kind == "damage", of
                assert curve.status == "derived", of


def test_a_coarse_zero_for_early_growth_is_the_beginning_of_harm_and_not_death() -> None:
    for of in load_stages():
        for curve in curves(of):
            if curve.source_id == "S_ECOCROP" and "coarse database" in curve.note:
                assert not (curve.kind == "kill" and curve.threshold_c == 0.0), of


def test_a_plant_at_rest_does_not_lend_its_hardiness_to_young_shoots_of_a_perennial() -> None:
    grown_as_annuals = {
        "mustard greens",
        "kohlrabi",
        "celeriac",
        "salsify",
        "celery",
        "parsley",
        "borage",
    }

    for of in load_stages():
        for curve in curves(of):
            if "plant at rest" in curve.note:
                assert of.crop in grown_as_annuals or "at rest" in of.stage, of


@pytest.mark.parametrize(
    ("crop", "name", "part", "sources"),
    [
        pytest.param(
            "lettuce",
            "leafing or hearting",
            "",
            {"S_FAO10_CH4", "S_REEVES", "S_ECOCROP", "S_OSU_WINTER", "S_WILSON2023"},
            marks=pytest.mark.outside("FAO ERN 10 (2005), ch. 4; Wilson 2023, Table 2"),
            id="lettuce",
        ),
        pytest.param(
            "kale",
            "young plant or leaves",
            "plant",
            {"S_WILSON2023", "S_REEVES", "S_OSU_WINTER"},
            marks=pytest.mark.outside("Wilson 2023, Table 2; Reeves, cold tolerance of vegetables"),
            id="kale",
        ),
        pytest.param(
            "carrot",
            "tops",
            "",
            {"S_ECOCROP", "S_WILSON2023", "S_OSU_WINTER"},
            marks=pytest.mark.outside("FAO crop database, code 871; Wilson 2023, Table 2"),
            id="carrot tops",
        ),
        pytest.param(
            "strawberry",
            "full bloom",
            "flowers",
            {"S_ECOCROP", "S_NCSU_STRAW", "S_UDEL_STRAW"},
            marks=pytest.mark.outside("Purdue, Table 1; Univ. of Delaware; NC State, strawberries"),
            id="strawberry flowers",
        ),
        pytest.param(
            "pear",
            "full bloom",
            "flower and open buds",
            {"S_ECOCROP"},
            marks=pytest.mark.outside("FAO crop database, code 1832; MSU Extension, pear block"),
            id="pear flowers",
        ),
        pytest.param(
            "lime",
            "plant in a pot",
            "tree",
            {"S_ECOCROP", "S_LSU_CITRUS"},
            marks=pytest.mark.outside("FAO crop database, code 2242; LSU AgCenter, citrus"),
            id="lime",
        ),
    ],
)
def test_where_sources_disagree_both_are_kept_and_the_more_cautious_is_used(
    crop: str, name: str, part: str, sources: set[str]
) -> None:
    default = stage(crop, name)
    rows = [row for row in evidence(crop, part=part) if row.source_id not in STORAGE_SOURCES]

    assert sources <= {row.source_id for row in rows}
    compared = 0
    for row in rows:
        if row.source_id not in sources or row.temp_c is None:
            continue
        # "Bears colder than 28 °F" bounds a class: the plant is still well there, so it is no
        # threshold to compare with. A coarse 0 °C for early growth only says "no frost".
        if "class bound" in row.note or "coarse" in row.note:
            continue
        assert default.unhardened.threshold_c >= row.temp_c, row
        compared += 1
    assert compared >= 1
    assert "disagree" in default.why or "more cautious" in default.why


KILLS = [
    ("broccoli", "young plant or leaves", "death_hardened", -10.0, "field, Virginia: 14 °F"),
    ("cauliflower", "young plant or leaves", "death_hardened", -11.1, "garden, Indiana: 12 °F"),
    ("cabbage", "young plant", "death_hardened", -20.0, "Kohn and Levitt 1965: stepped to −3 °C"),
    ("chard", "leaves", "death_hardened", -10.0, "field, Virginia: crown at 14 °F"),
    ("komatsuna", "leaves", "death_hardened", -13.0, "Tamura 2002: half leakage −13 to −17 °C"),
    ("broad bean", "young plant", "death_hardened", -13.6, "autumn-sown landraces, survival"),
    ("broad bean", "young plant", "hardened", -12.1, "autumn-sown landraces, stem"),
    ("onion", "growing leaves", "hardened", -12.2, "all leaves killed at 10 °F"),
    ("strawberry", "dormant plant", "death_hardened", -12.5, "Boyce: crown T50"),
    ("rosemary", "plant in winter", "death_hardened", -12.2, "10 °F kills many"),
    ("fig", "dormant tree", "death_hardened", -17.8, "trunk killed to the ground at 0 °F"),
    ("viola", "plant", "death_hardened", -19.4, "half of acclimated plants"),
    ("camellia", "in winter", "death_hardened", -17.0, "killed below −17 °C"),
]


@pytest.mark.parametrize(
    ("crop", "name", "which", "kill_c"),
    [
        pytest.param(*row[:4], marks=pytest.mark.outside(row[4]), id=f"{row[0]}, {row[2]}")
        for row in KILLS
    ],
)
def test_plants_die_where_they_were_seen_to(
    crop: str, name: str, which: str, kill_c: float
) -> None:
    curve = getattr(stage(crop, name), which)

    assert (curve.kind, curve.threshold_c) == ("kill", kill_c)
    assert curve.status == "seen"


@pytest.mark.outside("Canola 2004, Table I: leaves half killed at −3 soft, −7 part and −19 °C full")
def test_part_hardened_kale_lies_where_part_hardened_rape_does() -> None:
    """Rape's middle value stands a quarter of the way between its ends; kale's curve likewise."""
    part = (-7.0 + 3.0) / (-19.0 + 3.0)

    kale = published_hardiness(stage("kale", "young plant or leaves"))

    assert part == pytest.approx(0.25)
    assert -8.0 <= kale.at(part).harm.t50_c <= -5.5


def test_there_are_flowers_and_crops_enough_for_what_gardeners_grow() -> None:
    crops = {s.crop for s in load_stages()}
    flowers = {s.crop for s in load_stages() if s.group == "Garden flowers"} | {"dahlia"}

    assert len(crops) >= 160
    assert len(flowers) >= 25
    wanted = {
        ("fig", "in leaf"),
        ("pea", "in flower"),
        ("apple", "fruitlet"),
        ("strawberry", "dormant plant"),
        ("dahlia", "tubers in the ground"),
        ("dahlia", "growing plant"),
        ("broad bean", "spring kind"),
        ("cauliflower", "heading"),
    }
    assert wanted <= {(s.crop, s.stage) for s in load_stages()}


def test_death_is_never_warmer_than_the_first_harm() -> None:
    for of in load_stages():
        hardiness = published_hardiness(of)
        for state in (0.0, 0.3, 1.0):
            bearing = hardiness.at(state)
            if bearing.death is not None:
                assert bearing.death.t50_c < bearing.harm.t50_c, (of.crop, of.stage, state)


def test_what_hardens_has_both_ends_and_what_does_not_has_one() -> None:
    for of in load_stages():
        assert (of.hardened is not None) == (of.hardens != "no"), (of.crop, of.stage)
        if of.death_hardened is not None:
            assert of.death_unhardened is not None, (of.crop, of.stage)


def test_hardy_crops_tell_harm_and_death_and_soft_and_hardened_apart() -> None:
    apart = {
        of.crop
        for of in load_stages()
        if of.death_unhardened is not None and of.death_hardened is not None
    }

    assert len(apart) >= 60
    assert {"garlic", "leek", "kale", "Brussels sprouts", "corn salad", "swede", "parsnip"} <= apart


def test_a_value_from_memory_is_wide() -> None:
    for of in load_stages():
        for curve in (*curves(of), of.death_unhardened, of.death_hardened):
            if curve is None or curve.status != "memory" or curve.t10_c is not None:
                continue
            if of.group == "Roots in pots" and curve.kind == "kill":
                continue  # tops that nobody is sent out for: only their roots count
            assert (curve.spread_k or 0.0) >= 1.5, (of.crop, of.stage, curve)


# Crops seen unharmed at a cold that our hardened value calls harmful, and why it stands.
STOOD = {
    ("broccoli", "S_GWX_AUGUSTA"): "dead at 14 °F in another record: sources disagree",
    ("cabbage", "S_RG_CABBAGE"): "single plants under snow, and heads for a short time",
    ("cauliflower", "S_GWX_AUGUSTA"): "this is its leaves hit, not unharmed",
}


def test_no_crop_dies_where_it_was_seen_alive() -> None:
    """A plant that stood a temperature unharmed does not die there, half of the time or more."""
    bounds = [
        row
        for row in load_evidence()
        if row.temp_c is not None
        and row.status == "seen"
        and row.hardened == "yes"
        and row.refers_to == "air"
        and "bound" in row.note
        and "class bound" not in row.note
    ]

    assert len(bounds) >= 25
    for row in bounds:
        assert row.temp_c is not None
        if (row.crop, row.source_id) in STOOD or "weak" in row.note or "low" in row.note:
            continue
        hardiest = min(
            (published_hardiness(s).at(1.0) for s in load_stages() if s.crop == row.crop),
            key=lambda bearing: (bearing.death or bearing.harm).t50_c,
        )
        assert (hardiest.death or hardiest.harm).t50_c < row.temp_c + 0.5, row


# Vegetables by two published lists. Tender: hurt or killed by any frost. Half-hardy: bears a light
# frost. Hardy: bears harder ones. The Oregon list and the Colorado-style list agree on these.
HARDY = (
    "broccoli", "Brussels sprouts", "cabbage", "collards", "garlic", "kale", "kohlrabi", "leek",
    "onion", "spinach", "turnip", "radish", "pea", "corn salad", "swede",
)  # fmt: skip
HALF_HARDY = ("beetroot", "carrot", "cauliflower", "celery", "chard", "endive", "lettuce",
              "parsnip", "radicchio", "potato")  # fmt: skip
TENDER = (
    "tomato", "French bean", "cucumber", "squash and courgette", "sweetcorn", "basil",
    "aubergine", "pepper and chilli", "melon", "pumpkin", "sweet potato", "okra", "lima bean",
)  # fmt: skip


@pytest.mark.outside(
    "Oregon State Univ. Extension, winter lists; cold tolerance of vegetables (Reeves): classes"
)
@pytest.mark.parametrize("crop", TENDER)
def test_what_both_lists_call_tender_is_hurt_by_a_light_frost(crop: str) -> None:
    for of in load_stages():
        if of.crop == crop:
            assert not published_hardiness(of).is_moved, of
            assert published_hardiness(of).soft.harm.share_at(-2.5) > 0.5, of


@pytest.mark.outside(
    "Oregon State Univ. Extension, winter lists; cold tolerance of vegetables (Reeves): classes"
)
@pytest.mark.parametrize("crop", HARDY)
def test_what_both_lists_call_hardy_bears_more_than_a_light_frost_when_hardened(crop: str) -> None:
    hardiest = min(
        (published_hardiness(s).at(1.0) for s in load_stages() if s.crop == crop),
        key=lambda bearing: bearing.harm.t50_c,
    )

    # 28 °F in the air, the bound of the class, and its leaf half a clear night's fall colder.
    assert (hardiest.death or hardiest.harm).share_at(-2.2 - 0.75) < 0.5, crop


@pytest.mark.outside(
    "Oregon State Univ. Extension, winter lists; cold tolerance of vegetables (Reeves): classes"
)
@pytest.mark.parametrize("crop", [name for name in HALF_HARDY if name != "potato"])
def test_what_both_lists_call_half_hardy_bears_a_light_frost_and_no_hard_winter(crop: str) -> None:
    hardened = [published_hardiness(s).at(1.0) for s in load_stages() if s.crop == crop]

    assert any((each.death or each.harm).share_at(-1.0) < 0.25 for each in hardened), crop
    assert any(each.harm.share_at(-12.0) > 0.5 for each in hardened), crop


def test_every_stage_says_why_in_a_sentence_a_phone_can_show() -> None:
    for of in load_stages():
        assert of.why[0].isupper(), of
        assert of.why.endswith("."), of
        assert 25 <= len(of.why) <= 240, of


@pytest.mark.outside("Purdue Vegetable Crops Hotline: tomato sets fruit best at 60 to 90 °F by day")
def test_tomatoes_should_not_get_warmer_than_fruit_set_likes() -> None:
    plant = stage("tomato", "full grown")

    assert plant.heat_max_c == pytest.approx(to_c(90), abs=0.06)
    assert plant.heat_status == "seen"


@pytest.mark.outside("Univ. of Delaware Extension 2012: plant tissue dies near 115 °F")
def test_no_warmest_temperature_comes_near_the_death_of_tissue() -> None:
    for of in load_stages():
        if of.heat_max_c is not None:
            assert of.heat_max_c <= to_c(115) - 5.0, of
            assert of.heat_source_id, of
            assert of.heat_status is not None, of
        else:
            assert of.heat_status is None, of


def test_sizes_a_form_offers_are_of_plants() -> None:
    for of in load_stages():
        assert 3 <= of.default_height_cm <= 400, of
        assert 3 <= of.default_spread_cm <= 400, of
