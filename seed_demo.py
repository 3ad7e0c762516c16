"""An invented garden to look at: plots, plantings, covers, members and tonight's forecast.

    python seed_demo.py --serve

The same garden each time within a season of the year. Running it again adds nothing but a
fresh forecast for tonight. It refuses a database that holds a garden which is not a demo.
Every person, plot and place in it is invented.
"""

from __future__ import annotations

import argparse
import hashlib
import math
import os
import random
import secrets
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from flask import Flask, current_app
from flask_sqlalchemy.session import Session
from sqlalchemy import inspect, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import joinedload, scoped_session

from gardenapp import create_app, reference
from gardenapp.cli.base import bring_catalogue_up_to_date, upgrade_if_needed
from gardenapp.cli.server import serve
from gardenapp.demo.past import is_whole, live_two_winters
from gardenapp.demo.weather import CREDIT
from gardenapp.errors import GardenError, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.nights import Plan
from gardenapp.models.people import Garden
from gardenapp.models.plants import CropStage, Planting
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.models.weather import DailyWeather
from gardenapp.science.garden_map import read_map, write_map
from gardenapp.science.night.sun import night_for
from gardenapp.services.clockwork import get_garden, tonight
from gardenapp.services.garden import people
from gardenapp.services.garden.passwords import hash_password
from gardenapp.services.garden.plots import USUAL_OFFSETS
from gardenapp.services.garden.seeding import seed_catalogue
from gardenapp.services.kept_plans import header_of
from gardenapp.services.night import forecasts
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.store import lots
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.transaction import write_transaction

SEED = 20_261
SIGN_INS_FILE = "demo_sign_ins.txt"
FORECAST_FILE = "invented forecast.csv"
NIGHTS = 3
# Usual lowest and highest of a day by month, for the invented weather. [°C]
WEATHER_DAYS = 150
USUAL_DAYS = (
    (1.5, 7.0),
    (1.4, 7.6),
    (2.8, 10.0),
    (4.5, 13.0),
    (7.3, 16.3),
    (10.2, 19.3),
    (12.2, 21.6),
    (12.1, 21.2),
    (10.0, 18.2),
    (7.3, 14.1),
    (4.0, 9.9),
    (1.8, 7.3),
)
USUAL_LOW_C = -2.0
COLDEST_C, WARMEST_C = -30.0, 30.0
# A forecast younger than this with the same figures is not brought in a second time.
FRESH_FOR = timedelta(hours=6)

GARDEN_NAME = "Thimblewick Plots"
LATITUDE, LONGITUDE, ELEVATION_M = 52.31, -1.22, 104.0
TIME_ZONE = "Europe/London"
COORDINATORS = ("Odile Tamworth", "Rafiq Summerhill")
MEMBERS = (
    "Benedikt Oyelaran",
    "Carys Whinfield",
    "Domantas Pell",
    "Esme Varga",
    "Folake Thistlewood",
    "Gwilym Santos",
    "Hanneke Broadbent",
    "Ines Kettlewell",
    "Jarek Moorcroft",
    "Kumiko Ashdown",
)
PLACES = (
    ("Long shed", "every plot holder has a key"),
    ("Lean-to by the gate", ""),
    ("Pallet stack, north end", "under the tarpaulin"),
    ("Tea hut loft", "mind the ladder in the dark"),
    ("Rafiq’s garage", "ring first"),
)

# How much of it, where, and what it is: enough for two or three more covers.
MATERIALS = (
    (9, "Long shed", LotEntry("Timber 38 × 38", "timber", length_mm=2400, section="38 × 38 mm")),
    (3, "Long shed", LotEntry("Timber ends", "timber", length_mm=900, section="38 × 38 mm")),
    (18, "Tea hut loft", LotEntry("Clear film 4 m", "film", "m", 400.0, 150.0, resin="4")),
    (12, "Tea hut loft", LotEntry("Spare fleece", "fleece", "m", 150.0, resin="5")),
    (
        4,
        "Pallet stack, north end",
        LotEntry(
            "Pallets 1200 × 800",
            "pallet",
            section="1200 × 800 mm",
            mark="HT",
            wood="untreated",
            origin="rescued",
        ),
    ),
    (14, "Lean-to by the gate", LotEntry("Salad boxes", "box", resin="1", origin="rescued")),
    (25, "Long shed", LotEntry("String", "string", "m")),
    (20, "Pallet stack, north end", LotEntry("Soil-filled bags", "ballast")),
)

# Rows of plots: label, how many, length and width, bed width [cm], distance to the long shed [m]
ROWS = (
    ("A", 8, 1000.0, 500.0, 120.0, 20.0),
    ("B", 8, 600.0, 300.0, 120.0, 45.0),
    ("C", 8, 500.0, 240.0, 110.0, 70.0),
    ("D", 6, 300.0, 120.0, 100.0, 95.0),
)
# North at the top: the pallets at the far end, the sheds by the gate, a garage down the lane.
MAP = """
W  store:Pallet stack, north end  store:Pallet stack, north end  D1  D2  D3  D4  D5  D6
=  =  =  =  =  =  =  =  =
=  C1 C2 C3 C4 C5 C6 C7 C8
=  =  =  =  =  =  =  =  =
=  B1 B2 B3 B4 B5 B6 B7 B8
=  =  =  =  =  =  =  =  =
=  A1 A2 A3 A4 A5 A6 A7 A8
=  =  =  =  =  =  =  =  =
W  shed:Long shed  shed:Long shed  store:Tea hut loft  store:Tea hut loft  . \
shed:Lean-to by the gate  shed:Lean-to by the gate  G
.  .  .  .  .  .  store:Rafiq’s garage  store:Rafiq’s garage  =
"""
# Which usual spot a plot is, where it is not open ground.
SPOTS = {
    "A1": "hedge",
    "A2": "hedge",
    "B7": "dammed",
    "B8": "dammed",
    "C1": "wall",
    "C2": "wall",
    "C3": "wall",
    "C4": "slope",
    "C5": "slope",
    "C6": "slope",
    "D1": "slope",
    "D5": "low",
    "D6": "pocket",
}


@dataclass(frozen=True)
class Grown:
    """Something this garden grows: how often, how many at once, how dear, in a pot or not.

    `mind` is what its holder would say, of each plant or `per` bed.
    """

    crop: str
    stage: str
    weight: int
    count: tuple[int, int]
    mind: str = "much"
    per: str = "plant"
    in_pot: bool = False
    height_cm: float | None = None
    names: tuple[str, ...] = ()


# What may stand here at any time of the year.
ALWAYS = (
    Grown("lemon", "plant in a pot", 2, (1, 2), mind="dearly", in_pot=True),
    Grown("kumquat", "plant in a pot", 2, (1, 1), "dearly", in_pot=True),
    Grown("olive", "in a pot", 3, (1, 2), "dearly", in_pot=True),
    Grown("aloe", "plant in a pot", 1, (1, 3), in_pot=True, height_cm=30.0),
    Grown("agave", "plant in a pot", 1, (1, 2), in_pot=True),
    Grown("kale", "young plant or leaves", 4, (4, 9), names=("black kale", "curly kale")),
    Grown("leek", "growing leaves", 5, (20, 60), "little", per="bed"),
    Grown("parsley", "plant", 3, (3, 8), "little"),
    Grown("spinach", "leaves", 7, (10, 24), "little", per="bed"),
    Grown("sage", "plant in winter", 4, (1, 3), "little"),
    Grown("coriander", "rosette", 4, (6, 16), "little", per="bed"),
    Grown("rocket", "leaves", 2, (8, 20), "little", per="bed"),
    Grown("lettuce", "leafing or hearting", 4, (6, 16), names=("cos", "butterhead", ""), per="bed"),
)
WINTER = (
    Grown("broad bean", "young plant", 10, (12, 30), names=("autumn-sown beans", "")),
    Grown("turnip", "tops", 5, (12, 30), "little", per="bed"),
    Grown("savoy cabbage", "leafing or hearting", 8, (4, 8)),
    Grown("cabbage", "young plant", 6, (8, 18), names=("spring cabbage", "")),
    Grown("beetroot", "tops", 4, (12, 30), "little", per="bed"),
    Grown("Brussels sprouts", "young plant or leaves", 5, (4, 8)),
    Grown("garlic", "growing leaves", 4, (20, 60), "much", per="bed"),
    Grown("highbush blueberry", "bud swell", 3, (1, 3), "much"),
    Grown("fig", "dormant tree", 2, (1, 1), "much"),
    Grown("corn salad", "leaves", 2, (20, 40), "little", per="bed"),
    Grown("lettuce", "winter type, rosette", 5, (8, 20), per="bed"),
    Grown("mizuna", "leaves", 2, (6, 14), "little", per="bed"),
    Grown("tatsoi", "leaves", 2, (6, 12), "little", per="bed"),
    Grown("chard", "leaves", 3, (4, 9)),
    Grown("celeriac", "plant", 2, (6, 12)),
    Grown("swede", "tops", 2, (6, 12), "little"),
    Grown("cauliflower", "young plant or leaves", 2, (4, 8)),
    Grown("purple sprouting broccoli", "overwintering plant", 3, (4, 6)),
    Grown("pea", "before flowering", 2, (16, 40), height_cm=12.0, names=("sugar peas", "")),
    Grown("Florence fennel", "plant", 2, (4, 8)),
    Grown("globe artichoke", "young growth", 2, (2, 3), "dearly", height_cm=45.0),
    Grown("bay laurel", "at rest, in a pot", 2, (1, 2), in_pot=True, height_cm=90.0),
    Grown("rosemary", "plant in winter", 2, (1, 3), in_pot=True, height_cm=40.0),
    Grown("lemon verbena", "at rest, in a pot", 3, (1, 2), in_pot=True, height_cm=40.0),
    Grown("box", "in a pot", 2, (1, 2), "little", in_pot=True),
)
SPRING = (
    Grown("strawberry", "tight bud", 4, (8, 24)),
    Grown("strawberry", "full bloom", 3, (8, 24), "dearly"),
    Grown("pea", "before flowering", 5, (16, 40), height_cm=20.0),
    Grown("broad bean", "young plant", 6, (12, 30)),
    Grown("potato", "emerging shoots", 4, (8, 20)),
    Grown("cabbage", "young plant", 6, (8, 18)),
    Grown("onion", "growing leaves", 6, (30, 80), "little", per="bed"),
    Grown("garlic", "growing leaves", 5, (20, 60), "little", per="bed"),
    Grown("shallot", "growing leaves", 3, (20, 40), "little", per="bed"),
    Grown("turnip", "tops", 4, (12, 30), "little", per="bed"),
    Grown("peppermint", "young shoots", 3, (2, 6), "little"),
    Grown("highbush blueberry", "tight cluster", 3, (1, 3)),
    Grown("beetroot", "tops", 3, (12, 30), "little", per="bed"),
    Grown("carrot", "tops", 3, (30, 80), "little", per="bed"),
    Grown("tomato", "young plant", 3, (4, 10), "dearly", in_pot=True),
    Grown("squash and courgette", "young plant", 2, (2, 5), in_pot=True),
    Grown("French bean", "young plant", 2, (8, 16)),
    Grown("rhubarb", "young leaves", 2, (1, 3), "little"),
    Grown("asparagus", "spears", 2, (6, 12)),
    Grown("chard", "leaves", 3, (4, 9)),
    Grown("blackcurrant", "full bloom", 1, (1, 2)),
    Grown("rosemary", "plant in winter", 2, (1, 3), in_pot=True, height_cm=40.0),
)
SUMMER = (
    Grown("tomato", "full grown", 3, (3, 6), "dearly"),
    Grown("pepper and chilli", "young plant", 2, (2, 6), in_pot=True),
    Grown("squash and courgette", "full grown", 2, (1, 3)),
    Grown("runner bean", "climbing, full height", 2, (6, 12)),
    Grown("basil", "plant", 2, (3, 8), in_pot=True),
    Grown("carrot", "tops", 5, (30, 80), "little", per="bed"),
    Grown("beetroot", "tops", 5, (12, 30), "little", per="bed"),
    Grown("onion", "growing leaves", 5, (30, 80), "little", per="bed"),
    Grown("shallot", "growing leaves", 4, (20, 40), "little", per="bed"),
    Grown("broccoli", "young plant or leaves", 4, (4, 6)),
    Grown("Brussels sprouts", "young plant or leaves", 4, (4, 8), height_cm=30.0),
    Grown("savoy cabbage", "leafing or hearting", 4, (4, 8)),
    Grown("turnip", "tops", 8, (12, 30), "little", per="bed"),
    Grown("swede", "tops", 3, (6, 12), "little"),
    Grown("parsnip", "tops", 4, (20, 40), "little", per="bed"),
    Grown("sweetcorn", "young plant", 2, (8, 16)),
    Grown("dahlia", "growing plant", 2, (2, 5), "dearly"),
    Grown("chard", "leaves", 3, (4, 9)),
)
AUTUMN = (
    Grown("tomato", "full grown", 2, (3, 6), "much"),
    Grown("pumpkin", "trailing vine", 1, (1, 3)),
    Grown("dahlia", "growing plant", 2, (2, 5), "dearly"),
    Grown("chard", "leaves", 4, (4, 9)),
    Grown("endive", "leafing or hearting", 3, (6, 12), per="bed"),
    Grown("radicchio", "leafing or hearting", 3, (6, 12), per="bed"),
    Grown("lettuce", "winter type, rosette", 5, (8, 20), per="bed"),
    Grown("beetroot", "tops", 5, (12, 30), "little", per="bed"),
    Grown("carrot", "tops", 4, (30, 80), "little", per="bed"),
    Grown("parsnip", "tops", 4, (20, 40), "little", per="bed"),
    Grown("celeriac", "plant", 4, (6, 12)),
    Grown("Brussels sprouts", "young plant or leaves", 4, (4, 8)),
    Grown("savoy cabbage", "leafing or hearting", 4, (4, 8)),
    Grown("broccoli", "young plant or leaves", 4, (4, 6)),
    Grown("turnip", "tops", 8, (12, 30), "little", per="bed"),
    Grown("broad bean", "young plant", 5, (12, 30)),
    Grown("swede", "tops", 3, (6, 12), "little"),
    Grown("Florence fennel", "plant", 2, (4, 8)),
    Grown("lemon verbena", "growing, in a pot", 2, (1, 2), in_pot=True),
)
SEASONS = {
    **dict.fromkeys((11, 12, 1, 2), WINTER),
    **dict.fromkeys((3, 4, 5), SPRING),
    **dict.fromkeys((6, 7, 8), SUMMER),
    **dict.fromkeys((9, 10), AUTUMN),
}
PLANTINGS = 150
# Taller than any cover this garden has, and too heavy to carry in: nothing here can save it.
TALL = Grown(
    "banana",
    "in a pot",
    1,
    (1, 1),
    "dearly",
    in_pot=True,
    height_cm=260.0,
    names=("the big banana",),
)

# Kind of cover (key of the published table), label, how many the garden has
COVERS = (
    ("fleece_medium", "fleece", 16),
    ("fleece_light", "thin fleece", 6),
    ("fleece_heavy", "thick fleece", 6),
    ("cold_frame", "glass frame", 4),
    ("cold_frame_pc", "wall frame", 3),
    ("box_frame", "film frame", 4),
    ("hooped_tunnel", "film tunnel", 3),
    ("hooped_fleece", "fleece tunnel", 4),
    ("tote", "tote", 7),
    ("tote_unsealed", "loose tote", 2),
    ("food_box", "food box", 4),
    ("bottle", "bottle", 6),
    ("cage_bag", "cage", 3),
    ("pallet_lean_to", "pallet pair", 2),
    ("sheet", "bed sheet", 3),
    ("blanket", "blanket", 2),
    ("cardboard_box", "carton", 3),
    ("straw", "straw bale", 1),
    ("film_sheet", "film sheet", 1),
)


# Where covers of a kind came from, what one cost in hundredths, and its plastic.
BOUGHT = {
    "fleece_medium": ("bought", 420, "5"),
    "fleece_light": ("bought", 310, "5"),
    "fleece_heavy": ("bought", 680, "5"),
    "cold_frame": ("rescued", 0, ""),
    "cold_frame_pc": ("bought", 4_900, "PC"),
    "box_frame": ("made", 950, "4"),
    "hooped_tunnel": ("bought", 2_200, "4"),
    "hooped_fleece": ("bought", 2_400, "5"),
    "tote": ("bought", 700, "5"),
    "tote_unsealed": ("given", 0, "5"),
    "food_box": ("rescued", 0, "1"),
    "bottle": ("rescued", 0, "1"),
    "cage_bag": ("made", 600, "4"),
    "pallet_lean_to": ("rescued", 0, "4"),
    "sheet": ("given", 0, ""),
    "blanket": ("given", 0, ""),
    "cardboard_box": ("rescued", 0, ""),
    "straw": ("bought", 450, ""),
    "film_sheet": ("bought", 380, "4"),
}


# Of one: how much plastic, as an area and a thickness. [m², µm]
PLASTIC = {
    "fleece_medium": (6.0, 33.0),
    "fleece_light": (6.0, 19.0),
    "fleece_heavy": (6.0, 55.0),
    "box_frame": (2.0, 150.0),
    "hooped_tunnel": (5.0, 150.0),
    "hooped_fleece": (5.0, 33.0),
    "tote": (0.9, 2_000.0),
    "tote_unsealed": (0.9, 2_000.0),
    "food_box": (0.35, 900.0),
    "bottle": (0.15, 300.0),
    "cage_bag": (1.5, 80.0),
    "pallet_lean_to": (3.0, 150.0),
    "film_sheet": (4.0, 100.0),
}


@dataclass(frozen=True)
class SignIn:
    """Somebody to look at the demo as."""

    name: str
    role: str
    password: str


def seed(*, low_c: float, now: datetime, with_past: bool = True) -> list[SignIn]:
    """Make the demo garden if there is none, and plan tonight; gives new sign-ins, if any.

    with_past : two winters lie behind it, with all that people did in them.

    Runs inside an app context. Raises Refused where the database holds another garden.
    """
    refuse_other_gardens()
    upgrade_if_needed()
    bring_catalogue_up_to_date()
    sign_ins: list[SignIn] = []
    if db.session.get(Garden, 1) is None:
        sign_ins = _make_garden(now)
        if with_past:
            live_two_winters(now=now)
    refresh_forecast(low_c=low_c, now=now)
    return sign_ins


def refuse_other_gardens() -> None:
    """Raise Refused unless the database is empty, without a garden yet, or a demo.

    Looks before any migration runs, so that a real garden is not even upgraded.
    """
    tables = set(inspect(db.engine).get_table_names()) - {"alembic_version"}
    if not tables:
        return
    try:
        with db.engine.connect() as connection:
            is_demo = connection.scalar(text("SELECT is_demo FROM garden WHERE id = 1"))
    except DatabaseError as error:
        raise Refused(
            "The database holds something else than a demo garden. Nothing was touched."
        ) from error
    if is_demo is not None and not is_demo:
        raise Refused(
            "This database holds a real garden, so nothing was touched. "
            "Set GARDEN_INSTANCE to another folder to see the demo."
        )


def _make_garden(now: datetime) -> list[SignIn]:
    """The whole garden in one transaction: a demo is there or it is not."""
    rng = random.Random(SEED)  # noqa: S311  (the same invented garden each time)
    names = [(name, "coordinator") for name in COORDINATORS] + [(n, "member") for n in MEMBERS]
    sign_ins = [SignIn(name, role, _new_password()) for name, role in names]
    hashes = [hash_password(sign_in.password) for sign_in in sign_ins]
    stages, kinds = reference.load_stages(), reference.load_constructions()
    sources = reference.load_sources()
    draft = _draft_sign_ins(sign_ins)
    try:
        with write_transaction() as session:
            # Asked again inside: two of these started at once must not both make one.
            if session.get(Garden, 1, populate_existing=True) is not None:
                raise Refused("Somebody else is setting this garden up right now.")
            _add_garden_row(session, now)
            member_ids = [
                people.add_member(
                    session,
                    name=sign_in.name,
                    role=sign_in.role,
                    by_id=None,
                    now=now,
                    password_hash=password_hash,
                )
                for sign_in, password_hash in zip(sign_ins, hashes, strict=True)
            ]
            seed_catalogue(session, stages=stages, constructions=kinds, sources=sources)
            plots = _add_plots(session)
            _give_plots(session, rng, plots, member_ids)
            local = now.astimezone(ZoneInfo(TIME_ZONE))
            _add_plantings(session, rng, plots, SEASONS[local.month])
            _add_covers(session, rng, member_ids, local.date())
            _add_materials(session, member_ids[0], now)
            _add_weather(session, local.date())
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    draft.replace(sign_ins_path())
    return sign_ins


def _add_garden_row(session: scoped_session[Session], now: datetime) -> None:
    session.add(
        Garden(
            id=1,
            name=GARDEN_NAME,
            latitude=LATITUDE,
            longitude=LONGITUDE,
            elevation_m=ELEVATION_M,
            time_zone=TIME_ZONE,
            shelter_label="the lean-to by the gate",
            shelter_spaces=8,
            minutes_budget=240.0,
            map_text=write_map(read_map(MAP).garden_map),
            map_north=0.0,
            is_demo=True,
            created_at=now,
        )
    )
    session.flush()


def _add_plots(session: scoped_session[Session]) -> list[Plot]:
    usual = {offset.key: offset for offset in USUAL_OFFSETS}
    plots = []
    for row, how_many, length_cm, width_cm, bed_width_cm, distance_m in ROWS:
        for number in range(1, how_many + 1):
            label = f"{row}{number}"
            spot = usual[SPOTS.get(label, "open")]
            plots.append(
                Plot(
                    label=label,
                    length_cm=length_cm,
                    width_cm=width_cm,
                    bed_width_cm=bed_width_cm,
                    distance_m=distance_m + 4.0 * number,
                    offset_choice=spot.key,
                    offset_k=spot.mean_k,
                    offset_sd_k=spot.sd_k,
                    offset_reason=spot.hint,
                )
            )
    session.add_all(plots)
    session.flush()
    return plots


def _give_plots(
    session: scoped_session[Session],
    rng: random.Random,
    plots: Sequence[Plot],
    member_ids: Sequence[int],
) -> None:
    """Each plot to somebody, the coordinators too; a few are shared."""
    from gardenapp.models.people import PlotHolder

    order = list(plots)
    rng.shuffle(order)
    for index, plot in enumerate(order):
        holders = {member_ids[index % len(member_ids)]}
        if index % 9 == 0:
            holders.add(rng.choice(member_ids))
        for member_id in sorted(holders):
            session.add(PlotHolder(plot_id=plot.id, member_id=member_id))
    session.flush()


def _add_plantings(
    session: scoped_session[Session],
    rng: random.Random,
    plots: Sequence[Plot],
    season: Sequence[Grown],
) -> None:
    stages = {
        (stage.crop.name, stage.name): stage
        for stage in session.scalars(select(CropStage).options(joinedload(CropStage.crop)))
    }
    grown = (*ALWAYS, *season)
    weights = [each.weight for each in grown]
    chosen = [TALL, *rng.choices(grown, weights=weights, k=PLANTINGS - 1)]
    used: dict[int, float] = dict.fromkeys((plot.id for plot in plots), 0.0)
    for index, each in enumerate(chosen):
        stage = stages[each.crop, each.stage]
        height_cm = (
            each.height_cm or round(stage.usual_height_cm * rng.uniform(0.7, 1.15) / 5.0) * 5.0
        )
        count = rng.randint(*each.count)
        area_cm2 = count * stage.usual_spread_cm**2
        plot = plots[index % len(plots)]
        room_cm2 = 0.7 * (plot.length_cm or 0.0) * (plot.width_cm or 0.0)
        if used[plot.id] + area_cm2 > room_cm2:
            # No room left here: it goes where most ground is free.
            plot = max(plots, key=lambda p: (p.length_cm or 0) * (p.width_cm or 0) - used[p.id])
        used[plot.id] += area_cm2
        session.add(
            Planting(
                plot_id=plot.id,
                stage_id=stage.id,
                name=rng.choice(each.names) if each.names else "",
                count=count,
                height_cm=max(5.0, height_cm),
                spread_cm=stage.usual_spread_cm,
                in_pot=each.in_pot,
                is_movable=each.in_pot and height_cm <= 120.0,
                mind=each.mind,
                worth_per=each.per,
            )
        )
    session.flush()


def _facts(key: str, number: int, today: date) -> dict[str, object]:
    """Where a cover came from and what was paid for it; invented."""
    origin, hundredths, resin = BOUGHT[key]
    facts: dict[str, object] = {
        "origin": origin,
        "cost_hundredths": hundredths,
        "resin": resin,
        "acquired_on": today - timedelta(days=760 + 45 * (number % 6)),
    }
    if key in PLASTIC:
        facts["film_area_m2"], facts["film_thickness_um"] = PLASTIC[key]
    if key == "pallet_lean_to":
        facts |= {"mark": "HT", "wood": "untreated"}
    return facts


def _add_covers(
    session: scoped_session[Session], rng: random.Random, member_ids: Sequence[int], today: date
) -> None:
    places = [StorePlace(label=label, note=note) for label, note in PLACES]
    session.add_all(places)
    session.flush()
    kinds = {
        kind.reference_key: kind
        for kind in session.scalars(select(CoverKind).where(CoverKind.is_published))
    }
    for index, (key, prefix, how_many) in enumerate(COVERS):
        for number in range(1, how_many + 1):
            belongs = rng.random() < 0.25
            broken = key == "cold_frame" and number == how_many
            session.add(
                Cover(
                    class_id=kinds[key].id,
                    label=f"{prefix} {number}",
                    owner_id=rng.choice(member_ids) if belongs else None,
                    lending="own plots" if belongs and rng.random() < 0.6 else "garden",
                    place_id=places[(index + number // 6) % len(places)].id,
                    condition="broken" if broken else "worn" if rng.random() < 0.12 else "sound",
                    is_usable=not broken,
                    note="one pane is cracked through" if broken else "",
                    **_facts(key, number, today),
                )
            )
    session.flush()


def _add_weather(session: scoped_session[Session], today: date) -> None:
    """Invented days up to yesterday, ordinary for the time of year."""
    rng = random.Random(SEED)  # noqa: S311  (the same weather each time)
    spell_k = 0.0
    for back in range(WEATHER_DAYS, 0, -1):
        on = today - timedelta(days=back)
        # Between the middles of two months.
        place = on.month - 1 + (on.day - 15) / 30.4
        here, share = math.floor(place), place - math.floor(place)
        low_c, high_c = (
            (1 - share) * USUAL_DAYS[here % 12][index] + share * USUAL_DAYS[(here + 1) % 12][index]
            for index in (0, 1)
        )
        spell_k = 0.7 * spell_k + rng.gauss(0.0, 1.2)
        low_c, high_c = low_c + spell_k + rng.gauss(0.0, 1.0), high_c + spell_k
        high_c = max(high_c, low_c + 1.0)
        session.add(
            DailyWeather(
                on_date=on,
                source="record",
                min_c=round(low_c, 1),
                mean_c=round((low_c + high_c) / 2, 1),
                max_c=round(high_c, 1),
            )
        )
    session.flush()


def _add_materials(session: scoped_session[Session], member_id: int, now: datetime) -> None:
    places = {place.label: place.id for place in session.scalars(select(StorePlace))}
    for how_much, place, entry in MATERIALS:
        lots.insert_lot(
            session,
            entry=entry,
            quantity_milli=how_much * 1000,
            place_id=places[place],
            member_id=member_id,
            now=now,
        )


# --- the forecast ------------------------------------------------------------------------------


def refresh_forecast(*, low_c: float, now: datetime) -> None:
    """Bring in the invented forecast for the coming nights and plan tonight.

    Before sunrise the board still shows the night that runs; then the coming night is planned as
    well, so that the board has something to show once the sun is up.
    """
    evening = tonight(now)
    zone = ZoneInfo(get_garden().time_zone)
    is_ending = evening < now.astimezone(zone).date()
    data = forecast_bytes(first_night=evening, low_c=low_c)
    present = forecasts.find_forecast(evening)
    has_plan = db.session.scalar(
        select(Plan.id).where(Plan.night_of == evening, Plan.is_current.is_(True))
    )
    if (
        has_plan is not None
        and present is not None
        and present.source.sha256 == hashlib.sha256(data).hexdigest()
        and now - present.source.entered_at < FRESH_FOR
    ):
        return
    forecasts.import_file(data=data, filename=FORECAST_FILE, member_id=None, now=now)
    for night_of in (evening, evening + timedelta(days=1)) if is_ending else (evening,):
        plan_night(night_of=night_of, member_id=None, now=now)


def forecast_bytes(*, first_night: date, low_c: float) -> bytes:
    """An hourly table with clear skies and light wind, its low just before each sunrise."""
    garden = get_garden()
    zone = ZoneInfo(garden.time_zone)
    lines = ["Time,Air temperature (°C),Dew point (°C),Cloud (%),Wind (m/s),Gust (m/s)"]
    for day in range(NIGHTS):
        # Each later night a little milder: a cold spell that is slowly ending.
        night_low_c = low_c + 0.8 * day
        night = night_for(
            first_night + timedelta(days=day),
            latitude=garden.latitude,
            longitude=garden.longitude,
            elevation_m=garden.height_m,
            time_zone=zone,
        )
        low_at = night.sunrise_at.replace(minute=0, second=0, microsecond=0)
        noon_at = datetime.combine(night.night_of, datetime.min.time(), zone) + timedelta(hours=12)
        at = noon_at.astimezone(UTC).replace(minute=0)
        for hour in range(24):
            moment = at + timedelta(hours=hour)
            if moment <= night.sunset_at:
                above_k = 8.0 + 1.5 * math.cos((moment - at) / timedelta(hours=6))
            elif moment < low_at:
                passed = (moment - night.sunset_at) / (low_at - night.sunset_at)
                above_k = 7.0 * (1.0 - math.sqrt(passed))
            else:
                above_k = min(6.0, 1.4 * ((moment - low_at) / timedelta(hours=1)))
            air_c = night_low_c + above_k
            dew_c = min(night_low_c - 1.5, air_c)
            lines.append(f"{moment:%Y-%m-%dT%H:%MZ},{air_c:.1f},{dew_c:.1f},10,1.2,3.0")
    return ("\n".join(lines) + "\n").encode()


# --- sign-ins ----------------------------------------------------------------------------------


def _new_password() -> str:
    """Four made-up words, about 50 random bits: easy to type on a phone."""
    words = (
        "".join(secrets.choice("bdfgklmnprstvz") + secrets.choice("aeiou") for _ in range(2))
        for _ in range(4)
    )
    return "-".join(words)


def sign_ins_path() -> Path:
    """Where the sign-ins of this demo are kept, for the owner of the computer alone."""
    return Path(current_app.instance_path) / SIGN_INS_FILE


def _draft_sign_ins(sign_ins: Sequence[SignIn]) -> Path:
    """Write the sign-ins under another name; they get theirs once the garden is there."""
    draft = sign_ins_path().with_suffix(f".{os.getpid()}")
    draft.unlink(missing_ok=True)
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        for sign_in in sign_ins:
            file.write(f"{sign_in.role:12} {sign_in.name:20} {sign_in.password}\n")
    return draft


def _say_sign_ins() -> None:
    path = sign_ins_path()
    if not path.exists():
        print("The sign-ins are not here any more. For a new link: gardenapp member link NAME")
        return
    print("Sign in as (made at random for this demo):")
    for line in path.read_text(encoding="utf-8").splitlines():
        print(f"  {line}")
    print(f"They are kept in {path}")


def _say_night() -> None:
    evening = tonight(datetime.now(UTC))
    plan = db.session.scalar(
        select(Plan).where(Plan.night_of == evening, Plan.is_current.is_(True))
    )
    if plan is not None:
        found = ", ".join(f"{count} {word}" for word, count in header_of(plan).counts.items())
        print(f"{GARDEN_NAME}, night of {evening.isoformat()}: plantings {found}.")


def _leave_empty() -> None:
    """Tables without a garden, for the first run. Raises Refused where there is a garden."""
    refuse_other_gardens()
    upgrade_if_needed()
    if db.session.get(Garden, 1) is not None:
        raise Refused(
            "There is a garden here already. Set GARDEN_INSTANCE to an empty folder to begin anew."
        )


def _low(value: str) -> float:
    try:
        low_c = float(value)
    except ValueError:
        low_c = math.nan
    if not COLDEST_C <= low_c <= WARMEST_C:
        raise argparse.ArgumentTypeError(f"a low from {COLDEST_C:g} to {WARMEST_C:g} °C")
    return low_c


def main(arguments: Sequence[str] | None = None, app: Flask | None = None) -> int:
    """The command: seed, say who may sign in, and serve if asked to."""
    parser = argparse.ArgumentParser(description="An invented garden to look at.")
    parser.add_argument("--serve", action="store_true", help="serve the pages afterwards")
    parser.add_argument("--host", default="0.0.0.0", help="address to listen on")  # noqa: S104  (phones on the network are what it is for)
    parser.add_argument("--port", type=int, default=8080)
    parser.add_argument(
        "--empty", action="store_true", help="serve an empty garden instead: the first run"
    )
    parser.add_argument(
        "--low", type=_low, default=USUAL_LOW_C, metavar="C", help="tonight's low in °C"
    )
    options = parser.parse_args(arguments)
    begun = time.monotonic()
    try:
        app = app or create_app()
        with app.app_context():
            try:
                if options.empty:
                    _leave_empty()
                else:
                    seed(low_c=options.low, now=datetime.now(UTC))
                    _say_night()
                    print(f"The garden and its people are invented. Its past weather: {CREDIT}.")
                    if not is_whole():
                        print("Its past broke off half way. Delete the folder to begin anew.")
                    _say_sign_ins()
                    print(f"Ready after {time.monotonic() - begun:.0f} s.")
            finally:
                db.session.remove()
                db.engine.dispose()
    except GardenError as error:
        print(error, file=sys.stderr)
        return 2
    sys.stdout.flush()
    if options.serve or options.empty:
        serve.main(
            args=["--host", options.host, "--port", str(options.port)], standalone_mode=False
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
