"""What a plan says: plain frozen records, and how they are written to JSON and read back.

The planner makes them, the database keeps them, and pages, messages and machines read them as they
are. A plan is a snapshot that nothing changes, so plans of older forms stay in the database:
`format_of` says in which form one was kept, and each `from_json` reads that form too.

Temperatures are °C, differences and lifts K, shares 0 to 1, moments in UTC.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Self

from gardenapp.science.estimate import Estimate

PLAN_FORMAT = 3
"""How plans are kept now. 2: what plants bear did not move with the weather. 1: ways to cover were
English labels and reasons held English words; it was kept without a number."""

UNNAMED_SHELTER = "the shelter"
"""Where pots are carried to in a garden that did not say what its shelter is called."""

# Format 1 grew: its first plans were kept before lows were learnt from and covers were tried.
NOTHING_SAID = (0.0, 0.0)
# How the format before this one wrote a way to cover, and nothing else is written so.
_STACK_LABEL = re.compile(r"(?P<outer>.+) with (?P<inner>.+) under it")
_SHELTER_LABEL = re.compile(r"carry to (?P<place>.+)")


def format_of(header: Mapping[str, Any]) -> int:
    """In which format a plan with this header was kept."""
    return int(header.get("format", 1))


def rounded(estimate: Estimate) -> Estimate:
    """An estimate with the digits that are kept."""
    return Estimate(round(estimate.mean, 4), round(estimate.sd, 4))


@dataclass(frozen=True, slots=True)
class TreatmentName:
    """One way to look after plants, by the names of what it is made of.

    `covers`: kinds of cover from the outermost in; none where pots are carried to `place`.
    """

    covers: tuple[str, ...] = ()
    place: str = ""

    @property
    def label(self) -> str:
        """In English, for machines, the log and the shell; pages say it the reader's way."""
        if not self.covers:
            return f"carry to {self.place}"
        label = self.covers[0]
        for under in self.covers[1:]:
            label = f"{label} with {under} under it"
        return label

    def to_json(self) -> dict[str, Any]:
        return {"covers": list(self.covers)} if self.covers else {"place": self.place}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(tuple(data.get("covers", ())), data.get("place", ""))

    @classmethod
    def from_label(cls, label: str) -> TreatmentName:
        """The reading of format 1, which kept the label alone."""
        return _name_from_label(label)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why plants are left bare, as a code and its values, and the cover that would change it. [cm]

    The codes are those of `allocation.reasons`.
    """

    code: str
    values: Mapping[str, float | str]
    needs_height_cm: float | None = None
    needs_spread_cm: float | None = None
    units_wanted: int = 0

    def to_json(self) -> dict[str, Any]:
        return {
            "code": self.code,
            "params": dict(self.values),
            "needs_height_cm": self.needs_height_cm,
            "needs_spread_cm": self.needs_spread_cm,
            "units_wanted": self.units_wanted,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(
            code=data["code"],
            values=MappingProxyType(dict(data.get("params", {}))),
            needs_height_cm=data.get("needs_height_cm"),
            needs_spread_cm=data.get("needs_spread_cm"),
            units_wanted=int(data.get("units_wanted") or 0),
        )


@dataclass(frozen=True, slots=True)
class Gift:
    """What a plan gives some plants of a planting.

    `job_id` is the job's number in the database; before the plan is kept, its place in the plan.
    """

    job_id: int
    treatment: str
    name: TreatmentName
    plants: int
    temp: Estimate
    lift: Estimate
    share: float

    def to_json(self) -> dict[str, Any]:
        return {
            "treatment": self.treatment,
            "name": self.name.to_json(),
            "plants": self.plants,
            "temp": _pair(self.temp),
            "lift": _pair(self.lift),
            "share": self.share,
            "job_id": self.job_id,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], version: int) -> Self:
        return cls(
            job_id=data["job_id"],
            treatment=data["treatment"],
            name=_name(data, version),
            plants=data["plants"],
            temp=Estimate(*data["temp"]),
            lift=Estimate(*data["lift"]),
            share=data["share"],
        )


@dataclass(frozen=True, slots=True)
class Option:
    """What one way to cover would do for a planting, whether it is free or not."""

    treatment: str
    name: TreatmentName
    temp: Estimate
    share: float

    def to_json(self) -> dict[str, Any]:
        return {
            "treatment": self.treatment,
            "name": self.name.to_json(),
            "temp": _pair(self.temp),
            "share": self.share,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], version: int) -> Self:
        return cls(
            treatment=data["treatment"],
            name=_name(data, version),
            temp=Estimate(*data["temp"]),
            share=data["share"],
        )


@dataclass(frozen=True, slots=True)
class StoryParts:
    """What a bare plant's temperature is the sum of."""

    low: Estimate
    offset: Estimate
    air: Estimate
    leaf: Estimate

    def to_json(self) -> dict[str, Any]:
        return {
            "low": _pair(self.low),
            "offset": _pair(self.offset),
            "air": _pair(self.air),
            "leaf": _pair(self.leaf),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(
            low=Estimate(*data["low"]),
            offset=Estimate(*data["offset"]),
            air=Estimate(*data["air"]),
            leaf=Estimate(*data["leaf"]),
        )


@dataclass(frozen=True, slots=True)
class HardnessStory:
    """How hardened a planting was this evening and what the last days did to it.

    share : from soft (0) to as in midwinter (1). moved_k : how much warmer first harm begins than
    `over_days` days before. by_weather_c : what it would bear by the weather alone, where somebody
    said otherwise. is_uncertain : the weather of the last weeks is not whole. [°C, K]
    """

    share: float
    moved_k: float
    over_days: int
    by_weather_c: float | None = None
    is_uncertain: bool = False

    def to_json(self) -> dict[str, Any]:
        return {
            "share": self.share,
            "moved_k": self.moved_k,
            "over_days": self.over_days,
            "by_weather_c": self.by_weather_c,
            "is_uncertain": self.is_uncertain,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(**data)


@dataclass(frozen=True, slots=True)
class PlantingStory:
    """What a plan says of one planting.

    status : safe, watch, protect or short; the board adds protected, where all of it is on.
    is_hardened, uses_hardened : whether it is nearer to hardened than to soft; once, a tick.
    margin_k : bare plant less threshold, where first harm begins. state : None where the weather
    moves nothing. learnt_k : how much warmer the crop is harmed here than published. harm : what
    first harm costs, looks, harvest or plant. `share` : expected loss of worth bare; `frost`,
    `death` : of plants harmed and killed by frost; `chilling`, `root` : by those; `after` : with
    what it is given. `left` : plants without a cover.
    offset_clear : the plot's offset on a clear calm night, as believed; `parts` has tonight's.
    """

    planting_id: int
    plot_id: int
    status: str
    margin_k: float
    name: str
    crop: str
    crop_id: int
    stage: str
    count: int
    is_hardened: bool
    uses_hardened: bool
    in_pot: bool
    mind: str
    height_cm: float
    spread_cm: float
    plot: str
    worth_per: str
    threshold_c: float
    kind: str
    state: HardnessStory | None
    learnt_k: float
    harm: str
    curve_t50_c: float
    curve_sd_k: float
    source_id: str
    source_text: str
    source_status: str
    parts: StoryParts
    offset_reason: str
    offset_declared: Estimate
    offset_nights: int
    offset_clear: Estimate
    temp: Estimate
    share: float
    frost: float
    death: float | None
    chilling: float | None
    chilling_c: float | None
    root: float | None
    root_kill_c: float | None
    hours_below: float
    crosses_at: datetime | None
    crosses_early_at: datetime | None
    back_at: datetime | None
    given: tuple[Gift, ...]
    left: int
    after: float
    options: tuple[Option, ...]
    reason: Reason | None = None

    @property
    def said_low(self) -> Estimate:
        """The low that was said of its plot."""
        return self.parts.low.plus(self.parts.offset)

    @property
    def lost(self) -> int:
        """How many of its plants are spoken of where it cannot be saved: those left, or all."""
        return self.left or self.count

    def gift_of(self, job_id: int) -> Gift | None:
        """What one job gives it."""
        return next((gift for gift in self.given if gift.job_id == job_id), None)

    def with_job_ids(self, job_ids: Sequence[int]) -> Self:
        """The same with the jobs' numbers in the database in place of their places in the plan."""
        given = tuple(replace(gift, job_id=job_ids[gift.job_id]) for gift in self.given)
        return replace(self, given=given)

    def to_json(self) -> dict[str, Any]:
        """All of it but what the plan's row keeps in columns of its own (the first four)."""
        data: dict[str, Any] = {
            "name": self.name,
            "crop": self.crop,
            "crop_id": self.crop_id,
            "stage": self.stage,
            "count": self.count,
            "is_hardened": self.is_hardened,
            "uses_hardened": self.uses_hardened,
            "in_pot": self.in_pot,
            "mind": self.mind,
            "height_cm": self.height_cm,
            "spread_cm": self.spread_cm,
            "plot": self.plot,
            "worth_per": self.worth_per,
            "threshold_c": self.threshold_c,
            "kind": self.kind,
            "state": None if self.state is None else self.state.to_json(),
            "learnt_k": self.learnt_k,
            "harm": self.harm,
            "curve": [self.curve_t50_c, self.curve_sd_k],
            "source_id": self.source_id,
            "source_text": self.source_text,
            "source_status": self.source_status,
            "parts": self.parts.to_json(),
            "offset_reason": self.offset_reason,
            "offset_declared": _pair(self.offset_declared),
            "offset_nights": self.offset_nights,
            "offset_clear": _pair(self.offset_clear),
            "temp": _pair(self.temp),
            "share": self.share,
            "frost": self.frost,
            "death": self.death,
            "chilling": self.chilling,
            "chilling_c": self.chilling_c,
            "root": self.root,
            "root_kill_c": self.root_kill_c,
            "hours_below": self.hours_below,
            "crosses_at": _iso(self.crosses_at),
            "crosses_early_at": _iso(self.crosses_early_at),
            "back_at": _iso(self.back_at),
            "given": [gift.to_json() for gift in self.given],
            "left": self.left,
            "after": self.after,
            "options": [option.to_json() for option in self.options],
        }
        if self.reason is not None:
            data["reason"] = self.reason.to_json()
        return data

    @classmethod
    def from_json(
        cls,
        data: Mapping[str, Any],
        version: int,
        *,
        planting_id: int,
        plot_id: int,
        status: str,
        margin_k: float,
    ) -> Self:
        t50_c, sd_k = data["curve"]
        reason = data.get("reason")
        return cls(
            planting_id=planting_id,
            plot_id=plot_id,
            status=status,
            margin_k=margin_k,
            name=data["name"],
            crop=data["crop"],
            crop_id=data["crop_id"],
            stage=data["stage"],
            count=data["count"],
            is_hardened=data["is_hardened"],
            uses_hardened=data["uses_hardened"],
            in_pot=data["in_pot"],
            mind=data["mind"],
            height_cm=data["height_cm"],
            spread_cm=data["spread_cm"],
            plot=data["plot"],
            worth_per=data["worth_per"] if version >= 3 else "plant",
            threshold_c=data["threshold_c"],
            kind=data["kind"],
            state=(
                HardnessStory.from_json(data["state"])
                if version >= 3 and data["state"] is not None
                else None
            ),
            learnt_k=data["learnt_k"] if version >= 3 else 0.0,
            harm=data["harm"] if version >= 3 else "plant",
            curve_t50_c=t50_c,
            curve_sd_k=sd_k,
            source_id=data["source_id"],
            source_text=data["source_text"],
            source_status=data["source_status"],
            parts=StoryParts.from_json(data["parts"]),
            offset_reason=data["offset_reason"],
            offset_declared=Estimate(*data.get("offset_declared", NOTHING_SAID)),
            offset_nights=data.get("offset_nights", 0),
            offset_clear=Estimate(*data.get("offset_clear", NOTHING_SAID)),
            temp=Estimate(*data["temp"]),
            share=data["share"],
            frost=data["frost"],
            death=data["death"] if version >= 3 else None,
            chilling=data["chilling"],
            chilling_c=data["chilling_c"],
            root=data["root"],
            root_kill_c=data["root_kill_c"],
            hours_below=data["hours_below"],
            crosses_at=_moment(data["crosses_at"]),
            crosses_early_at=_moment(data.get("crosses_early_at")),
            back_at=_moment(data["back_at"]),
            given=tuple(Gift.from_json(item, version) for item in data["given"]),
            left=data["left"],
            after=data["after"],
            options=tuple(Option.from_json(item, version) for item in data["options"]),
            reason=Reason.from_json(reason) if reason else None,
        )


@dataclass(frozen=True, slots=True)
class LiftLearnt:
    """A kind's lift on one sort of night before its trials here and after them. [K]"""

    prior: Estimate
    result: Estimate
    nights: int

    def to_json(self) -> dict[str, Any]:
        return {
            "prior": _pair(self.prior),
            "result": _pair(self.result),
            "nights": self.nights,
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(Estimate(*data["prior"]), Estimate(*data["result"]), data["nights"])


@dataclass(frozen=True, slots=True)
class LiftStory:
    """What the trials of a kind in use taught."""

    kind_id: int
    kind: str
    trials: int
    nights: int
    clear: LiftLearnt
    cloudy: LiftLearnt

    def to_json(self) -> dict[str, Any]:
        return {
            "kind_id": self.kind_id,
            "kind": self.kind,
            "trials": self.trials,
            "nights": self.nights,
            "clear": self.clear.to_json(),
            "cloudy": self.cloudy.to_json(),
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(
            kind_id=data["kind_id"],
            kind=data["kind"],
            trials=data["trials"],
            nights=data["nights"],
            clear=LiftLearnt.from_json(data["clear"]),
            cloudy=LiftLearnt.from_json(data["cloudy"]),
        )


@dataclass(frozen=True, slots=True)
class SolveStage:
    """What one step of the solve took. [s]"""

    name: str
    seconds: float

    def to_json(self) -> dict[str, Any]:
        return {"name": self.name, "seconds": self.seconds}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        return cls(data["name"], data["seconds"])


@dataclass(frozen=True, slots=True)
class PlanHeader:
    """What a plan says of its night as a whole.

    `low` is what is believed of the screen's low, `forecast_low_c` what the forecast said.
    `share` : how much of a clear calm night it is, 0 to 1. `counts` : plantings by status.
    `lifts` : by treatment in use, what trials here taught. `lift_statuses` : how well the lifts
    of its untried kinds are known; empty in plans from before that was kept.
    `names` : the ways in use, by treatment.
    `curve` : the screen's temperature through the night.
    """

    low: Estimate
    low_at: datetime | None
    forecast_low_c: float
    record_nights: int
    record_bias: Estimate
    share: Estimate
    frost: str
    coldest_plant_c: float
    cloud_fraction: float | None
    wind_mps: float | None
    gust_mps: float | None
    dew_point_c: float | None
    sunset_at: datetime | None
    sunrise_at: datetime | None
    is_polar: bool
    put_on_by: datetime | None
    lift_off_by: datetime | None
    counts: Mapping[str, int]
    minutes: float
    lifts: Mapping[str, tuple[LiftStory, ...]]
    lift_statuses: Mapping[str, tuple[str, ...]]
    curve: tuple[tuple[datetime, float], ...]
    stages: tuple[SolveStage, ...]
    names: Mapping[str, TreatmentName]

    def lift_stories(self, treatment: str) -> tuple[LiftStory, ...]:
        """What trials here taught of the kinds in a treatment; empty where none was tried."""
        return self.lifts.get(treatment, ())

    def name_of(self, treatment: str, label: str) -> TreatmentName:
        """The name of a job's treatment; `label` is what its row says, for plans of format 1."""
        return self.names.get(treatment) or TreatmentName.from_label(label)

    def to_json(self) -> dict[str, Any]:
        return {
            "format": PLAN_FORMAT,
            "low": _pair(self.low),
            "low_at": _iso(self.low_at),
            "forecast_low_c": self.forecast_low_c,
            "record_nights": self.record_nights,
            "record_bias": _pair(self.record_bias),
            "share": _pair(self.share),
            "frost": self.frost,
            "coldest_plant_c": self.coldest_plant_c,
            "cloud_fraction": self.cloud_fraction,
            "wind_mps": self.wind_mps,
            "gust_mps": self.gust_mps,
            "dew_point_c": self.dew_point_c,
            "sunset_at": _iso(self.sunset_at),
            "sunrise_at": _iso(self.sunrise_at),
            "is_polar": self.is_polar,
            "put_on_by": _iso(self.put_on_by),
            "lift_off_by": _iso(self.lift_off_by),
            "counts": dict(self.counts),
            "minutes": self.minutes,
            "lifts": {key: [s.to_json() for s in found] for key, found in self.lifts.items()},
            "lift_statuses": {key: list(found) for key, found in self.lift_statuses.items()},
            "curve": [[_iso(at), temp_c] for at, temp_c in self.curve],
            "stages": [stage.to_json() for stage in self.stages],
            "names": {key: name.to_json() for key, name in self.names.items()},
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any], version: int) -> Self:
        names = data["names"] if version >= 2 else {}
        return cls(
            low=Estimate(*data["low"]),
            low_at=_moment(data["low_at"]),
            forecast_low_c=data["forecast_low_c"],
            record_nights=data.get("record_nights", 0),
            record_bias=Estimate(*data.get("record_bias", NOTHING_SAID)),
            share=Estimate(*data["share"]),
            frost=data["frost"],
            coldest_plant_c=data["coldest_plant_c"],
            cloud_fraction=data["cloud_fraction"],
            wind_mps=data["wind_mps"],
            gust_mps=data["gust_mps"],
            dew_point_c=data["dew_point_c"],
            sunset_at=_moment(data["sunset_at"]),
            sunrise_at=_moment(data["sunrise_at"]),
            is_polar=data["is_polar"],
            put_on_by=_moment(data["put_on_by"]),
            lift_off_by=_moment(data["lift_off_by"]),
            counts=MappingProxyType(dict(data["counts"])),
            minutes=data["minutes"],
            lift_statuses=MappingProxyType(
                {key: tuple(found) for key, found in (data.get("lift_statuses") or {}).items()}
            ),
            lifts=MappingProxyType(
                {
                    key: tuple(LiftStory.from_json(item) for item in found)
                    for key, found in (data.get("lifts") or {}).items()
                }
            ),
            curve=tuple((datetime.fromisoformat(at), temp_c) for at, temp_c in data["curve"]),
            stages=tuple(SolveStage.from_json(item) for item in data["stages"]),
            names=MappingProxyType(
                {key: TreatmentName.from_json(item) for key, item in names.items()}
            ),
        )


@lru_cache(maxsize=512)  # a plan says the same few hundreds of times
def _name_from_label(label: str) -> TreatmentName:
    if found := _SHELTER_LABEL.fullmatch(label):
        return TreatmentName(place=found["place"])
    if found := _STACK_LABEL.fullmatch(label):
        return TreatmentName((found["outer"], found["inner"]))
    return TreatmentName((label,))


def _name(data: Mapping[str, Any], version: int) -> TreatmentName:
    if version >= 2:
        return TreatmentName.from_json(data["name"])
    return TreatmentName.from_label(data["label"])


def _pair(estimate: Estimate) -> list[float]:
    return [estimate.mean, estimate.sd]


def _iso(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
