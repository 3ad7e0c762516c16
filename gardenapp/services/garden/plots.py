"""Plots: their size, how their nights differ, who holds them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime

from flask_sqlalchemy.session import Session
from sqlalchemy import func, select
from sqlalchemy.orm import scoped_session

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Member, PlotHolder
from gardenapp.models.plants import Planting
from gardenapp.models.plots import Plot
from gardenapp.reference import UsualOffset, load_offsets
from gardenapp.science.garden_map import PLOT
from gardenapp.services import change_log
from gardenapp.services.garden.map import rename_on_map
from gardenapp.services.permission import coordinator_only
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

OFFSET_STATUS = later("common practice, no source")

# The table is in English; its words are said when they are read.
USUAL_OFFSETS: tuple[UsualOffset, ...] = tuple(
    replace(offset, label=later(offset.label), hint=later(offset.hint)) for offset in load_offsets()
)
_OFFSETS_BY_KEY = {offset.key: offset for offset in USUAL_OFFSETS}


@dataclass(frozen=True)
class PlotLine:
    """One line of the list of plots. `holders` is empty where the reader may not know names."""

    id: int
    label: str
    length_cm: float | None
    width_cm: float | None
    offset_k: float
    offset_label: str
    distance_m: float
    plantings: int
    holders: tuple[str, ...]
    is_mine: bool


@dataclass(frozen=True)
class PlotList:
    """The plots, the reader's own apart."""

    own: tuple[PlotLine, ...]
    others: tuple[PlotLine, ...]


@dataclass(frozen=True)
class PlotDetail:
    """A plot as its page and its form show it."""

    id: int
    label: str
    length_cm: float | None
    width_cm: float | None
    bed_width_cm: float | None
    offset_choice: str
    offset_label: str
    offset_k: float
    offset_sd_k: float
    offset_reason: str
    distance_m: float
    note: str
    is_mixed: bool
    holders: tuple[str, ...]
    holder_ids: tuple[int, ...]
    is_mine: bool
    may_change: bool


@dataclass(frozen=True)
class Offset:
    """How a plot's nights differ, as chosen or as typed. `choice` is empty for a typed value."""

    choice: str
    offset_k: float
    offset_sd_k: float
    reason: str


def offset_from(
    *, choice: str, offset_k: float | None, offset_sd_k: float | None, reason: str
) -> Offset:
    """The offset that a form means: a usual one by its key, or the garden's own with a reason.

    Raises FieldRefused where the own value, its spread or its reason is missing.
    """
    usual = _OFFSETS_BY_KEY.get(choice)
    if usual is not None:
        return Offset(usual.key, usual.mean_k, usual.sd_k, reason)
    if offset_k is None:
        raise FieldRefused(
            "offset_k", _("Enter how much warmer or colder, or choose a usual spot.")
        )
    if offset_sd_k is None:
        raise FieldRefused("offset_sd_k", _("Enter how far off this may be."))
    if not reason:
        raise FieldRefused("offset_reason", _("Say where this figure comes from."))
    if not -15 <= offset_k <= 15:
        raise FieldRefused(
            "offset_k",
            _("That is more than any plot differs. Check the plus or minus and the unit."),
        )
    if not 0 < offset_sd_k <= 10:
        raise FieldRefused(
            "offset_sd_k", _("Enter a give or take above 0; half a degree is already very sure.")
        )
    return Offset("", offset_k, offset_sd_k, reason)


def offset_label(choice: str) -> str:
    """The name of a usual offset; `own value` for any other."""
    usual = _OFFSETS_BY_KEY.get(choice)
    return usual.label if usual else "own value"


def holds_plot(session: scoped_session[Session], *, plot_id: int, member: Member | None) -> bool:
    """Whether `member` is one of those who hold the plot."""
    if member is None:
        return False
    found = session.scalar(
        select(PlotHolder.id).where(
            PlotHolder.plot_id == plot_id, PlotHolder.member_id == member.id
        )
    )
    return found is not None


def may_change_plot(
    session: scoped_session[Session], *, plot_id: int, member: Member | None
) -> bool:
    """Whether `member` may change what grows there: its holders and coordinators may."""
    return member is not None and (
        member.is_coordinator or holds_plot(session, plot_id=plot_id, member=member)
    )


def list_plots(*, member: Member | None) -> PlotList:
    """All plots by label, the member's own first. Names only for those signed in."""
    session = db.session
    holders: dict[int, list[tuple[int, str]]] = {}
    for plot_id, member_id, name in session.execute(
        select(PlotHolder.plot_id, Member.id, Member.name)
        .join(Member, Member.id == PlotHolder.member_id)
        .order_by(Member.name, Member.id)
    ):
        holders.setdefault(plot_id, []).append((member_id, name))
    counts = {
        row.plot_id: row.number
        for row in session.execute(
            select(Planting.plot_id, func.count().label("number"))
            .where(Planting.ended_at.is_(None))
            .group_by(Planting.plot_id)
        )
    }
    lines = []
    for plot in session.scalars(select(Plot).order_by(Plot.label)):
        people = holders.get(plot.id, [])
        lines.append(
            PlotLine(
                id=plot.id,
                label=plot.label,
                length_cm=plot.length_cm,
                width_cm=plot.width_cm,
                offset_k=plot.offset_k,
                offset_label=offset_label(plot.offset_choice),
                distance_m=plot.distance_m,
                plantings=counts.get(plot.id, 0),
                holders=tuple(name for _, name in people) if member is not None else (),
                is_mine=member is not None and any(number == member.id for number, _ in people),
            )
        )
    return PlotList(
        own=tuple(line for line in lines if line.is_mine),
        others=tuple(line for line in lines if not line.is_mine),
    )


def get_plot(*, plot_id: int, member: Member | None) -> PlotDetail:
    """One plot, with names only for those signed in. Raises NotFound."""
    plot = _get(db.session, plot_id)
    people = db.session.execute(
        select(Member.id, Member.name)
        .join(PlotHolder, PlotHolder.member_id == Member.id)
        .where(PlotHolder.plot_id == plot_id)
        .order_by(Member.name, Member.id)
    ).all()
    is_mine = member is not None and any(number == member.id for number, _ in people)
    return PlotDetail(
        id=plot.id,
        label=plot.label,
        length_cm=plot.length_cm,
        width_cm=plot.width_cm,
        bed_width_cm=plot.bed_width_cm,
        offset_choice=plot.offset_choice,
        offset_label=offset_label(plot.offset_choice),
        offset_k=plot.offset_k,
        offset_sd_k=plot.offset_sd_k,
        offset_reason=plot.offset_reason,
        distance_m=plot.distance_m,
        note=plot.note,
        is_mixed=plot.is_mixed,
        holders=tuple(name for _, name in people) if member is not None else (),
        holder_ids=tuple(number for number, _ in people) if member is not None else (),
        is_mine=is_mine,
        may_change=is_mine or (member is not None and member.is_coordinator),
    )


def create_plot(
    *,
    label: str,
    length_cm: float | None,
    width_cm: float | None,
    bed_width_cm: float | None,
    distance_m: float,
    offset: Offset,
    note: str,
    is_mixed: bool = False,
    member: Member,
    now: datetime,
) -> int:
    """Add a plot and give its id. Raises NotAllowed, FieldRefused."""
    coordinator_only(member)
    _check_bed(length_cm, width_cm, bed_width_cm)
    with write_transaction() as session:
        _check_label(session, label, None)
        plot = Plot(label=label, length_cm=length_cm, width_cm=width_cm, distance_m=distance_m)
        _write_own_part(plot, bed_width_cm, offset, note, is_mixed)
        session.add(plot)
        session.flush()
        change_log.record(action="plot added", subject=f"plot {label}", at=now, member_id=member.id)
        return plot.id


def change_plot(
    *,
    plot_id: int,
    label: str,
    length_cm: float | None,
    width_cm: float | None,
    bed_width_cm: float | None,
    distance_m: float,
    offset: Offset,
    note: str,
    is_mixed: bool = False,
    member: Member,
    now: datetime,
) -> None:
    """Change everything about a plot. Raises NotFound, NotAllowed, FieldRefused."""
    coordinator_only(member)
    _check_bed(length_cm, width_cm, bed_width_cm)
    with write_transaction() as session:
        plot = _get(session, plot_id)
        _check_label(session, label, plot_id)
        rename_on_map(session, kind=PLOT, old=plot.label, new=label)
        plot.label, plot.distance_m = label, distance_m
        plot.length_cm, plot.width_cm = length_cm, width_cm
        _write_own_part(plot, bed_width_cm, offset, note, is_mixed)
        change_log.record(
            action="plot changed", subject=f"plot {label}", at=now, member_id=member.id
        )


def change_own_plot(
    *,
    plot_id: int,
    bed_width_cm: float | None,
    offset: Offset,
    note: str,
    is_mixed: bool = False,
    member: Member,
    now: datetime,
) -> None:
    """Change what a holder knows best: bed width, offset, note.

    The label, the size and the way to the store are the coordinator's, because other plots
    depend on them. Raises NotFound, NotAllowed, FieldRefused.
    """
    with write_transaction() as session:
        plot = _get(session, plot_id)
        if not may_change_plot(session, plot_id=plot_id, member=member):
            raise NotAllowed(_("Only those who hold this plot and coordinators can change it."))
        _check_bed(plot.length_cm, plot.width_cm, bed_width_cm)
        _write_own_part(plot, bed_width_cm, offset, note, is_mixed)
        change_log.record(
            action="plot changed", subject=f"plot {plot.label}", at=now, member_id=member.id
        )


def set_holders(
    *, plot_id: int, member_ids: Collection[int], member: Member, now: datetime
) -> None:
    """Say who holds a plot: exactly these members. Raises NotFound, NotAllowed, Refused."""
    coordinator_only(member)
    wanted = set(member_ids)
    with write_transaction() as session:
        plot = _get(session, plot_id)
        present = {holder.member_id: holder for holder in plot.holders}
        known = {
            row.id: row.name
            for row in session.scalars(select(Member).where(Member.id.in_(wanted)))
            if row.is_active or row.id in present
        }
        if wanted - set(known):
            raise Refused(_("One of these members has left the garden. Look at the list again."))
        for member_id, holder in present.items():
            if member_id not in wanted:
                plot.holders.remove(holder)
        for member_id in sorted(wanted - set(present)):
            plot.holders.append(PlotHolder(plot_id=plot_id, member_id=member_id))
        change_log.record(
            action="holders set",
            subject=f"plot {plot.label}",
            detail=", ".join(sorted(known.values())) or "nobody",
            at=now,
            member_id=member.id,
        )


def member_choices(*, also: Collection[int] = ()) -> tuple[tuple[int, str], ...]:
    """Members who may hold plots or own covers: the active ones and those in `also`."""
    rows = db.session.scalars(select(Member).order_by(Member.name, Member.id))
    return tuple((row.id, row.name) for row in rows if row.is_active or row.id in also)


def _get(session: scoped_session[Session], plot_id: int) -> Plot:
    plot = session.get(Plot, plot_id)
    if plot is None:
        raise NotFound(_("We can’t find that plot."))
    return plot


def _check_label(session: scoped_session[Session], label: str, plot_id: int | None) -> None:
    taken = session.scalar(select(Plot.id).where(Plot.label == label))
    if taken is not None and taken != plot_id:
        raise FieldRefused(
            "label", _("There is already a plot %(label)s; choose another label.", label=label)
        )


def _check_bed(length_cm: float | None, width_cm: float | None, bed_width_cm: float | None) -> None:
    sides = [side for side in (length_cm, width_cm) if side is not None]
    if bed_width_cm is not None and len(sides) == 2 and bed_width_cm > max(sides):
        raise FieldRefused("bed_width_cm", _("A bed cannot be wider than the plot."))


def _write_own_part(
    plot: Plot, bed_width_cm: float | None, offset: Offset, note: str, is_mixed: bool
) -> None:
    plot.bed_width_cm, plot.note, plot.is_mixed = bed_width_cm, note, is_mixed
    plot.offset_choice, plot.offset_reason = offset.choice, offset.reason
    plot.offset_k, plot.offset_sd_k = offset.offset_k, offset.offset_sd_k


def plots_of(member_id: int) -> list[int]:
    """The plots a member holds."""
    return list(
        db.session.scalars(
            select(PlotHolder.plot_id)
            .where(PlotHolder.member_id == member_id)
            .order_by(PlotHolder.plot_id)
        )
    )


def labels_of(plot_ids: Collection[int]) -> dict[int, str]:
    """What these plots are called, by id, in the order of their names."""
    rows = db.session.execute(
        select(Plot.id, Plot.label).where(Plot.id.in_(plot_ids)).order_by(Plot.label)
    )
    return {row.id: row.label for row in rows}
