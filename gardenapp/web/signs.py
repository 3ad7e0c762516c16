"""Which of our own drawings stands for a kind of cover; `static/signs.svg` holds them all.

A drawing helps somebody who cannot read the words in the dark, or not in this language; the words
stand beside it always.
"""

from __future__ import annotations

# By the way a cover is built, where that tells it; what is laid is told by its stuff.
BY_CONSTRUCTION = {
    "bag over a cage": "bag",
    "lean-to": "pallets",
    "frame": "frame",
    "tunnel": "tunnel",
    "cloche": "bottle",
    "mulch": "straw",
    "shelter": "carry",
}
LAID = {"fleece": "fleece", "cloth": "blanket", "straw": "straw"}
USUAL = "tote"


def sign_of(construction: str, film: str = "", reference_key: str = "") -> str:
    """The drawing's name for a cover built like this."""
    if construction in BY_CONSTRUCTION:
        return BY_CONSTRUCTION[construction]
    if construction == "laid sheet":
        return LAID.get(film, "film")
    if film == "cardboard":
        return "carton"
    return "box" if reference_key == "food_box" else USUAL
