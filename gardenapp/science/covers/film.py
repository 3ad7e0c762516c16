"""Film: what it weighs, and how sheets are cut from a roll with few joins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from gardenapp.errors import OutOfRange
from gardenapp.messages import Length, say

POLYETHYLENE_KGM3 = 920.0
"""Low-density polyethylene, within the 914 to 940 of published tables."""
UM_PER_MIL = 25.4  # exact
GM2_PER_OZ_YD2 = 28.349523125 / 0.83612736  # exact pound and yard
MOST_SHEETS = 500
_LONGEST_MM = 100_000.0


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0.0):
        raise OutOfRange(say("%(name)s must be above 0, not %(value)s", name=name, value=value))
    return value


def _not_negative(name: str, value: float) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        raise OutOfRange(say("%(name)s must be 0 or more, not %(value)s", name=name, value=value))
    return value


def areal_mass_gm2(thickness_um: float, density_kgm3: float = POLYETHYLENE_KGM3) -> float:
    """Mass of one square metre of film. [g m-2]

    Examples
    --------
    >>> round(areal_mass_gm2(100.0), 6)
    92.0
    """
    return _positive("thickness_um", thickness_um) * _positive("density", density_kgm3) / 1000.0


def film_mass_kg(
    length_m: float, width_m: float, thickness_um: float, density_kgm3: float = POLYETHYLENE_KGM3
) -> float:
    """Mass of a length of film. [kg]"""
    area_m2 = _not_negative("length_m", length_m) * _not_negative("width_m", width_m)
    return area_m2 * areal_mass_gm2(thickness_um, density_kgm3) / 1000.0


def mil_to_um(thickness_mil: float) -> float:
    """A film's thickness in µm from thousandths of an inch (100 gauge)."""
    return thickness_mil * UM_PER_MIL


def oz_yd2_to_gm2(weight_oz_yd2: float) -> float:
    """A fabric's weight in g/m² from ounces a square yard."""
    return weight_oz_yd2 * GM2_PER_OZ_YD2


@dataclass(frozen=True)
class Sheet:
    """A finished sheet. Hems are added by the cutter, not here. [mm]"""

    name: str
    length_mm: float
    width_mm: float
    count: int = 1
    may_turn: bool = True


@dataclass(frozen=True)
class Roll:
    """Film on a roll. `length_mm` None: as long as one cares to buy. [mm]"""

    name: str
    width_mm: float
    length_mm: float | None = None
    thickness_um: float = 150.0


@dataclass(frozen=True)
class Strip:
    """One rectangle on the roll: `along_mm` from its start, `across_mm` from its left edge.

    A sheet wider than the roll is made of several strips; `part` of `parts` says which this is.
    """

    name: str
    along_mm: float
    across_mm: float
    length_mm: float
    width_mm: float
    part: int
    parts: int


@dataclass(frozen=True)
class FilmPlan:
    """Where to cut a roll.

    used_mm : length taken off the roll; bound_mm : no way of cutting takes less than this (area
        by width, or the longest strip), so the gap may be the bound's fault.
    rows_mm : where each straight cut across the roll goes.
    short : names of sheets the roll has no length left for.
    """

    strips: tuple[Strip, ...]
    used_mm: float
    bound_mm: float
    rows_mm: tuple[float, ...]
    joins: int
    mass_kg: float
    waste_fraction: float
    short: tuple[str, ...]


def strips_needed(width_mm: float, roll_width_mm: float, overlap_mm: float) -> int:
    """How many strips side by side make a width, each join lapped.

    Raises OutOfRange where the lap is as wide as the roll.
    """
    _positive("width_mm", width_mm)
    if width_mm <= _positive("roll_width_mm", roll_width_mm):
        return 1
    if _not_negative("overlap_mm", overlap_mm) >= roll_width_mm:
        raise OutOfRange(
            say(
                "overlap_mm must be less than the roll's %(width)s",
                width=Length(roll_width_mm, "g"),
            )
        )
    return math.ceil((width_mm - overlap_mm) / (roll_width_mm - overlap_mm) - 1e-9)


@dataclass(frozen=True)
class _Cut:
    name: str
    length: float
    width: float
    part: int
    parts: int


def plan_film(
    sheets: Sequence[Sheet], roll: Roll, *, hem_mm: float = 0.0, overlap_mm: float = 100.0
) -> FilmPlan:
    """Cut sheets from a roll in straight rows, with as few joins as may be.

    Parameters
    ----------
    sheets : finished sizes; may be turned unless they say otherwise.
    hem_mm : added on every side, to fold round a batten.
    overlap_mm : how far strips lap where a sheet is wider than the roll.

    Returns
    -------
    FilmPlan. Each sheet lies the way that needs fewest joins, then least film.

    Raises
    ------
    OutOfRange : sizes not above 0 or over 100 m, counts below 1, more than 500 sheets.

    Notes
    -----
    First fit, longest strip first: every row is one cut across, then cuts along. All turns of
    the sheets that need no join are tried up to four kinds of sheet. Not claimed to be the
    least; `bound_mm` says how far off it can be at most.
    """
    _not_negative("hem_mm", hem_mm)
    _positive("roll width", roll.width_mm)
    if roll.length_mm is not None:
        _positive("roll length", roll.length_mm)
    if not sheets:
        raise OutOfRange(say("There are no sheets to cut."))
    if sum(sheet.count for sheet in sheets) > MOST_SHEETS:
        raise OutOfRange(say("A film plan takes at most %(most)s sheets.", most=MOST_SHEETS))
    for sheet in sheets:
        if sheet.count < 1:
            raise OutOfRange(
                say(
                    "sheet %(name)s: count must be 1 or more, not %(count)s",
                    name=sheet.name,
                    count=sheet.count,
                )
            )
        for side in (sheet.length_mm, sheet.width_mm):
            if not (math.isfinite(side) and 0.0 < side <= _LONGEST_MM):
                raise OutOfRange(
                    say("sheet %(name)s: sides must be above 0 and at most 100 m", name=sheet.name)
                )

    ways = [_ways(sheet, roll.width_mm, hem_mm, overlap_mm) for sheet in sheets]
    plans = [_in_rows(sheets, cut, roll) for cut in _choices(ways)]
    return min(plans, key=lambda plan: (len(plan.short), plan.joins, plan.used_mm))


def _ways(sheet: Sheet, roll_width: float, hem: float, overlap: float) -> list[tuple[_Cut, ...]]:
    """The strips of one sheet lying each way, those with fewest joins only."""
    long, wide = sheet.length_mm + 2.0 * hem, sheet.width_mm + 2.0 * hem
    sides = [(long, wide)]
    if sheet.may_turn and long != wide:
        sides.append((wide, long))
    ways = []
    for length, width in sides:
        parts = strips_needed(width, roll_width, overlap)
        cuts = []
        left = width
        for part in range(1, parts + 1):
            strip = min(roll_width, left)
            cuts.append(_Cut(sheet.name, length, strip, part, parts))
            left -= strip - overlap
        ways.append(tuple(cuts))
    fewest = min(len(cuts) for cuts in ways)
    return [cuts for cuts in ways if len(cuts) == fewest]


def _choices(ways: list[list[tuple[_Cut, ...]]]) -> list[list[tuple[_Cut, ...]]]:
    """Which way each kind lies: all combinations of few kinds, else all one rule or the other."""
    if len(ways) > 4:
        lengths = [[cuts[0].length for cuts in kind] for kind in ways]
        shortest = [k[v.index(min(v))] for k, v in zip(ways, lengths, strict=True)]
        longest = [k[v.index(max(v))] for k, v in zip(ways, lengths, strict=True)]
        return [shortest, longest, [kind[0] for kind in ways]]
    combinations: list[list[tuple[_Cut, ...]]] = [[]]
    for kind in ways:
        combinations = [[*done, cuts] for done in combinations for cuts in kind]
    return combinations


def _in_rows(sheets: Sequence[Sheet], kinds: list[tuple[_Cut, ...]], roll: Roll) -> FilmPlan:
    cuts = [cut for sheet, kind in zip(sheets, kinds, strict=True) for cut in kind * sheet.count]
    cuts.sort(key=lambda cut: (-cut.length, -cut.width, cut.name))
    rows: list[list[float]] = []  # where it begins, how wide it is filled
    strips: list[Strip] = []
    short: list[str] = []
    used = 0.0
    for cut in cuts:
        row = next((r for r in rows if r[1] + cut.width <= roll.width_mm + 1e-6), None)
        if row is None:
            if roll.length_mm is not None and used + cut.length > roll.length_mm + 1e-6:
                short.append(cut.name)
                continue
            row = [used, 0.0]
            rows.append(row)
            used += cut.length
        strips.append(Strip(cut.name, row[0], row[1], cut.length, cut.width, cut.part, cut.parts))
        row[1] += cut.width
    area = math.fsum(strip.length_mm * strip.width_mm for strip in strips)
    longest = max((strip.length_mm for strip in strips), default=0.0)
    joins = sum((len(kind) - 1) * sheet.count for sheet, kind in zip(sheets, kinds, strict=True))
    return FilmPlan(
        strips=tuple(strips),
        used_mm=used,
        bound_mm=max(area / roll.width_mm, longest),
        rows_mm=tuple(row[0] for row in rows) + ((used,) if rows else ()),
        joins=joins,
        mass_kg=film_mass_kg(area / 1e6, 1.0, roll.thickness_um),
        waste_fraction=1.0 - area / (used * roll.width_mm) if used else 0.0,
        short=tuple(dict.fromkeys(short)),
    )
