"""The garden's own days: what each was like, and who says so."""

from __future__ import annotations

from datetime import date

from sqlalchemy import CheckConstraint, String
from sqlalchemy.orm import Mapped, mapped_column

from gardenapp.extensions import Base

# From the best to the poorest; a day is written anew only by a better one, or by its own again.
WEATHER_SOURCES = ("readings", "record", "forecast", "low")


class DailyWeather(Base):
    """One calendar day at the garden's screen. [°C]

    source : the garden's own thermometers; an imported record; a forecast's hours; or a forecast's
    low alone, whose mean is only guessed. A day that nobody knows has no row.
    """

    __tablename__ = "daily_weather"
    __table_args__ = (
        CheckConstraint("source IN ('readings', 'record', 'forecast', 'low')", name="source"),
        CheckConstraint("min_c BETWEEN -100 AND 100", name="min"),
        CheckConstraint("mean_c BETWEEN -100 AND 100", name="mean"),
        CheckConstraint("max_c BETWEEN -100 AND 100", name="max"),
    )

    on_date: Mapped[date] = mapped_column(primary_key=True)
    source: Mapped[str] = mapped_column(String(8))
    min_c: Mapped[float]
    mean_c: Mapped[float]
    max_c: Mapped[float | None]
