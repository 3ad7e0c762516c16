"""Two winters behind an invented garden: nights, marks, losses, trials, and what became of things.

The weather is real and moved in time (`weather.CREDIT`); what people did and read under it is
invented, by one seed, and goes through the same services as a real garden's, so that every page
shows what it would show of a real one.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from zoneinfo import ZoneInfo

from sqlalchemy import func, select, update

from gardenapp.demo.weather import (
    CREDIT,
    RealDay,
    cold_evenings,
    moved,
    recent_evenings,
)
from gardenapp.errors import GardenError
from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.nights import Job, Plan, PlanRow
from gardenapp.models.people import Garden, Member, PlotHolder
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.models.replays import ReplayRun
from gardenapp.readers.logger import LoggerOptions
from gardenapp.services.builds import designing, making
from gardenapp.services.clockwork import get_garden, night_of_garden
from gardenapp.services.night import forecasts, learning, morning, outcomes, tonight
from gardenapp.services.night.plan_night import plan_night
from gardenapp.services.season.outlook import import_climate
from gardenapp.services.store import acts, needs
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lending import lend
from gardenapp.services.store.subjects import thing
from gardenapp.services.transaction import write_transaction
from gardenapp.services.trials import readings
from gardenapp.services.trials.cover_trials import LoggerFile, TrialEntry, keep_trial

SEED = 1_963
WINTERS, COLD_NIGHTS, BELOW_C = 2, 30, 1.0
# Of the cold nights at this time of the year (what grows now grew then as well), every so many
# were planned, and somebody went out.
NEAR_MONTHS, PLANNED_EVERY = 2, 3
RECENT_NIGHTS = 4
# How far a forecast of the day was off, a reading, and a plot beside its usual offset. [K]
FORECAST_SD_K, READING_SD_K, PLOT_SD_K = 1.3, 0.3, 0.4
MOST_JOBS_A_NIGHT = 9
# Of the plots, those with a thermometer of somebody's own.
THERMOMETERS = 6
SPANISH_READERS = ("Gwilym Santos", "Ines Kettlewell")


@dataclass(frozen=True)
class Trialled:
    """A trial that somebody made. [K]"""

    key: str
    label: str
    days_ago: int
    nights: int
    lift_k: float
    gain_k: float
    sky: str
    note: str


TRIALS = (
    Trialled("tote", "tote", 330, 5, 1.6, 12.0, "clear", "Rim pressed into the soil all round."),
    Trialled(
        "fleece_medium", "fleece", 290, 6, 1.9, 4.5, "mixed", "One layer, edges weighed down."
    ),
    Trialled("hooped_tunnel", "film tunnel", 265, 4, 0.7, 14.0, "cloudy", "Ends closed with pegs."),
)


def live_two_winters(*, now: datetime) -> None:
    """Give the garden its past. Runs inside an app context, on a garden just made.

    Raises what the services raise, where something of it cannot be.
    """
    chance = random.Random(SEED)  # noqa: S311  (the same invented past each time)
    garden = get_garden()
    zone = ZoneInfo(garden.time_zone)
    today = now.astimezone(zone).date()
    people = list(db.session.scalars(select(Member).order_by(Member.id)))
    _records(today, people[0], now)
    nights = cold_evenings(today, winters=WINTERS, each=COLD_NIGHTS, below_c=BELOW_C)
    plots = list(db.session.scalars(select(Plot).order_by(Plot.id)))
    spots = {plot.id: plot.offset_k + chance.gauss(0.0, PLOT_SD_K) for plot in plots}
    measured = chance.sample(plots, THERMOMETERS)
    near = [day.on for day in nights if _months_between(day.on, today) <= NEAR_MONTHS]
    planned = set(near[::PLANNED_EVERY])
    for day in nights:
        _night(day, garden, people, measured, spots, chance, is_planned=day.on in planned)
    for day in recent_evenings(today, most=RECENT_NIGHTS, below_c=BELOW_C) if near else ():
        _night(day, garden, people, measured, spots, chance, is_planned=True)
    for trial in TRIALS:
        _trial(trial, people, zone, now, chance)
    _things(people, now, chance)
    _builds(people[1], now)
    _odds_and_ends(people, measured[0], now)
    with write_transaction() as session:
        session.execute(
            update(Member).where(Member.name.in_(SPANISH_READERS)).values(language="es")
        )
    _replay(people[0], now)  # the last of it: `is_whole` looks for this


def is_whole() -> bool:
    """Whether the past was made to its end, and did not break off half way."""
    return bool(db.session.scalar(select(func.count()).where(ReplayRun.record == CREDIT)))


def _months_between(day: date, other: date) -> int:
    apart = abs(day.month - other.month)
    return min(apart, 12 - apart)


def _records(today: date, coordinator: Member, now: datetime) -> None:
    """The record as a coordinator would import it: for the season's outlook and for replays."""
    lines = ["DATE,TMAX (°C),TMIN (°C)"]
    lines += [f"{d.on:%Y-%m-%d},{d.high_c:.1f},{d.low_c:.1f}" for d in moved(today)]
    import_climate(
        data="\n".join(lines).encode(),
        filename=CREDIT,
        unit="C",
        station=None,
        lows_belong_to="morning",
        member=coordinator,
        now=now,
    )


# --- a night ----------------------------------------------------------------------------------


def _night(
    day: RealDay,
    garden: Garden,
    people: Sequence[Member],
    measured: Sequence[Plot],
    spots: dict[int, float],
    chance: random.Random,
    *,
    is_planned: bool,
) -> None:
    """One cold night, from the forecast to what was found in the morning."""
    zone = ZoneInfo(garden.time_zone)
    evening = day.on - timedelta(days=1)
    cloud = (day.cloud_eighths or 4.0) / 8.0
    said_c = round(day.low_c + chance.gauss(0.0, FORECAST_SD_K), 1)
    noon_at = datetime.combine(evening, time(13, 30), zone).astimezone(UTC)
    wind_mps = round(min(day.wind_mps or 1.5, 6.0) * 0.6, 1)
    forecasts.enter_by_hand(
        night_of=evening,
        low_c=said_c,
        cloud_fraction=round(min(1.0, max(0.0, cloud + chance.gauss(0.0, 0.15))), 2),
        wind_mps=wind_mps,
        gust_mps=round(max(wind_mps, min(day.gust_mps or 5.0, 12.0) * 0.6), 1),
        member_id=people[0].id,
        now=noon_at,
    )
    morning_at = datetime.combine(day.on, time(8, 20), zone).astimezone(UTC)
    if is_planned:
        plan_night(night_of=evening, member_id=people[0].id, now=noon_at, at_once=True)
        done = _hands(evening, garden, people, chance)
        _bring_back(done, people, morning_at, chance)
    _readings(day, evening, people, measured, spots, morning_at, cloud, chance)
    if is_planned:
        _losses(evening, morning_at, chance)


def _hands(
    evening: date, garden: Garden, people: Sequence[Member], chance: random.Random
) -> list[tuple[int, Member]]:
    """Who went out: some of the jobs, each by somebody, most of them before dark."""
    jobs = list(
        db.session.scalars(
            select(Job)
            .join(Plan, Plan.id == Job.plan_id)
            .where(
                Plan.night_of == evening, Plan.is_current.is_(True), Job.must_come_off.is_(False)
            )
            .order_by(Job.by_at, Job.id)
        )
    )
    dusk_at = night_of_garden(garden, evening).sunset_at
    # Some come out every time and some hardly ever.
    keen = [1.0 / (1 + place) for place in range(len(people))]
    found = []
    out = chance.choices(list(people), weights=keen, k=4)
    for number, job in enumerate(jobs[: chance.randint(4, MOST_JOBS_A_NIGHT)]):
        member = out[number % len(out)]
        at = dusk_at - timedelta(minutes=chance.randint(5, 95))
        try:
            tonight.claim_job(job_id=job.id, member_id=member.id, now=at - timedelta(minutes=40))
            tonight.mark_on(job_id=job.id, member_id=member.id, now=at)
        except GardenError:
            continue  # too heavy for this one, or a cover that is out: somebody else's night
        found.append((job.id, member))
    return found


def _bring_back(
    done: Sequence[tuple[int, Member]],
    people: Sequence[Member],
    morning_at: datetime,
    chance: random.Random,
) -> None:
    for number, (job_id, member) in enumerate(done):
        who = member if chance.random() < 0.7 else chance.choice(list(people))
        at = morning_at + timedelta(minutes=6 * number)
        morning.bring_back(job_id=job_id, conditions={}, member_id=who.id, now=at)


def _readings(
    day: RealDay,
    evening: date,
    people: Sequence[Member],
    measured: Sequence[Plot],
    spots: dict[int, float],
    at: datetime,
    cloud: float,
    chance: random.Random,
) -> None:
    """The low in the screen, and at those plots whose holders looked that morning."""
    learning.record_low(
        night_of=evening,
        plot_id=None,
        low_c=round(day.low_c + chance.gauss(0.0, 0.2), 1),
        member=people[0],
        now=at,
        place="screen",
    )
    for plot in measured:
        if chance.random() < 0.45:
            continue
        holder = db.session.scalar(
            select(Member)
            .join(PlotHolder, PlotHolder.member_id == Member.id)
            .where(PlotHolder.plot_id == plot.id)
            .order_by(Member.id)
        )
        read_c = day.low_c + spots[plot.id] * (1.0 - 0.7 * cloud) + chance.gauss(0.0, READING_SD_K)
        learning.record_low(
            night_of=evening,
            plot_id=plot.id,
            low_c=round(read_c, 1),
            member=holder or people[0],
            now=at + timedelta(minutes=20),
            place="screen",
        )


def _losses(evening: date, at: datetime, chance: random.Random) -> None:
    """What was found at a few plots: as often harmed as the plan had thought it likely."""
    rows = list(
        db.session.execute(
            select(PlanRow.plot_id, PlanRow.planting_id)
            .join(Plan, Plan.id == PlanRow.plan_id)
            .where(Plan.night_of == evening, Plan.is_current.is_(True))
        )
    )
    by_plot: dict[int, list[int]] = {}
    for plot_id, planting_id in rows:
        by_plot.setdefault(plot_id, []).append(planting_id)
    for plot_id in chance.sample(sorted(by_plot), min(5, len(by_plot))):
        expected = outcomes.expected_shares(night_of=evening, plot_id=plot_id)
        holder = db.session.scalar(
            select(PlotHolder.member_id).where(PlotHolder.plot_id == plot_id).limit(1)
        )
        damages = {}
        for planting_id in by_plot[plot_id]:
            share = expected.get(planting_id)
            if share is not None:
                damages[planting_id] = _seen(share, chance)
        if not damages or holder is None:
            continue
        with write_transaction():
            outcomes.write_outcomes(
                night_of=evening,
                plot_id=plot_id,
                damages=damages,
                member_id=holder,
                may_any=True,
                now=at + timedelta(hours=1),
            )


def _seen(share: float, chance: random.Random) -> str:
    if chance.random() >= share:
        return "none"
    return "much" if share > 0.6 and chance.random() < share else "some"


# --- trials -----------------------------------------------------------------------------------


def _trial(
    trial: Trialled, people: Sequence[Member], zone: ZoneInfo, now: datetime, chance: random.Random
) -> None:
    """Two loggers' files of a few days, and the trial that was made of them."""
    kind = db.session.scalar(select(CoverKind).where(CoverKind.reference_key == trial.key))
    cover = db.session.scalar(
        select(Cover).where(Cover.label == f"{trial.label} 1", Cover.class_id == kind.id)
        if kind is not None
        else select(Cover).where(Cover.id < 0)
    )
    if kind is None:
        return
    begun = (now - timedelta(days=trial.days_ago)).astimezone(zone).date()
    begin = datetime.combine(begun, time(12), zone).astimezone(UTC)
    inside, outside = ["Date Time,Temperature (°C)"], ["Date Time,Temperature (°C)"]
    lows = [chance.uniform(-3.5, 1.5) for _ in range(trial.nights + 2)]
    swing = 7.0 if trial.sky == "clear" else 4.0 if trial.sky == "cloudy" else 5.5
    lifts = [trial.lift_k + chance.gauss(0.0, 0.3) for _ in range(trial.nights + 2)]
    for minute in range(0, trial.nights * 24 * 60 + 1, 10):
        at = begin + timedelta(minutes=minute)
        local = at.astimezone(zone)
        day = (at - begin) // timedelta(days=1)
        hour = local.hour + local.minute / 60
        # Coldest at half past six, warmest at half past two, from one night's low to the next.
        share = (1 - math.cos((hour - 6.5) / 24 * 2 * math.pi)) / 2
        out_c = lows[day] + swing * share + chance.gauss(0.0, 0.06)
        sun = max(0.0, math.sin((hour - 8.5) / 8 * math.pi)) if 8.5 <= hour <= 16.5 else 0.0
        cover_k = lifts[day] + (trial.gain_k - lifts[day]) * sun
        inside.append(f"{local:%Y-%m-%d %H:%M:%S},{out_c + cover_k + chance.gauss(0.0, 0.05):.2f}")
        outside.append(f"{local:%Y-%m-%d %H:%M:%S},{out_c:.2f}")
    options = LoggerOptions()
    keep_trial(
        entry=TrialEntry(
            kind_id=kind.id,
            cover_id=cover.id if cover is not None else None,
            place="B3, open ground",
            is_sealed=trial.key != "tote_unsealed",
            sky=trial.sky,
            note=trial.note,
            heat_max_c=None,
        ),
        inside=LoggerFile("inside.csv", "\n".join(inside).encode(), options),
        outside=LoggerFile("outside.csv", "\n".join(outside).encode(), options),
        form_key="",
        member=chance.choice(list(people)),
        now=begin + timedelta(days=trial.nights, hours=3),
    )


# --- builds and a replay ----------------------------------------------------------------------


def _builds(member: Member, now: datetime) -> None:
    """A tent of two pallets that was built, and another design that waits for its Saturday."""
    begun = now - timedelta(days=12)
    low = select(Planting).where(Planting.height_cm < 50, Planting.in_pot.is_(False))
    built = False
    for planting in db.session.scalars(low.order_by(Planting.id).limit(12)):
        wanted = designing.wanted_for(plot_id=planting.plot_id, planting_ids=[planting.id])
        for one in designing.suggest(wanted=wanted, member=member):
            if built == (one.shape == "pallet_lean_to") or not (built or one.is_buildable):
                continue
            entry = designing.PlanEntry(
                one.shape,
                one.sizes,
                wanted.need,
                plot_id=planting.plot_id,
                planting_ids=(planting.id,),
            )
            plan_id = designing.add_plan(entry=entry, member=member, now=begun)
            if built:
                return
            place = db.session.scalar(select(StorePlace.id).order_by(StorePlace.id))
            label = making.suggest_label(plan_id=plan_id)
            making.build_cover(
                plan_id=plan_id,
                label=label,
                place_id=place,
                member=member,
                now=begun + timedelta(days=2),
            )
            built = True
            break


def _replay(member: Member, now: datetime) -> None:
    """Last winter replayed: minutes of reckoning, kept as what came of it (`replay.json`)."""
    kept = json.loads((resources.files(__package__) / "replay.json").read_text(encoding="utf-8"))
    begun = now - timedelta(days=3)
    with write_transaction(changes_board=False) as session:
        session.add(
            ReplayRun(
                started_at=begun,
                started_by_id=member.id,
                record=CREDIT,
                garden="current",
                covers="all",
                seed=1,
                status="done",
                nights_done=kept["nights_done"],
                nights_total=kept["nights_total"],
                heard_at=begun + timedelta(minutes=8),
                finished_at=begun + timedelta(minutes=8),
                result=kept["result"],
            )
        )


def _odds_and_ends(people: Sequence[Member], plot: Plot, now: datetime) -> None:
    """Prices that somebody looked up, a logger that is out, and what is looked for and to spare."""
    for what, price, length_mm in (
        ("Timber 38 x 38", 3.4, 2_400.0),
        ("film", 1.9, None),
        ("pallet", 0.0, None),
    ):
        designing.set_price(
            what=what, price=price, sold_length_mm=length_mm, member=people[0], now=now
        )
    readings.create_logger(
        entry=readings.LoggerEntry("post by the gate", plot.id, None, "outside", 0.0, None, None),
        member=people[0],
        now=now,
    )
    for kind, what, how_much, note, member in (
        ("ask", "Glass panes", "4", "About 60 by 40, chipped will do.", people[3]),
        ("offer", "Soil-filled bags", "10", "By the compost.", people[5]),
    ):
        needs.add_notice(kind=kind, what=what, how_much=how_much, note=note, member=member, now=now)


# --- what became of things --------------------------------------------------------------------


def _things(people: Sequence[Member], now: datetime, chance: random.Random) -> None:
    """Mends, loans out and back, one that is out, and what has left and where it went."""
    coordinator = people[0]

    def cover(label: str) -> Cover | None:
        return db.session.scalar(select(Cover).where(Cover.label == label))

    def happen(label: str, action: str, days_ago: int, **facts: object) -> None:
        found = cover(label)
        if found is None:
            return
        acts.do(
            subject=thing(found.id),
            happening=Happening(action, **facts),  # type: ignore[arg-type]
            member=coordinator,
            now=now - timedelta(days=days_ago),
        )

    for label, torn, mended in (
        ("fleece 5", 40, 33),
        ("film tunnel 2", 38, 20),
        ("tote 3", 30, 28),
    ):
        happen(label, "damaged", torn, condition="broken", note="torn by the wind")
        happen(label, "mended", mended, condition="worn", note="taped on both sides")
    for label, days_ago, days, is_back in (
        ("fleece 9", 25, 9, True),
        ("blanket 2", 19, 14, True),
        ("glass frame 1", 5, 21, False),
    ):
        found = cover(label)
        if found is None:
            continue
        lent_at = now - timedelta(days=days_ago)
        borrower = chance.choice(list(people)[1:])
        lend(
            subject=thing(found.id),
            happening=Happening(
                "lent", other_member_id=borrower.id, due_on=lent_at.date() + timedelta(days=days)
            ),
            today=lent_at.date(),
            member=coordinator,
            now=lent_at,
        )
        if is_back:
            happen(label, "returned", days_ago - days, other_member_id=borrower.id)
    for label, days_ago, went_to in (
        ("thin fleece 6", 24, "landfill"),
        ("carton 3", 22, "composted"),
        ("bottle 6", 18, "recycled"),
    ):
        happen(label, "retired", days_ago, went_to=went_to)
