"""The app starts, and says so where there is no garden yet."""

from __future__ import annotations

from tests.pages import Pages


def test_help_opens_without_a_garden(pages: Pages) -> None:
    page = pages.get("/help")

    assert page.heading
