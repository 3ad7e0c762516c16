"""Where a thermometer hangs, in words: what is asked of a low that is read and of a logger."""

from __future__ import annotations

from gardenapp.words import later

UNKNOWN = "unknown"

PLACE_WORDS = {
    "screen": later("in a white box or shade, at head height"),
    "plant_shaded": later("in shade, at plant height"),
    "plant_bare": later("open to the sky, at plant height"),
    "ground_bare": later("open to the sky, on the ground"),
    "elsewhere": later("in the plot, but not where the plants stand"),
}
