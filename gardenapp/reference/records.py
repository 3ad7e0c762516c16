"""What a row of each published table means.

Every record keeps where its value was read (`source_id`, `location`) and how well it is
known (`status`), so that a page can say so beside the number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

Status = Literal["seen", "derived", "memory", "practice"]
"""How a value is known.

seen      read at the place named, mostly an excerpt rather than the whole document
derived   worked out by us from values that were seen; the note or `why` says how
memory    recalled, not read; the words "from memory" stand beside it
practice  common practice among growers, no source
"""

LONGEST_NAME = 36

STATUSES: frozenset[str] = frozenset({"seen", "derived", "memory", "practice"})

# From well known to poorly known, so that a record made of several values can carry the weakest.
STATUS_ORDER: tuple[Status, ...] = ("seen", "derived", "practice", "memory")

RefersTo = Literal["tissue", "air"]
"""Whether a temperature was of the plant itself (laboratory, bud tables) or of the air (field)."""

Hardened = Literal["yes", "no", "unknown"]
EvidenceKind = Literal["damage", "kill", "chilling", "root_kill", "10pct", "90pct"]
Harm = Literal["looks", "harvest", "plant"]
"""What the first harm costs: a burnt leaf, what would have been picked, or the plant."""

Hardens = Literal["no", "leafy", "quick", "moved"]
"""How the weather moves a cold limit: not at all; as of leafy crops; as of spinach and its like;
or, where stems or buds have moved, only towards soft."""

CurveKind = Literal["damage", "kill", "root_kill"]
PublishedUnit = Literal["F", "C", "both", "words"]


@dataclass(frozen=True)
class Source:
    """A publication that at least one value in these tables was taken from."""

    id: str
    author: str
    year: str
    title: str
    publisher: str
    address: str
    licence: str

    @property
    def short(self) -> str:
        """Who and when in a few words, to stand beside a number on a phone."""
        name = re.split(r"[;(,]", self.author)[0].strip() or self.title.partition(":")[0]
        if len(name) > LONGEST_NAME:
            name = name[:LONGEST_NAME].rpartition(" ")[0] + "…"
        year = re.search(r"\d{4}", self.year)
        return f"{name} {year[0]}" if year else name


@dataclass(frozen=True)
class NightValue:
    """A published value that a night is reckoned with, whatever the crop or cover."""

    step: str
    subject: str
    value: str
    source_id: str
    location: str
    status: Status
    note: str


@dataclass(frozen=True)
class Evidence:
    """One published statement about a crop and cold, as it was made.

    `kind` says what the temperature is: 'damage' (harm begins, or the class bound the note
    describes), 'kill', 'chilling' (harm above 0 °C), 'root_kill', '10pct' or '90pct' (share of
    buds killed in 30 minutes). `temp_c` is None where the source gave words only. Not every
    row is a threshold: `note` says when a row is a class bound or a storage limit.
    """

    crop: str
    scientific_name: str
    part: str
    hardened: Hardened
    kind: EvidenceKind
    temp_c: float | None
    as_published: str
    published_unit: PublishedUnit
    source_id: str
    location: str
    status: Status
    note: str
    refers_to: RefersTo


@dataclass(frozen=True)
class CurveSource:
    """The published numbers a damage curve is fitted through.

    With `t10_c` and `t90_c` (10 % and 90 % hurt; `t10_c` is the warmer) the curve goes through
    both, `kind` is 'damage' and `threshold_c` equals `t10_c`. With neither, the curve starts from
    `threshold_c` alone, read by `kind`: 'damage' is where harm begins, 'kill' and 'root_kill' where
    about half is lost. `spread_k` None means: use the general spread for that kind. [°C, K]
    """

    kind: CurveKind
    threshold_c: float
    t10_c: float | None
    t90_c: float | None
    spread_k: float | None
    source_id: str
    location: str
    status: Status
    refers_to: RefersTo
    note: str


@dataclass(frozen=True)
class Chilling:
    """Harm above freezing: below `threshold_c` the hours add up. [°C, h]

    `hours_for_half` is None where nobody has published a dose for plants outdoors.
    """

    threshold_c: float
    hours_for_half: float | None
    source_id: str
    location: str
    status: Status
    note: str


@dataclass(frozen=True)
class StageDefault:
    """What the app assumes for a crop at a stage until the garden knows better.

    `unhardened` and `hardened` are the two ends between which the weather moves plants, as
    `hardens` says; both are where first harm begins or half is hurt, by their `kind`, and `harm`
    says what that costs. The two deaths are where half of the plants die. `root_kill` counts only
    for plants in pots. `heat_max_c` is the warmest the inside of a cover should get by day,
    None where plants of this kind are not covered closely (trees in blossom).
    Heights and spreads are only what a form offers first; they are from memory. [°C, cm]
    """

    crop: str
    scientific_name: str
    group: str
    stage: str
    unhardened: CurveSource
    hardened: CurveSource | None
    death_unhardened: CurveSource | None
    death_hardened: CurveSource | None
    harm: Harm
    hardens: Hardens
    chilling: Chilling | None
    root_kill: CurveSource | None
    heat_max_c: float | None
    heat_source_id: str
    heat_status: Status | None
    why: str
    default_height_cm: float
    default_spread_cm: float


@dataclass(frozen=True)
class ConstructionDefault:
    """A way of building a cover, with what may be expected of it before any trial.

    Lift is inside air minus outside air at the same height on the same night, so it may be
    negative. Two kinds of night: clear and calm, or cloudy or windy. `leaf_shield` is the share
    of a leaf's heat loss to the sky that the cover stops. `status` is the weakest of the two
    priors. Sizes, minutes and the mass of one are from memory unless `why` says otherwise; they
    only fill a form for the first time. [cm, m/s, K, kg]
    """

    key: str
    label: str
    construction: str
    material: str
    film: str
    layers: int
    is_rigid: bool
    drapes: bool
    may_touch: bool
    inner_length_cm: float
    inner_width_cm: float
    inner_height_cm: float
    outer_length_cm: float
    outer_width_cm: float
    minutes: float
    mass_kg: float | None
    gust_limit_mps: float
    gust_source: str
    clear_mean_k: float
    clear_sd_k: float
    cloudy_mean_k: float
    cloudy_sd_k: float
    leaf_shield: float
    leaf_shield_source_id: str
    leaf_shield_status: Status
    source_ids: tuple[str, ...]
    status: Status
    why: str
    day_gain_k: float | None
    day_gain_source_id: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class LiftEvidence:
    """One published statement about what a cover gained, as it was made.

    Gains are None where the source gave only a sign or an order. Only rows with `is_open_air`
    may be added to a forecast low: the others compare with another cover or with a house.
    `constructions` are the keys of the ways of building the row speaks for. [K]
    """

    cover: str
    layers: str
    material: str
    conditions: str
    night_gain_low_k: float | None
    night_gain_high_k: float | None
    day_gain_k: float | None
    source_id: str
    location: str
    status: Status
    note: str
    is_open_air: bool
    constructions: tuple[str, ...]


@dataclass(frozen=True)
class Caution:
    """A danger, said shortly enough for a phone, and who decides when in doubt."""

    key: str
    text: str
    source_ids: tuple[str, ...]
    status: Status
    defer_to: str


@dataclass(frozen=True)
class Material:
    """A property of a material as published.

    `value` is the printed text, which may be a range or words; `low` and `high` are its numbers
    where it holds one or two plain ones, in `unit`.
    """

    material: str
    property: str
    value: str
    unit: str
    low: float | None
    high: float | None
    source_id: str
    location: str
    status: Status


@dataclass(frozen=True)
class UsualOffset:
    """What to expect of a spot in a garden before anything has been read there. [K, a difference]

    `mean_k` is plot low minus forecast low; `sd_k` is how far off that guess may well be.
    """

    key: str
    label: str
    mean_k: float
    sd_k: float
    hint: str
    status: Status


@dataclass(frozen=True)
class Term:
    """A word of the trade with one plain sentence for help texts."""

    term: str
    meaning: str
    source_ids: tuple[str, ...]
    status: Status


@dataclass(frozen=True)
class CropName:
    """Another common name of a crop, in English (`en`, British or American) or Spanish (`es`)."""

    crop: str
    language: str
    name: str


@dataclass(frozen=True)
class StageHeat:
    """The warmth at which a crop's buds reach a stage, counted over a base. [K day, °C]"""

    crop: str
    stage: str
    degree_days_k: float
    base_c: float
    upper_c: float
    status: Status
    source_id: str
    location: str
    note: str
