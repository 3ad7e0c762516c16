"""Templates are read by people too: short lines, and what pages share written once."""

from __future__ import annotations

from pathlib import Path

import pytest

TEMPLATES = Path(__file__).resolve().parents[2] / "templates"
LONGEST = 160
# What stands in a macro of `components`, by a piece of it that no page writes by hand.
SHARED = {
    '<p class="back">': "parts.back",
    "Leave as it was": "forms.leave",
    "<table><caption>": "parts.table",
    'class="note warn"><strong>{% trans %}Take care{%': "parts.take_care",
    'rel="next"': "parts.pages",
    'name="csrf_token"': "forms.token",
    "form_key.name": "forms.key",
}
# Pages that write such a piece by hand, each with the reason.
BY_HAND = {
    "parts.back": {
        "board/sign.html": "paper: the same line says how to print",
    },
    "forms.token": {"board/tonight.html": "the page is kept, and each reader's token put into it"},
}


def folder(template: Path) -> str:
    return template.relative_to(TEMPLATES).parts[0]


def templates() -> list[Path]:
    found = sorted(path for path in TEMPLATES.rglob("*") if path.is_file())
    assert len(found) > 80
    return found


def long_lines(template: Path) -> list[str]:
    lines = template.read_text("utf-8").splitlines()
    name = template.relative_to(TEMPLATES)
    return [
        f"{name}:{number} ({len(line)})"
        for number, line in enumerate(lines, 1)
        if len(line) > LONGEST
    ]


def test_no_line_of_a_template_is_longer_than_a_window() -> None:
    found = [line for template in templates() for line in long_lines(template)]

    assert found == []


@pytest.mark.parametrize(("piece", "macro"), SHARED.items(), ids=SHARED.values())
def test_what_pages_share_is_written_in_components_alone(piece: str, macro: str) -> None:
    by_hand = {
        str(path.relative_to(TEMPLATES))
        for path in templates()
        if folder(path) != "components" and piece in path.read_text("utf-8")
    }

    assert by_hand == BY_HAND.get(macro, {}).keys(), f"use {macro}"
