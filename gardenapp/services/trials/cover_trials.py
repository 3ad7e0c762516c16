"""Trials of covers: two loggers' files in, a kept result out, and what the kinds learn from it."""

from __future__ import annotations

import csv
import io
import zipfile
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import joinedload, selectinload, undefer

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, OutOfRange, Refused
from gardenapp.extensions import db
from gardenapp.messages import Sentence, listed, say, to_json
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.people import Garden, Member
from gardenapp.models.trials import SKIES, Trial, TrialDay, TrialNight
from gardenapp.readers.logger import LoggerOptions, LoggerReading, read_logger
from gardenapp.readers.records import LineError, UnreadableFile
from gardenapp.science.covers.lift import LiftPrior
from gardenapp.science.covers.lift_learning import (
    DAY_SCATTER_K,
    LearntLift,
    NightLift,
    full_sun_gain_k,
    learn_lift,
    sunnier_half,
)
from gardenapp.science.estimate import Estimate
from gardenapp.science.night.morning import GAIN_REFERENCE_WM2, gain_in_full_sun
from gardenapp.science.night.sun import clear_sky_wm2
from gardenapp.science.trials import analysis as science
from gardenapp.services import change_log
from gardenapp.services.clockwork import get_garden
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

# How surely a night was clear by the note of the whole trial; None: each night's own fall tells.
CLEAR_SHARES: dict[str, float | None] = {
    "clear": 1.0,
    "cloudy": 0.0,
    "mixed": None,
    "unknown": None,
}
KEPT_STEP_S = 60
MOST_TRIALS_LISTED = 200


class UnreadableTrial(Refused):
    """One or both files could not be read. `faults`: inside or outside to the reasons found."""

    def __init__(self, faults: dict[str, tuple[LineError, ...]]) -> None:
        self.faults = faults
        words = listed((error.whole for found in faults.values() for error in found), "; ")
        super().__init__(say("We saved nothing: %(faults)s", faults=words))


@dataclass(frozen=True)
class LoggerFile:
    """A logger's file as it was sent, and what its sender says about it."""

    name: str
    data: bytes
    options: LoggerOptions


@dataclass(frozen=True)
class TrialEntry:
    """A trial as its form gives it; sky is one of the four words of `models.trials.SKIES`."""

    kind_id: int
    cover_id: int | None
    place: str
    is_sealed: bool
    sky: str
    note: str
    heat_max_c: float | None


@dataclass(frozen=True)
class TrialLine:
    """One trial in a list. [K]"""

    id: int
    kind_id: int
    kind: str
    cover: str
    place: str
    status: str
    counts: bool
    first_on: date
    last_on: date
    nights: int
    mean_lift_k: float | None


@dataclass(frozen=True)
class TrialPage:
    """One trial with everything its analysis said."""

    line: TrialLine
    is_sealed: bool
    kind_is_sealed: bool
    sky: str
    note: str
    entered_by: str
    entered_at: datetime
    inside_name: str
    outside_name: str
    first_at: datetime
    last_at: datetime
    result: dict[str, Any]
    may_change: bool


@dataclass(frozen=True)
class NightWeight:
    """One night as it went into what a kind learnt. [K]"""

    trial_id: int
    night_of: date
    lift_k: float
    clear_weight: float
    cloudy_weight: float


@dataclass(frozen=True)
class Provenance:
    """Where a kind's lift comes from: before, the garden's own nights, after. [K]"""

    clear: LearntLift
    cloudy: LearntLift
    trials: int
    nights: tuple[NightWeight, ...]


@dataclass(frozen=True)
class KindStory:
    """What a kind page says of its trials."""

    kind_id: int
    trials: tuple[TrialLine, ...]
    lift: Provenance | None
    gain: LearntLift | None


def keep_trial(
    *,
    entry: TrialEntry,
    inside: LoggerFile,
    outside: LoggerFile,
    form_key: str,
    member: Member,
    now: datetime,
) -> int:
    """Read and analyse two loggers' files and keep the trial; gives its id.

    Everything is read and worked out before anything is written, and written at once: a file
    that cannot be read leaves nothing behind. The same `form_key` again gives the first one's id.
    A trial that its own readings cast doubt on is kept as doubted and not learnt from.

    Raises UnreadableTrial, NotFound, FieldRefused.
    """
    member_id = member.id
    if form_key and (earlier := _by_form_key(form_key)) is not None:
        return earlier
    if entry.sky not in SKIES:
        raise FieldRefused("sky", _("Choose one of the list."))
    kind = db.session.get(CoverKind, entry.kind_id)
    if kind is None:
        raise NotFound(_("We can’t find that kind of cover."))
    if entry.cover_id is not None:
        cover = db.session.get(Cover, entry.cover_id)
        if cover is None or cover.class_id != kind.id:
            raise FieldRefused("cover_id", _("That cover is not of the kind chosen above."))
    garden = get_garden()
    zone = ZoneInfo(garden.time_zone)
    readings = _read_both(inside, outside, zone)
    result = _analysed(readings, garden, zone, entry.heat_max_c)
    plain = science.as_plain(result)
    plain["notes"] = {
        side: [to_json(note) for note in reading.notes] for side, reading in readings.items()
    }
    clear_share = CLEAR_SHARES[entry.sky]
    trial = Trial(
        class_id=kind.id,
        cover_id=entry.cover_id,
        place=entry.place,
        is_sealed=entry.is_sealed,
        sky=entry.sky,
        note=entry.note,
        status="doubted" if result.is_doubtful else "kept",
        entered_by_id=member_id,
        entered_at=now,
        inside_name=readings["inside"].label[:200],
        outside_name=readings["outside"].label[:200],
        first_at=result.starts_at,
        last_at=result.ends_at,
        result=plain,
        data=_packed(result.matched),
        form_key=form_key or None,
        nights=[
            TrialNight(
                night_of=night.night_of,
                lift_k=night.lift_at_minimum_k,
                clear_share=_clear_share(clear_share, night.looked_clear),
            )
            for night in result.nights
            if night.is_whole
        ],
        days=_days(result, garden, zone),
    )
    name = kind.name
    try:
        with write_transaction(changes_board=False) as session:
            session.add(trial)
            session.flush()
            change_log.record(
                action="trial kept",
                subject=name,
                detail=f"{len(trial.nights)} whole nights, {trial.status}",
                at=now,
                member_id=member_id,
            )
            return trial.id
    except IntegrityError:
        first = _by_form_key(form_key)
        if first is None:
            raise
        return first


def _by_form_key(form_key: str) -> int | None:
    return db.session.scalar(select(Trial.id).where(Trial.form_key == form_key))


def _read_both(inside: LoggerFile, outside: LoggerFile, zone: ZoneInfo) -> dict[str, LoggerReading]:
    readings: dict[str, LoggerReading] = {}
    faults: dict[str, tuple[LineError, ...]] = {}
    for side, file in (("inside", inside), ("outside", outside)):
        try:
            readings[side] = read_logger(
                file.data, filename=file.name, time_zone=zone, options=file.options
            )
        except UnreadableFile as error:
            faults[side] = tuple(error.errors)
    if faults:
        raise UnreadableTrial(faults)
    return readings


def _analysed(
    readings: dict[str, LoggerReading], garden: Garden, zone: ZoneInfo, heat_max_c: float | None
) -> science.TrialResult:
    inside, outside = readings["inside"], readings["outside"]
    try:
        nights = science.nights_between(
            int(min(inside.at_s[0], outside.at_s[0])),
            int(max(inside.at_s[-1], outside.at_s[-1])),
            latitude=garden.latitude,
            longitude=garden.longitude,
            time_zone=zone,
        )
        return science.analyse(
            _series(inside), _series(outside), nights=nights, heat_max_c=heat_max_c
        )
    except (OutOfRange, OverflowError) as error:
        message = Sentence(error.message if isinstance(error, OutOfRange) else str(error))
        raise UnreadableTrial({"both": (LineError(None, "", message),)}) from error


def _series(reading: LoggerReading) -> science.Series:
    return science.Series(reading.at_s, reading.temp_c, reading.humidity_percent, reading.label)


def _clear_share(noted: float | None, looked_clear: bool | None) -> float:
    """What was noted wins; else the night's own fall; else it may be either."""
    if noted is not None:
        return noted
    return 0.5 if looked_clear is None else float(looked_clear)


def _days(result: science.TrialResult, garden: Garden, zone: ZoneInfo) -> list[TrialDay]:
    found = []
    for day in result.days:
        noon_at = datetime(day.on.year, day.on.month, day.on.day, 12, tzinfo=zone).astimezone(UTC)
        noon_wm2 = max(
            clear_sky_wm2(
                noon_at + timedelta(hours=hours),
                garden.latitude,
                garden.longitude,
                garden.height_m,
            )
            for hours in (-2, -1, 0, 1, 2)
        )
        if not day.is_whole or noon_wm2 <= 0.0:
            continue
        full = full_sun_gain_k(day.gain_max_k, noon_wm2=noon_wm2, reference_wm2=GAIN_REFERENCE_WM2)
        found.append(TrialDay(on_date=day.on, gain_k=day.gain_max_k, full_sun_gain_k=full))
    return found


# The matched readings, small enough to keep


def _packed(matched: science.Matched) -> bytes:
    """The matched rows, at most one a minute (the first of each), as whole steps, compressed."""
    rows = np.arange(len(matched))
    if matched.step_s < KEPT_STEP_S:
        minute = matched.at_s // KEPT_STEP_S
        rows = np.flatnonzero(np.concatenate(([True], np.diff(minute) > 0)))
    columns = {"at_s": np.diff(matched.at_s[rows], prepend=0)}
    for name in ("inside_c", "outside_c", "inside_percent", "outside_percent"):
        values = getattr(matched, name)
        if values is not None:
            # Hundredths hold what loggers measure; differences of whole numbers pack well.
            filled = np.where(np.isfinite(values[rows]), values[rows], -999.0)
            whole = np.rint(filled * 100).astype(np.int32)
            columns[name] = np.diff(whole, prepend=np.int32(0)).astype(np.int32)
    packed = io.BytesIO()
    np.savez_compressed(packed, **columns)  # type: ignore[arg-type]  # its stub wants no names
    return packed.getvalue()


def _unpacked(data: bytes) -> dict[str, np.ndarray[Any, Any]]:
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as kept:
            columns = {name: np.cumsum(kept[name]) for name in kept.files}
    except (ValueError, OSError, zipfile.BadZipFile) as error:
        raise Refused(_("We can no longer read the readings of this trial.")) from error
    return {name: values if name == "at_s" else values / 100.0 for name, values in columns.items()}


def cleaned_csv(*, trial_id: int) -> tuple[str, Iterator[str]]:
    """A file name and the lines of the matched readings, clocks corrected. Raises NotFound.

    Times are in UTC. Only numbers and moments are in it, so no cell can be a formula.
    """
    trial = db.session.scalar(
        select(Trial).where(Trial.id == trial_id).options(undefer(Trial.data))
    )
    if trial is None:
        raise NotFound(_("We can’t find that trial."))
    columns = _unpacked(trial.data)
    return f"trial-{trial_id}.csv", _lines(columns)


def _lines(columns: dict[str, np.ndarray[Any, Any]]) -> Iterator[str]:
    header = [
        "time_utc",
        "inside_c",
        "outside_c",
        "difference_k",
        "inside_humidity_percent",
        "outside_humidity_percent",
    ]
    absent = np.full(len(columns["at_s"]), -999.0)
    inside, outside = columns["inside_c"], columns["outside_c"]
    humid_in = columns.get("inside_percent", absent)
    humid_out = columns.get("outside_percent", absent)
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(header)
    for row, at_s in enumerate(columns["at_s"].tolist()):
        at = datetime.fromtimestamp(at_s, tz=UTC)
        writer.writerow(
            [
                f"{at:%Y-%m-%dT%H:%M:%SZ}",
                f"{inside[row]:.2f}",
                f"{outside[row]:.2f}",
                f"{inside[row] - outside[row]:.2f}",
                "" if humid_in[row] < 0 else f"{humid_in[row]:.1f}",
                "" if humid_out[row] < 0 else f"{humid_out[row]:.1f}",
            ]
        )
        if row % 2_000 == 1_999:
            yield buffer.getvalue()
            buffer.seek(0)
            buffer.truncate()
    yield buffer.getvalue()


# Reading trials


def list_trials(*, kind_id: int | None = None) -> list[TrialLine]:
    """The newest trials first, of one kind or of all."""
    query = (
        select(Trial)
        .options(joinedload(Trial.cover_kind), joinedload(Trial.cover), selectinload(Trial.nights))
        .order_by(Trial.last_at.desc(), Trial.id.desc())
        .limit(MOST_TRIALS_LISTED)
    )
    if kind_id is not None:
        query = query.where(Trial.class_id == kind_id)
    zone = ZoneInfo(get_garden().time_zone)
    return [_line(trial, zone) for trial in db.session.scalars(query)]


def _line(trial: Trial, zone: ZoneInfo) -> TrialLine:
    lifts = [night.lift_k for night in trial.nights]
    return TrialLine(
        id=trial.id,
        kind_id=trial.class_id,
        kind=trial.cover_kind.name,
        cover=trial.cover.label if trial.cover else "",
        place=trial.place,
        status=trial.status,
        counts=_counts(trial),
        first_on=trial.first_at.astimezone(zone).date(),
        last_on=trial.last_at.astimezone(zone).date(),
        nights=len(lifts),
        mean_lift_k=sum(lifts) / len(lifts) if lifts else None,
    )


def _counts(trial: Trial) -> bool:
    """Whether its kind learns from it: in use, and its edges as the kind's figures mean them."""
    return trial.status == "kept" and trial.is_sealed == trial.cover_kind.is_sealed


def get_trial(*, trial_id: int, member: Member) -> TrialPage:
    """One trial, for its page. Raises NotFound."""
    trial = db.session.scalar(
        select(Trial)
        .where(Trial.id == trial_id)
        .options(
            joinedload(Trial.cover_kind),
            joinedload(Trial.cover),
            joinedload(Trial.entered_by),
            selectinload(Trial.nights),
        )
    )
    if trial is None:
        raise NotFound(_("We can’t find that trial."))
    return TrialPage(
        line=_line(trial, ZoneInfo(get_garden().time_zone)),
        is_sealed=trial.is_sealed,
        kind_is_sealed=trial.cover_kind.is_sealed,
        sky=trial.sky,
        note=trial.note,
        entered_by=trial.entered_by.name if trial.entered_by else "",
        entered_at=trial.entered_at,
        inside_name=trial.inside_name,
        outside_name=trial.outside_name,
        first_at=trial.first_at,
        last_at=trial.last_at,
        result=trial.result,
        may_change=_may_change(trial, member),
    )


def _may_change(trial: Trial, member: Member) -> bool:
    return member.is_coordinator or trial.entered_by_id == member.id


def use_trial(*, trial_id: int, is_used: bool, member: Member, now: datetime) -> None:
    """Let the kind learn from a trial, or leave it out; nothing of it is lost either way.

    Whoever entered it and coordinators may. Raises NotFound, NotAllowed.
    """
    member_id, is_coordinator = member.id, member.is_coordinator
    with write_transaction(changes_board=False) as session:
        trial = session.scalar(
            select(Trial).where(Trial.id == trial_id).options(joinedload(Trial.cover_kind))
        )
        if trial is None:
            raise NotFound(_("We can’t find that trial."))
        if not is_coordinator and trial.entered_by_id != member_id:
            raise NotAllowed(_("Only whoever added the trial, or a coordinator, can do that."))
        status = "kept" if is_used else "left out"
        if trial.status == status:
            return
        trial.status = status
        session.flush()
        change_log.record(
            action="trial used" if is_used else "trial left out",
            subject=trial.cover_kind.name,
            detail=f"trial {trial_id}",
            at=now,
            member_id=member_id,
        )


# Learning


def believed_lifts(
    *, kinds: Iterable[CoverKind] | None = None
) -> dict[int, tuple[LiftPrior, Provenance]]:
    """What each kind with trials that count is believed to add now, and where that comes from.

    Kinds without such a trial are left out: theirs is the prior.
    """
    nights = _counted_nights()
    found: dict[int, tuple[LiftPrior, Provenance]] = {}
    if kinds is None:
        kinds = db.session.scalars(select(CoverKind).where(CoverKind.id.in_(nights)))
    for kind in kinds:
        if kind.id in nights:
            provenance = _learnt(kind, nights[kind.id])
            prior = LiftPrior(
                clear=provenance.clear.estimate,
                cloudy=provenance.cloudy.estimate,
                leaf_shield=kind.leaf_shield,
            )
            found[kind.id] = (prior, provenance)
    return found


def _counted_nights() -> dict[int, list[tuple[int, TrialNight]]]:
    """Nights of the trials that count, with their trial's id, by kind."""
    found: dict[int, list[tuple[int, TrialNight]]] = defaultdict(list)
    for kind_id, trial_id, night in db.session.execute(
        select(Trial.class_id, Trial.id, TrialNight)
        .join(Trial, Trial.id == TrialNight.trial_id)
        .join(CoverKind, CoverKind.id == Trial.class_id)
        .where(Trial.status == "kept", Trial.is_sealed == CoverKind.is_sealed)
        .order_by(Trial.id, TrialNight.night_of)
    ):
        found[kind_id].append((trial_id, night))
    return dict(found)


def _learnt(kind: CoverKind, nights: list[tuple[int, TrialNight]]) -> Provenance:
    weights: dict[str, dict[int, float]] = {}
    learnt: dict[str, LearntLift] = {}
    priors = {
        "clear": Estimate(kind.clear_mean_k, kind.clear_sd_k),
        "cloudy": Estimate(kind.cloudy_mean_k, kind.cloudy_sd_k),
    }
    for name, prior in priors.items():
        by_trial: dict[int, list[tuple[int, NightLift]]] = defaultdict(list)
        for trial_id, night in nights:
            share = night.clear_share if name == "clear" else 1.0 - night.clear_share
            if share > 0.0:
                by_trial[trial_id].append((night.id, NightLift(night.lift_k, share)))
        rows = list(by_trial.values())
        learnt[name] = learn_lift(prior, [[lift for _, lift in row] for row in rows])
        weights[name] = {
            night_id: weight
            for row, of_trial in zip(rows, learnt[name].weights, strict=True)
            for (night_id, _), weight in zip(row, of_trial, strict=True)
        }
    return Provenance(
        clear=learnt["clear"],
        cloudy=learnt["cloudy"],
        trials=len({trial_id for trial_id, _ in nights}),
        nights=tuple(
            NightWeight(
                trial_id=trial_id,
                night_of=night.night_of,
                lift_k=night.lift_k,
                clear_weight=weights["clear"].get(night.id, 0.0),
                cloudy_weight=weights["cloudy"].get(night.id, 0.0),
            )
            for trial_id, night in nights
        ),
    )


def believed_gains() -> dict[int, LearntLift]:
    """What kinds with trials gain by day in full sun, learnt from the sunnier half of their days.

    Edges do not matter here as at night, but a trial that was left out or doubted does not count.
    """
    days: dict[int, dict[int, list[float]]] = defaultdict(lambda: defaultdict(list))
    published: dict[int, float | None] = {}
    for kind_id, gain_k, trial_id, full_k in db.session.execute(
        select(CoverKind.id, CoverKind.day_gain_k, Trial.id, TrialDay.full_sun_gain_k)
        .join(Trial, Trial.id == TrialDay.trial_id)
        .join(CoverKind, CoverKind.id == Trial.class_id)
        .where(Trial.status == "kept", Trial.is_sealed == CoverKind.is_sealed)
        .order_by(Trial.id, TrialDay.on_date)
    ):
        published[kind_id] = gain_k
        days[kind_id][trial_id].append(full_k)
    found = {}
    for kind_id, by_trial in days.items():
        prior = gain_in_full_sun(published[kind_id])
        sunny = [
            [NightLift(k) for k, is_sunny in zip(ks, sunnier_half(ks), strict=True) if is_sunny]
            for ks in by_trial.values()
        ]
        found[kind_id] = learn_lift(prior, sunny, night_scatter_k=DAY_SCATTER_K)
    return found


def kind_story(*, kind_id: int) -> KindStory:
    """The trials of a kind and what they taught, for its page."""
    kind = db.session.get(CoverKind, kind_id)
    believed = believed_lifts(kinds=[kind]) if kind is not None else {}
    gains = believed_gains() if believed else {}
    return KindStory(
        kind_id=kind_id,
        trials=tuple(list_trials(kind_id=kind_id)),
        lift=believed[kind_id][1] if kind_id in believed else None,
        gain=gains.get(kind_id),
    )


@dataclass(frozen=True)
class CoverChoice:
    """A cover that can be tried, and its kind."""

    id: int
    label: str
    kind: str


def covers_to_try() -> list[CoverChoice]:
    """Every cover by kind and label."""
    return [
        CoverChoice(cover_id, label, kind)
        for cover_id, label, kind in db.session.execute(
            select(Cover.id, Cover.label, CoverKind.name)
            .join(CoverKind, CoverKind.id == Cover.class_id)
            .order_by(CoverKind.name, Cover.label)
        )
    ]
