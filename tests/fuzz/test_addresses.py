"""Whatever stands in an address or its query, the answer is a page and no server error."""

from __future__ import annotations

import random

import pytest
from flask import Flask

from tests.fuzz.test_forms import NONSENSE
from tests.web.test_access_matrix import World, rules, world

__all__ = ["world"]

NAMES = (
    "page", "next", "night", "night_of", "plot", "kind", "q", "sort", "unit", "cover", "place",
    "mine", "state", "from", "to", "season", "file", "like", "crop", "copy", "all",
)  # fmt: skip


@pytest.mark.sqlite
def test_no_address_answers_nonsense_with_a_server_error(app: Flask, world: World) -> None:
    chance = random.Random(7)
    client = world.client("coordinator")
    wrong = []
    for rule in rules(app):
        if "GET" not in (rule.methods or set()):
            continue
        for _ in range(3):
            query = {
                name: chance.choice(NONSENSE).encode("utf-8", "replace").decode()
                for name in chance.sample(NAMES, 6)
            }
            response = client.get(world.path(rule), query_string=query)
            if response.status_code >= 500:
                wrong.append(f"{rule}: {query}")
    assert not wrong, "\n".join(wrong[:10])
