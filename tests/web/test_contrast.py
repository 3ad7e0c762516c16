"""Ink on paper, computed from the style sheet: both themes, each text on each ground."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

SHEET = Path(__file__).parents[2] / "static" / "garden.css"
GROUNDS = ("page", "card", "cold-bg", "ok-bg", "bad-bg", "warn-bg")
# What a gardener reads at dusk: words, hints, status, links and temperatures.
TEXTS = ("ink", "soft", "act", "cold", "ok", "bad", "warn")
# What carries meaning without being text: borders of fields and buttons, chart lines, the ring.
SHAPES = ("line", "ring", "act", "cold", "ok", "bad", "warn")
RULE = re.compile(r"(:root[^{,]*)\{([^}]*)\}")
TOKEN = re.compile(r"--([a-z-]+):(#[0-9a-f]{3}(?:[0-9a-f]{3})?)(?=[;\s]|$)")


def relative_luminance(colour: str) -> float:
    """Of an sRGB colour written `#rgb` or `#rrggbb`; 0 black to 1 white."""
    digits = colour.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    parts = []
    for at in (0, 2, 4):
        share = int(digits[at : at + 2], 16) / 255
        parts.append(share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4)
    red, green, blue = parts
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """The contrast ratio of two colours, 1 to 21."""
    dark, light = sorted((relative_luminance(one), relative_luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def rules() -> list[tuple[str, dict[str, str]]]:
    """(selector, tokens) of each rule of the sheet that sets colours."""
    sheet = SHEET.read_text("utf-8")
    found = [(selector, dict(TOKEN.findall(body))) for selector, body in RULE.findall(sheet)]
    return [(selector, tokens) for selector, tokens in found if tokens]


def themes() -> dict[str, dict[str, str]]:
    """The colours by theme: the light one, the phone's dark one and the chosen dark one."""
    by_selector = dict(rules())
    assert len(by_selector) == len(rules()) == 3
    return {
        "light": by_selector[":root"],
        "dark by the phone": by_selector[":root:not([data-theme=light])"],
        "dark by choice": by_selector[":root[data-theme=dark]"],
    }


THEMES = ("light", "dark by the phone", "dark by choice")


@pytest.mark.outside("WCAG 2.2, definitions of relative luminance and contrast ratio")
@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#fff", "#000000", 21.0), ("#000", "#000", 1.0), ("#777777", "#ffffff", 4.478)],
    ids=["white on black", "none", "the well-known grey just below 4.5"],
)
def test_the_formula_gives_the_known_ratios(one: str, other: str, ratio: float) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)


@pytest.mark.outside("WCAG 2.2, 1.4.6 contrast (enhanced), relative luminance")
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("theme", THEMES)
def test_everything_written_stands_out_seven_to_one(theme: str, ground: str) -> None:
    tokens = themes()[theme]

    short = {text: round(contrast(tokens[text], tokens[ground]), 2) for text in TEXTS}

    assert {text: ratio for text, ratio in short.items() if ratio < 7.0} == {}


@pytest.mark.outside("WCAG 2.2, 1.4.6 contrast (enhanced), relative luminance")
@pytest.mark.parametrize("theme", THEMES)
def test_the_words_on_a_button_stand_out_seven_to_one(theme: str) -> None:
    tokens = themes()[theme]

    assert contrast(tokens["act-ink"], tokens["act"]) >= 7.0


@pytest.mark.outside("WCAG 2.2, 1.4.11 non-text contrast, relative luminance")
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize("theme", THEMES)
def test_borders_lines_and_the_ring_stand_out_three_to_one(theme: str, ground: str) -> None:
    tokens = themes()[theme]

    short = {shape: round(contrast(tokens[shape], tokens[ground]), 2) for shape in SHAPES}

    assert {shape: ratio for shape, ratio in short.items() if ratio < 3.0} == {}


def test_dark_is_the_same_dark_whoever_asks_for_it() -> None:
    found = themes()

    assert found["dark by choice"] == found["dark by the phone"]
    assert set(found["light"]) == set(found["dark by choice"])


def test_dark_is_neither_pure_white_nor_pure_black() -> None:
    tokens = themes()["dark by choice"]

    assert contrast(tokens["ink"], tokens["page"]) < 18.0
    assert relative_luminance(tokens["page"]) > 0.005


def test_every_colour_of_the_sheets_is_a_token_but_for_paper() -> None:
    """A colour written straight into a rule would escape the checks above."""
    paper = {"#fff", "#000"}  # print, and labels, which are always black on white
    stray = {}
    for sheet in sorted(SHEET.parent.glob("*.css")):
        body = RULE.sub("", sheet.read_text("utf-8"))
        colours = set(re.findall(r"#[0-9a-f]{3,8}\b(?=[^{}]*\})", body)) - paper
        words = set(re.findall(r"(?:rgb|hsl|oklch|lab)a?\([^)]*\)", body))
        if colours | words:
            stray[sheet.name] = colours | words

    assert stray == {}


def test_a_colour_short_of_contrast_would_be_found() -> None:
    """The pairs do differ enough that this file could fail."""
    tokens = themes()["light"]
    ratios = [contrast(tokens[a], tokens[b]) for a, b in itertools.product(TEXTS, GROUNDS)]

    assert contrast(tokens["hair"], tokens["page"]) < 3.0
    assert len({round(ratio, 2) for ratio in ratios}) > 20
