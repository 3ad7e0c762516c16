"""From an empty folder to a board that is of use: counted in clicks and typed fields.

Somebody starts the server on a computer of theirs, opens the page and has a list of the garden
in a spreadsheet. Nobody shows them anything.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field
from typing import Any

import pytest

from tests.system.conftest import press

pytestmark = pytest.mark.browser
MOST_CLICKS, MOST_FIELDS = 25, 12
CROPS = ("lettuce", "kale", "broad bean", "courgette", "spinach", "Swiss chard", "parsley", "leek")
PEOPLE = (
    "Amal Whitby", "Bruno Castell", "Cecily Marsh", "Dov Lindqvist", "Elif Thorn", "Fergus Vale",
    "Greta Holm", "Hugo Pell", "Ione Sark", "Jonas Wick", "Keziah Brandt", "Luz Ferrer",
)  # fmt: skip


@dataclass
class Hand:
    """A person at a page: every click and every field they type into is counted."""

    page: Any
    clicks: int = 0
    fields: int = 0
    did: list[str] = field(default_factory=list)

    def press(self, what: Any) -> None:
        self.did.append(re.sub(r"\s+", " ", what.inner_text()).strip()[:40])
        self.clicks += 1
        press(what)

    def type(self, what: Any, text: str) -> None:
        self.fields += 1
        what.fill(text)


def table(seed: int = 5) -> str:
    """What a volunteer's spreadsheet says: thirty plots with what grows there, then the covers."""
    chance = random.Random(seed)
    lines = ["Plot\tLength\tWidth\tHolder\tCrop\tHow many"]
    plots = [f"{row}{number}" for row in "ABC" for number in range(1, 11)]
    for number, plot in enumerate(plots):
        for _ in range(5):
            crop = CROPS[(number + chance.randrange(len(CROPS))) % len(CROPS)]
            lines.append(
                f"{plot}\t6 m\t3 m\t{PEOPLE[number % 12]}\t{crop}\t{chance.randrange(4, 30)}"
            )
    return "\n".join(lines)
