"""Plans for a night, the jobs in them, who took which, and what stands where."""

from __future__ import annotations

from datetime import date
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    ForeignKey,
    Index,
    String,
    UniqueConstraint,
    false,
    text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.covers import Cover
from gardenapp.models.forecasts import Forecast
from gardenapp.models.people import Member
from gardenapp.models.plants import Planting
from gardenapp.models.types import READ_AT, Key, LineText, Moment, ShortText


class Plan(Base):
    """A snapshot: the inputs of one evening and what was best with them."""

    __tablename__ = "plan"
    __table_args__ = (
        Index(
            "uq_plan_current_night",
            "night_of",
            unique=True,
            sqlite_where=text("is_current"),
            postgresql_where=text("is_current"),
        ),
    )

    id: Mapped[Key]
    night_of: Mapped[date] = mapped_column(index=True)
    forecast_id: Mapped[int] = mapped_column(ForeignKey("forecast.id", ondelete="RESTRICT"))
    made_at: Mapped[Moment]
    made_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    is_current: Mapped[bool] = mapped_column(default=True)
    method: Mapped[str] = mapped_column(String(20))
    objective: Mapped[float]
    bound: Mapped[float]
    gap: Mapped[float]
    header: Mapped[dict[str, Any]] = mapped_column(JSON)
    # A better one is being looked for: waiting, running, or empty. Whoever runs it is heard of.
    improving: Mapped[str] = mapped_column(String(8), default="", server_default="")
    improver: Mapped[str] = mapped_column(String(40), default="", server_default="")
    heard_at: Mapped[Moment | None] = mapped_column(default=None)

    forecast: Mapped[Forecast] = relationship()
    rows: Mapped[list[PlanRow]] = relationship(cascade="all, delete-orphan", order_by="PlanRow.id")
    jobs: Mapped[list[Job]] = relationship(cascade="all, delete-orphan", order_by="Job.id")


class PlanRow(Base):
    """What a plan says of one planting."""

    __tablename__ = "plan_row"
    __table_args__ = (UniqueConstraint("plan_id", "planting_id"),)

    id: Mapped[Key]
    plan_id: Mapped[int] = mapped_column(ForeignKey("plan.id", ondelete="CASCADE"))
    planting_id: Mapped[int] = mapped_column(ForeignKey("planting.id", ondelete="CASCADE"))
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    status: Mapped[str] = mapped_column(String(16))  # safe, protect, short
    margin_k: Mapped[float]
    data: Mapped[dict[str, Any]] = mapped_column(JSON)


class PlanShare(Base):
    """What a plan spares one plot, and what the best cover for each of its plantings would spare.

    In the garden's unit, what stands already included.
    """

    __tablename__ = "plan_share"
    __table_args__ = (UniqueConstraint("plan_id", "plot_id"),)

    id: Mapped[Key]
    plan_id: Mapped[int] = mapped_column(ForeignKey("plan.id", ondelete="CASCADE"))
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    avoided: Mapped[float]
    avoidable: Mapped[float]


class Job(Base):
    """One thing to do in one plot: covers of one kind, or pots to carry in."""

    __tablename__ = "job"
    __table_args__ = (Index("ix_job_plan", "plan_id"),)

    id: Mapped[Key]
    plan_id: Mapped[int] = mapped_column(ForeignKey("plan.id", ondelete="CASCADE"))
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    treatment: Mapped[LineText]
    label: Mapped[LineText]
    minutes: Mapped[float]
    by_at: Mapped[Moment | None]
    lift_by_at: Mapped[Moment | None]
    safe_from_at: Mapped[Moment | None]
    must_come_off: Mapped[bool] = mapped_column(default=False)
    # Of the heaviest unit; and whether there may be ice underfoot by then.
    mass_kg: Mapped[float | None] = mapped_column(default=None)
    is_icy: Mapped[bool] = mapped_column(default=False, server_default=false())

    parts: Mapped[list[JobPart]] = relationship(cascade="all, delete-orphan", order_by="JobPart.id")


class JobPart(Base):
    """One unit of a job: these covers over these plants. Pots to carry have no cover."""

    __tablename__ = "job_part"

    id: Mapped[Key]
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"), index=True)
    cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="CASCADE"))
    inner_cover_id: Mapped[int | None] = mapped_column(ForeignKey("cover.id", ondelete="CASCADE"))
    # planting id (as text, for JSON) to number of plants
    plants: Mapped[dict[str, int]] = mapped_column(JSON)


class Claim(Base):
    """Somebody said they will do a job. The index lets only one claim stand open."""

    __tablename__ = "claim"
    __table_args__ = (
        Index(
            "uq_claim_open_job",
            "job_id",
            unique=True,
            sqlite_where=text("released_at IS NULL"),
            postgresql_where=text("released_at IS NULL"),
        ),
    )

    id: Mapped[Key]
    job_id: Mapped[int] = mapped_column(ForeignKey("job.id", ondelete="CASCADE"))
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"))
    claimed_at: Mapped[Moment]
    released_at: Mapped[Moment | None]
    # Whoever helps, where it takes two.
    with_member_id: Mapped[int | None] = mapped_column(
        ForeignKey("member.id", ondelete="SET NULL"), default=None
    )

    member: Mapped[Member] = relationship(foreign_keys=[member_id])
    with_member: Mapped[Member | None] = relationship(foreign_keys=[with_member_id])


class Deployment(Base):
    """One unit (a cover, a stack, or pots in the shelter) that stands until taken off."""

    __tablename__ = "deployment"
    __table_args__ = (Index("ix_deployment_open", "plot_id", "taken_off_at"),)

    id: Mapped[Key]
    night_of: Mapped[date]
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    job_id: Mapped[int | None] = mapped_column(ForeignKey("job.id", ondelete="SET NULL"))
    treatment: Mapped[LineText]
    put_on_at: Mapped[Moment]
    put_on_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    taken_off_at: Mapped[Moment | None]
    taken_off_by_id: Mapped[int | None] = mapped_column(
        ForeignKey("member.id", ondelete="SET NULL")
    )
    # Pressed by mistake and taken back: it never stood there.
    was_undone: Mapped[bool] = mapped_column(default=False)

    covers: Mapped[list[CoverUse]] = relationship(cascade="all, delete-orphan")
    plants: Mapped[list[DeployedPlants]] = relationship(cascade="all, delete-orphan")
    put_on_by: Mapped[Member | None] = relationship(foreign_keys=[put_on_by_id])


class CoverUse(Base):
    """One cover in one deployment. The index keeps a cover from standing in two places."""

    __tablename__ = "cover_use"
    __table_args__ = (
        Index(
            "uq_cover_use_open_cover",
            "cover_id",
            unique=True,
            sqlite_where=text("is_open"),
            postgresql_where=text("is_open"),
        ),
    )

    id: Mapped[Key]
    deployment_id: Mapped[int] = mapped_column(
        ForeignKey("deployment.id", ondelete="CASCADE"), index=True
    )
    cover_id: Mapped[int] = mapped_column(ForeignKey("cover.id", ondelete="CASCADE"))
    is_inner: Mapped[bool] = mapped_column(default=False)
    is_open: Mapped[bool] = mapped_column(default=True)

    cover: Mapped[Cover] = relationship()


class DeployedPlants(Base):
    """How many plants of a planting stand under a deployment."""

    __tablename__ = "deployed_plants"
    __table_args__ = (UniqueConstraint("deployment_id", "planting_id"),)

    id: Mapped[Key]
    deployment_id: Mapped[int] = mapped_column(ForeignKey("deployment.id", ondelete="CASCADE"))
    planting_id: Mapped[int] = mapped_column(ForeignKey("planting.id", ondelete="CASCADE"))
    plants: Mapped[int]

    planting: Mapped[Planting] = relationship()


class ObservedLow(Base):
    """A low that somebody read at a plot, or at the screen where plot is empty."""

    __tablename__ = "observed_low"
    __table_args__ = (
        UniqueConstraint("night_of", "plot_id"),
        CheckConstraint(READ_AT, name="place"),
    )

    id: Mapped[Key]
    night_of: Mapped[date]
    plot_id: Mapped[int | None] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    low_c: Mapped[float]
    # Height, shade and spot in one word; empty where nobody said.
    place: Mapped[str] = mapped_column(String(12), default="", server_default="")
    source: Mapped[ShortText] = mapped_column(default="read")
    entered_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    entered_at: Mapped[Moment]


class SentFact(Base):
    """A mark that a phone sent, by the phone's own key: sent twice, it counts once."""

    __tablename__ = "sent_fact"

    id: Mapped[Key]
    key: Mapped[str] = mapped_column(String(64), unique=True)
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"))
    action: Mapped[ShortText]
    at: Mapped[Moment]


class BoardLook(Base):
    """That a member's phone showed the board of a night."""

    __tablename__ = "board_look"
    __table_args__ = (UniqueConstraint("night_of", "member_id"),)

    id: Mapped[Key]
    night_of: Mapped[date]
    member_id: Mapped[int] = mapped_column(ForeignKey("member.id", ondelete="CASCADE"))
    at: Mapped[Moment]
