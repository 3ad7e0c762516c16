"""Figures are written for the one who reads them."""

from __future__ import annotations

import pytest
from flask import Flask

from tests.factories import Factory


def test_a_fixed_figure_in_a_template_follows_each_reader_and_not_the_first(
    app: Flask, make: Factory, monkeypatch: pytest.MonkeyPatch
) -> None:
    make.garden()
    template = None
    shown = {}

    for unit in ("C", "F"):
        reader = make.member(f"Reader of {unit}", temperature_unit=unit)
        monkeypatch.setattr("gardenapp.web.formats.current_member", lambda reader=reader: reader)
        with app.test_request_context("/"):
            # Read when the first reader asks for it, as every template is.
            template = template or app.jinja_env.from_string(
                "{{ 2.0|temperature }} {{ 2.0|difference }}"
            )
            shown[unit] = template.render().replace("\u202f", " ")

    assert shown == {"C": "2.0 °C 2.0 °C", "F": "35.6 °F 3.6 °F"}
