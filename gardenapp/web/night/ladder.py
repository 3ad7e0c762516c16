"""The ladder: our picture of a night.

A scale of temperatures runs up the page and the forecast low lies across it, with its spread.
Each planting stands where a low would begin to hurt it bare; a cover lowers that by what it
adds. Whoever ends below the line is through the night, whoever stays above it is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gardenapp.science.estimate import Estimate
from gardenapp.science.night.plan_records import PlantingStory
from gardenapp.science.units import c_to_f
from gardenapp.words import _, decimal_sign, said

WIDTH = 320
TOP, BOTTOM = 18, 14
LABEL_X = 150
ROW = 22
MOST_ENTRIES = 9
NEAR_K = 8.0  # plantings farther than this below the line are not drawn: they are safe


@dataclass(frozen=True)
class Rung:
    """One mark of the scale."""

    y: float
    text: str
    is_zero: bool


@dataclass(frozen=True)
class Mark:
    """Plantings that stand alike: where bare, where under their cover, and the words for both."""

    x: float
    bare_y: float
    covered_y: float | None
    label_y: float
    label: str
    number: int
    is_through: bool
    words: str


@dataclass(frozen=True)
class Ladder:
    """Coordinates of the whole picture, in the SVG's own units."""

    height: float
    low_y: float
    band_top: float
    band_bottom: float
    low_text: str
    rungs: tuple[Rung, ...]
    marks: tuple[Mark, ...]
    left_out: int
    words: str


@dataclass
class _Group:
    name: str
    bare_c: float
    covered_c: float | None
    number: int = 1


def draw_ladder(low: Estimate, rows: Sequence[PlantingStory], *, unit: str) -> Ladder | None:
    """Place the night's plantings on the scale; None where nothing stands near the line.

    Temperatures are of the screen, so that one line serves every plot: a planting stands at
    the forecast low that would bring it to its threshold, its own plot and leaves reckoned in.
    """
    groups = _groups(low, rows)
    if not groups:
        return None
    shown, left_out = groups[:MOST_ENTRIES], len(groups) - len(groups[:MOST_ENTRIES])
    band = low.interval(0.8)
    values = [low.mean, *band]
    for group in shown:
        values += [group.bare_c] + ([group.covered_c] if group.covered_c is not None else [])
    warmest, coldest = math.ceil(max(values) + 0.5), math.floor(min(values) - 0.5)
    height = max(190.0, TOP + BOTTOM + ROW * len(shown))

    def y(celsius: float) -> float:
        share = (warmest - celsius) / (warmest - coldest)
        return round(TOP + share * (height - TOP - BOTTOM), 1)

    ends = [(g.covered_c if g.covered_c is not None else g.bare_c) for g in shown]
    order = sorted(range(len(shown)), key=lambda i: -ends[i])
    label_at = _spread_labels([y(ends[i]) for i in order], height)
    lane = (LABEL_X - 62) / max(1, len(shown))
    marks = []
    for place, i in enumerate(order):
        group = shown[i]
        is_through = ends[i] <= low.mean
        marks.append(
            Mark(
                # The warmest to the right, so that the lines to the labels do not cross.
                x=round(52 + lane * (len(shown) - place - 0.5), 1),
                bare_y=y(group.bare_c),
                covered_y=None if group.covered_c is None else y(group.covered_c),
                label_y=label_at[place],
                label=_short(group.name, group.number),
                number=group.number,
                is_through=is_through,
                words=_words(group, unit, is_through),
            )
        )
    step = _step(warmest - coldest)
    first = math.ceil(coldest / step) * step
    rungs = tuple(Rung(y(c), _degrees(c, unit), c == 0) for c in range(first, warmest + 1, step))
    through = sum(mark.is_through for mark in marks)
    return Ladder(
        height=height,
        low_y=y(low.mean),
        band_top=y(band[1]),
        band_bottom=y(band[0]),
        low_text=_degrees(low.mean, unit, digits=1),
        rungs=rungs,
        marks=tuple(marks),
        left_out=left_out,
        words=(
            _(
                "Scale of temperatures with tonight’s low of %(low)s across it: %(through)s "
                "of %(marks)s groups of plants end below the line.",
                low=_degrees(low.mean, unit, digits=1),
                through=through,
                marks=len(marks),
            )
        ),
    )


def _groups(low: Estimate, rows: Sequence[PlantingStory]) -> list[_Group]:
    found: dict[tuple[str, int, int | None], _Group] = {}
    for row in rows:
        if row.status == "safe" or row.margin_k > NEAR_K:
            continue
        bare_c = low.mean - row.margin_k
        covered_c = None
        if row.given and not row.left:
            # The least well covered part speaks for the planting.
            lift = min(gift.temp.mean for gift in row.given) - row.temp.mean
            covered_c = bare_c - lift
        name = said(row.name)
        key = (name, round(bare_c), None if covered_c is None else round(covered_c))
        if key in found:
            found[key].number += 1
        else:
            found[key] = _Group(name, bare_c, covered_c)
    return sorted(
        found.values(),
        key=lambda g: -(g.covered_c if g.covered_c is not None else g.bare_c),
    )


def _spread_labels(wanted: list[float], height: float) -> list[float]:
    """Label heights as near as can be to what is wanted, one row apart, inside the picture."""
    placed: list[float] = []
    for y in wanted:
        placed.append(max(y, placed[-1] + ROW if placed else float(TOP)))
    overflow = placed[-1] - (height - BOTTOM) if placed else 0.0
    if overflow > 0:
        limit = height - BOTTOM
        for i in range(len(placed) - 1, -1, -1):
            placed[i] = min(placed[i], limit)
            limit = placed[i] - ROW
    return [round(y, 1) for y in placed]


def _short(name: str, number: int) -> str:
    text = name if len(name) <= 18 else name[:17] + "…"
    return f"{text} ×{number}" if number > 1 else text


def _words(group: _Group, unit: str, is_through: bool) -> str:
    bare = _("bears a low of %(bare_c)s bare", bare_c=_degrees(group.bare_c, unit, digits=1))
    if group.covered_c is not None:
        bare += _(", %(covered_c)s covered", covered_c=_degrees(group.covered_c, unit, digits=1))
    return _(
        "%(name)s: %(bare)s; %(is_through)s the line",
        name=group.name,
        bare=bare,
        is_through=_("below") if is_through else _("above"),
    )


def _step(span: int) -> int:
    return 1 if span <= 8 else 2 if span <= 16 else 5


def _degrees(celsius: float, unit: str, *, digits: int = 0) -> str:
    value = c_to_f(celsius) if unit == "F" else celsius
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}").replace(".", decimal_sign()) + "°"
