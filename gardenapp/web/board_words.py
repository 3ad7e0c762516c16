"""The board's words for states, frosts and reasons, in the reader's units."""

from __future__ import annotations

from typing import Any

from gardenapp.science.exposure import FrostType
from gardenapp.web.formats import SPACE, length

# Each state has a word and a shape, so that it is told without colour.
STATES: dict[str, tuple[str, str, str]] = {
    "protect": ("to protect", "\N{BLACK UP-POINTING TRIANGLE}", "warn"),
    "protected": ("covered", "\N{BLACK CIRCLE}", "ok"),
    "short": ("short", "\N{MULTIPLICATION X}", "bad"),
    "watch": ("small risk", "\N{WHITE CIRCLE}", "cold"),
    "safe": ("safe", "\N{CHECK MARK}", "ok"),
}

FROSTS: dict[str, str] = {
    FrostType.NONE.value: "No frost expected at plant height",
    FrostType.GROUND_FROST.value: "Ground frost: leaves may freeze though the air stays above zero",
    FrostType.RADIATION_FROST.value: "Radiation frost: clear and calm, coldest near the ground",
    FrostType.WIND_FROST.value: "Wind frost: freezing air blows through, covers help less",
    FrostType.AIR_FROST.value: "Air frost; cloud and wind are not known",
}

KINDS: dict[str, str] = {
    "damage": "hurt from about",
    "kill": "killed near",
    "root_kill": "roots killed near",
}

MINDS: dict[str, str] = {
    "little": "would mind a little",
    "much": "would mind much",
    "dearly": "would hurt to lose",
}


def reason_text(reason: dict[str, Any] | None) -> str:
    """Why plants are left uncovered, with lengths in the reader's unit."""
    if not reason:
        return ""
    p = reason.get("params", {})
    code = reason["code"]
    if code == "too_tall":
        tallest = float(p["tallest_cm"])
        free = f"the tallest takes {length(tallest)}" if tallest > 0 else "none stands that high"
        return f"no cover is tall enough: needs {length(float(p['needs_cm']))}, {free}"
    if code == "too_wide":
        return (
            f"wider than every cover: needs {length(float(p['needs_cm']))}, "
            f"the widest takes {length(float(p['widest_cm']))}"
        )
    if code == "too_big":
        return (
            f"no cover is both tall and wide enough: needs {length(float(p['height_cm']))} "
            f"of height and {length(float(p['spread_cm']))} of width"
        )
    if code == "wider_than_bed" and "bed_cm" in p:
        return (
            "every cover that would fit over it is too big for the bed: the smallest is "
            f"{length(float(p['cover_cm']))} across, the bed {length(float(p['bed_cm']))}"
        )
    words = reason.get("words", "")
    return str(words).replace(" %", f"{SPACE}%")


def need_text(data: dict[str, Any]) -> str:
    """What would change it: the cover to find, build or borrow."""
    reason = data.get("reason") or {}
    code = reason.get("code", "")
    height, spread = reason.get("needs_height_cm"), reason.get("needs_spread_cm")
    units = int(reason.get("units_wanted") or 0)
    size = []
    if height:
        size.append(f"at least {length(float(height))} high inside")
    if spread:
        size.append(f"{length(float(spread))} wide inside")
    words = " and ".join(size)
    if code in {"too_tall", "too_wide", "too_big", "no_cover"}:
        return f"Would need: a cover {words}." if words else "Would need: a cover that fits."
    if code == "all_in_use" and units:
        return f"Would need: {units} more {'cover' if units == 1 else 'covers'} {words}."
    if code == "not_lent":
        return "Would need: the owner’s leave to use theirs tonight."
    if code == "no_minutes":
        return "Would need: another pair of hands."
    if code == "no_shelter_space":
        return "Would need: more room in the shelter."
    if code == "too_windy":
        return "Would need: a heavier cover, or one tied down for that gust."
    if code in {"little_help", "no_better"}:
        return (
            "Would need: a warmer cover, two layers, or bringing it in; else harvest what is ready."
        )
    if data.get("given"):
        return (
            "Covered, and still likely hurt: add a second layer, bring it in, "
            "or harvest what is ready."
        )
    return ""
