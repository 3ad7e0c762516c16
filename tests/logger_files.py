"""Loggers' files of an invented cover in the ways that loggers write them."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from io import BytesIO
from typing import Any
from zoneinfo import ZoneInfo

LONDON = ZoneInfo("Europe/London")


def outside_c(at: datetime) -> float:
    """A clear spell: coldest near half past six, warmest in the afternoon."""
    hour = at.astimezone(UTC).hour + at.minute / 60
    return 4.0 - 7.0 * math.cos((hour - 14.5 + 12) / 24 * 2 * math.pi)


def inside_c(at: datetime, *, lift_k: float, gain_k: float) -> float:
    """Warmer by `lift_k` at night and up to `gain_k` more by day."""
    hour = at.astimezone(UTC).hour + at.minute / 60
    sun = max(0.0, math.sin((hour - 8) / 8 * math.pi)) if 8 <= hour <= 16 else 0.0
    return outside_c(at) + lift_k + (gain_k - lift_k) * sun


def trial_files(
    *,
    begin: datetime = datetime(2026, 11, 20, 12, tzinfo=UTC),
    days: float = 4,
    step_min: float = 10,
    lift_k: float = 4.5,
    gain_k: float = 9.0,
) -> tuple[bytes, bytes]:
    """One file as a British logger writes it, one as a continental spreadsheet saves it."""
    count = int(days * 24 * 60 / step_min)
    moments = [begin + timedelta(minutes=step_min * n) for n in range(count + 1)]
    inside = ["Date Time,Temperature (°C),RH (%)"]
    inside += [
        f"{at.astimezone(LONDON):%Y-%m-%d %H:%M:%S},"
        f"{inside_c(at, lift_k=lift_k, gain_k=gain_k):.2f},92.0"
        for at in moments
    ]
    outside = ["Zeit;Temperatur °C;Luftfeuchte %"]
    outside += [
        f"{at.astimezone(LONDON):%d.%m.%Y %H:%M};{outside_c(at):.2f};80,5" for at in moments
    ]
    text = "\r\n".join(outside)
    comma = "\r\n".join(
        line if n == 0 else ";".join(_with_comma(line.split(";")))
        for n, line in enumerate(text.split("\r\n"))
    )
    return "\n".join(inside).encode(), b"\xef\xbb\xbf" + comma.encode()


def _with_comma(cells: list[str]) -> list[str]:
    return [cells[0], *(cell.replace(".", ",") for cell in cells[1:])]


def sent(inside: bytes, outside: bytes, *, kind_id: int, **more: Any) -> dict[str, Any]:
    """A form with two files, as a browser sends it."""
    return {
        "kind_id": str(kind_id),
        "cover_id": "",
        "sky": "clear",
        "is_sealed": "y",
        "place": "by the south wall",
        "inside": (BytesIO(inside), "tote in.csv"),
        "outside": (BytesIO(outside), "open air.csv"),
        **more,
    }
