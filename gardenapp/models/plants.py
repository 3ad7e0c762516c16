"""The plant catalogue and what grows where."""

from __future__ import annotations

from datetime import date

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, UniqueConstraint, true
from sqlalchemy.orm import Mapped, mapped_column, relationship

from gardenapp.extensions import Base
from gardenapp.models.plots import Plot
from gardenapp.models.types import Key, LineText, LongText, Moment, ShortText

# The middle one is told as "some"; the word in the database is older.
MINDS = ("little", "much", "dearly")
# What a mind is said of: each plant, or the bed that a row of small ones fills.
WORTH_PER = ("plant", "bed")
HARMS = ("looks", "harvest", "plant")
HARDENS = ("no", "leafy", "quick", "moved")
# How hardened somebody may say plants are, from soft to as in midwinter.
STATES = {"soft": 0.0, "half": 0.5, "hardened": 1.0}
POT_MATERIALS = ("", "plastic", "clay", "wood", "fabric")


class Crop(Base):
    """A crop of the catalogue."""

    __tablename__ = "crop"

    id: Mapped[Key]
    name: Mapped[ShortText] = mapped_column(unique=True)
    scientific_name: Mapped[LineText] = mapped_column(default="")
    group: Mapped[ShortText] = mapped_column("group_name", default="")
    is_ours: Mapped[bool] = mapped_column(default=False)
    added_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))

    stages: Mapped[list[CropStage]] = relationship(
        back_populates="crop", cascade="all, delete-orphan", order_by="CropStage.id"
    )


class CropStage(Base):
    """One part or stage of a crop with the cold it can bear, each value with its source.

    The four curve columns are published values, copied: a threshold of a `kind`, or a pair
    of temperatures that hurt a tenth and nine tenths.
    """

    __tablename__ = "crop_stage"
    __table_args__ = (UniqueConstraint("crop_id", "name"),)

    id: Mapped[Key]
    crop_id: Mapped[int] = mapped_column(ForeignKey("crop.id", ondelete="CASCADE"))
    name: Mapped[ShortText]
    kind: Mapped[str] = mapped_column(String(16))
    threshold_c: Mapped[float]
    t10_c: Mapped[float | None]
    t90_c: Mapped[float | None]
    spread_k: Mapped[float | None]
    source_id: Mapped[ShortText] = mapped_column(default="")
    source_text: Mapped[LongText] = mapped_column(default="")
    status: Mapped[str] = mapped_column(String(16), default="seen")
    refers_to: Mapped[str] = mapped_column(String(8), default="tissue")
    why: Mapped[LongText] = mapped_column(default="")
    # Added or changed by somebody of this garden: loading the published tables leaves it alone.
    is_ours: Mapped[bool] = mapped_column(default=False)
    added_by_id: Mapped[int | None] = mapped_column(ForeignKey("member.id", ondelete="SET NULL"))
    hardened_kind: Mapped[str | None] = mapped_column(String(16))
    hardened_threshold_c: Mapped[float | None]
    hardened_t10_c: Mapped[float | None]
    hardened_t90_c: Mapped[float | None]
    hardened_spread_k: Mapped[float | None]
    hardened_source_id: Mapped[ShortText] = mapped_column(default="")
    hardened_source_text: Mapped[LongText] = mapped_column(default="")
    hardened_status: Mapped[str] = mapped_column(String(16), default="")
    hardened_refers_to: Mapped[str] = mapped_column(String(8), default="")
    # What the first harm costs, and how its cold limit moves with the weather.
    harm: Mapped[str] = mapped_column(String(8), default="plant", server_default="plant")
    hardens: Mapped[str] = mapped_column(String(8), default="no", server_default="no")
    # Where about half of the plants die, where that is told apart from the first harm.
    death_c: Mapped[float | None]
    death_spread_k: Mapped[float | None]
    death_source_id: Mapped[ShortText] = mapped_column(default="", server_default="")
    death_source_text: Mapped[LongText] = mapped_column(default="", server_default="")
    death_status: Mapped[str] = mapped_column(String(16), default="", server_default="")
    death_refers_to: Mapped[str] = mapped_column(String(8), default="", server_default="")
    hardened_death_c: Mapped[float | None]
    hardened_death_spread_k: Mapped[float | None]
    hardened_death_source_id: Mapped[ShortText] = mapped_column(default="", server_default="")
    hardened_death_source_text: Mapped[LongText] = mapped_column(default="", server_default="")
    hardened_death_status: Mapped[str] = mapped_column(String(16), default="", server_default="")
    hardened_death_refers_to: Mapped[str] = mapped_column(String(8), default="", server_default="")
    chilling_c: Mapped[float | None]
    chilling_hours: Mapped[float | None]
    chilling_source_id: Mapped[ShortText] = mapped_column(default="")
    chilling_source_text: Mapped[LongText] = mapped_column(default="")
    chilling_status: Mapped[str] = mapped_column(String(16), default="")
    root_kill_c: Mapped[float | None]
    root_kill_source_id: Mapped[ShortText] = mapped_column(default="")
    root_kill_source_text: Mapped[LongText] = mapped_column(default="")
    root_kill_status: Mapped[str] = mapped_column(String(16), default="")
    heat_max_c: Mapped[float | None]
    heat_source_id: Mapped[ShortText] = mapped_column(default="")
    heat_status: Mapped[str] = mapped_column(String(16), default="")
    usual_height_cm: Mapped[float] = mapped_column(default=30.0)
    usual_spread_cm: Mapped[float] = mapped_column(default=30.0)

    crop: Mapped[Crop] = relationship(back_populates="stages")


class Planting(Base):
    """A group of one crop at one stage in one plot."""

    __tablename__ = "planting"
    __table_args__ = (
        CheckConstraint("plant_count > 0", name="count"),
        CheckConstraint("height_cm > 0", name="height"),
        CheckConstraint("spread_cm > 0", name="spread"),
        CheckConstraint("mind IN ('little', 'much', 'dearly')", name="mind"),
        CheckConstraint("worth_per IN ('plant', 'bed')", name="worth_per"),
        CheckConstraint("state_share BETWEEN 0 AND 1", name="state_share"),
        CheckConstraint(
            "(state_share IS NULL) = (state_on IS NULL)", name="state_is_said_of_a_day"
        ),
        CheckConstraint("pot_l > 0", name="pot_l"),
        CheckConstraint("pot_material IN ('', 'plastic', 'clay', 'wood', 'fabric')", name="pot"),
        Index("ix_planting_plot", "plot_id"),
    )

    id: Mapped[Key]
    plot_id: Mapped[int] = mapped_column(ForeignKey("plot.id", ondelete="CASCADE"))
    stage_id: Mapped[int] = mapped_column(ForeignKey("crop_stage.id", ondelete="RESTRICT"))
    name: Mapped[ShortText] = mapped_column(default="")
    # How hardened somebody said it was on a day, 0 soft to 1 as in midwinter; from then on the
    # weather moves it. Empty: the weather alone.
    state_share: Mapped[float | None]
    state_on: Mapped[date | None]
    # The day its stage was seen: from then on the warmth moves a fruit tree's blossom.
    stage_on: Mapped[date | None]
    count: Mapped[int] = mapped_column("plant_count")
    height_cm: Mapped[float]
    spread_cm: Mapped[float]
    in_pot: Mapped[bool] = mapped_column(default=False)
    is_movable: Mapped[bool] = mapped_column(default=False)
    # Of one pot; empty where nobody said. Raised: its base stands in the air.
    pot_l: Mapped[float | None]
    pot_material: Mapped[str] = mapped_column(String(8), default="", server_default="")
    pot_is_raised: Mapped[bool] = mapped_column(default=True, server_default=true())
    mind: Mapped[str] = mapped_column(String(8), default="much")
    worth_per: Mapped[str] = mapped_column(String(8), default="plant", server_default="plant")
    note: Mapped[LongText] = mapped_column(default="")
    ended_at: Mapped[Moment | None]
    # Made with the form: sending the same form twice finds the planting of the first time.
    form_key: Mapped[str | None] = mapped_column(String(64), default=None, unique=True)

    plot: Mapped[Plot] = relationship()
    stage: Mapped[CropStage] = relationship()
