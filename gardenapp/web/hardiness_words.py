"""What a plant bears today in a line, and what people see of it in the morning."""

from __future__ import annotations

from gardenapp.web.formats import difference, temperature
from gardenapp.words import _, later

DAMAGE_WORDS = {
    "none": later("none"),
    "some": later("some"),
    "much": later("much"),
    "dead": later("dead"),
}

TOLD_FROM_K = 0.5


def moved_text(moved_k: float) -> str:
    """`, softer by 2 °C`: what the last days did, where it is worth a word beside a figure."""
    if abs(moved_k) < 2 * TOLD_FROM_K:
        return ""
    if moved_k > 0:
        return _(", softer by %(moved)s", moved=difference(moved_k, digits=0))
    return _(", harder by %(moved)s", moved=difference(-moved_k, digits=0))


def bears_text(
    bears_c: float, moved_k: float | None, over_days: int, *, is_uncertain: bool = False
) -> str:
    """`Fine down to about −9 °C today; the last 3 days cost it 2 °C.` Whole degrees."""
    bears = temperature(bears_c, digits=0)
    if moved_k is None or abs(moved_k) < TOLD_FROM_K:
        words = _("Fine down to about %(bears)s today", bears=bears)
    elif moved_k > 0:
        words = _(
            "Fine down to about %(bears)s today; the warmth of the last %(days)s days cost it "
            "%(moved)s",
            bears=bears,
            days=over_days,
            moved=difference(moved_k),
        )
    else:
        words = _(
            "Fine down to about %(bears)s today; the cold of the last %(days)s days gave it "
            "%(moved)s",
            bears=bears,
            days=over_days,
            moved=difference(-moved_k),
        )
    if is_uncertain:
        return _("%(words)s (the weather of the last weeks is not whole)", words=words)
    return words
