"""Plots: who may change what, offsets, holders."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import LogEntry, PlotHolder
from gardenapp.services.garden import plots
from gardenapp.services.garden.plots import Offset
from tests.conftest import NOW
from tests.factories import Factory

OPEN = Offset("open", 0.0, 0.7, "")


def whole(**changes: Any) -> dict[str, Any]:
    values: dict[str, Any] = {
        "label": "12",
        "length_cm": 500.0,
        "width_cm": 250.0,
        "bed_width_cm": 120.0,
        "distance_m": 20.0,
        "offset": OPEN,
        "note": "",
        "now": NOW,
    }
    return values | changes


def test_a_coordinator_adds_a_plot_and_the_log_says_so(make: Factory) -> None:
    odile = make.coordinator()

    plot_id = plots.create_plot(**whole(member=odile))

    assert plots.get_plot(plot_id=plot_id, member=odile).distance_m == 20.0
    entry = db.session.scalars(select(LogEntry)).one()
    assert (entry.subject, entry.member_id, entry.at) == ("plot 12", odile.id, NOW)


def test_a_member_adds_no_plot(make: Factory) -> None:
    with pytest.raises(NotAllowed):
        plots.create_plot(**whole(member=make.member()))


def test_two_plots_cannot_have_one_label(make: Factory) -> None:
    odile = make.coordinator()
    plots.create_plot(**whole(member=odile))

    with pytest.raises(FieldRefused, match="already a plot 12") as refusal:
        plots.create_plot(**whole(member=odile))

    assert refusal.value.field == "label"


def test_a_bed_wider_than_its_plot_is_refused(make: Factory) -> None:
    with pytest.raises(FieldRefused, match="wider than the plot"):
        plots.create_plot(**whole(member=make.coordinator(), bed_width_cm=501.0))


def test_a_holder_changes_the_bed_and_the_offset_and_nothing_else(make: Factory) -> None:
    vera = make.member("Vera")
    plot = make.plot("7", holders=(vera,))

    plots.change_own_plot(
        plot_id=plot.id,
        bed_width_cm=90.0,
        offset=Offset("", -1.0, 0.5, "read for two winters"),
        note="mulched",
        member=vera,
        now=NOW,
    )

    found = plots.get_plot(plot_id=plot.id, member=vera)
    assert (found.bed_width_cm, found.offset_k, found.offset_reason) == (
        90.0,
        -1.0,
        "read for two winters",
    )
    with pytest.raises(NotAllowed):
        plots.change_plot(plot_id=plot.id, **whole(member=vera))


def test_another_member_does_not_change_the_plot(make: Factory) -> None:
    plot = make.plot("7", holders=(make.member("Vera"),))

    with pytest.raises(NotAllowed):
        plots.change_own_plot(
            plot_id=plot.id, bed_width_cm=1.0, offset=OPEN, note="", member=make.member(), now=NOW
        )

    assert plots.get_plot(plot_id=plot.id, member=None).bed_width_cm == 120.0


def test_names_are_for_signed_in_members_only(make: Factory) -> None:
    vera = make.member("Vera")
    plot = make.plot("7", holders=(vera,))

    assert plots.get_plot(plot_id=plot.id, member=None).holders == ()
    assert plots.get_plot(plot_id=plot.id, member=make.member()).holders == ("Vera",)
    assert plots.list_plots(member=None).others[0].holders == ()


def test_own_plots_come_first(make: Factory) -> None:
    vera = make.member("Vera")
    make.plot("1")
    make.plot("2", holders=(vera,))

    found = plots.list_plots(member=vera)

    assert [line.label for line in found.own] == ["2"]
    assert [line.label for line in found.others] == ["1"]


def test_holders_become_exactly_those_named(make: Factory) -> None:
    odile, vera, wes = make.coordinator(), make.member("Vera"), make.member("Wes")
    plot = make.plot("7", holders=(vera,))

    plots.set_holders(plot_id=plot.id, member_ids=[wes.id, odile.id], member=odile, now=NOW)

    assert set(db.session.scalars(select(PlotHolder.member_id))) == {wes.id, odile.id}


def test_a_member_who_left_cannot_be_made_a_holder(make: Factory) -> None:
    odile, gone = make.coordinator(), make.member("Gone", is_active=False)
    plot = make.plot("7")

    with pytest.raises(Refused):
        plots.set_holders(plot_id=plot.id, member_ids=[gone.id], member=odile, now=NOW)


def test_a_usual_offset_brings_its_figures() -> None:
    found = plots.offset_from(choice="pocket", offset_k=9.0, offset_sd_k=9.0, reason="seen")

    assert found.choice == "pocket"
    assert found.offset_k < -1.0
    assert found.reason == "seen"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        pytest.param((None, 1.0, "read"), "offset_k", id="no figure"),
        pytest.param((-1.0, None, "read"), "offset_sd_k", id="no spread"),
        pytest.param((-1.0, 1.0, ""), "offset_reason", id="no reason"),
        pytest.param((-99.0, 1.0, "read"), "offset_k", id="too much"),
        pytest.param((-1.0, 0.0, "read"), "offset_sd_k", id="spread of nothing"),
    ],
)
def test_an_own_offset_needs_figure_spread_and_reason(
    values: tuple[float | None, float | None, str], field: str
) -> None:
    offset_k, offset_sd_k, reason = values

    with pytest.raises(FieldRefused) as refusal:
        plots.offset_from(choice="own", offset_k=offset_k, offset_sd_k=offset_sd_k, reason=reason)

    assert refusal.value.field == field


@pytest.mark.outside("common practice, no source")
def test_usual_offsets_are_ordered_as_growers_order_them() -> None:
    """Cold pools in hollows and low ground; slopes, walls and houses are milder."""
    mean = {spot.key: spot.mean_k for spot in plots.USUAL_OFFSETS}

    assert mean["pocket"] < mean["low"] < mean["open"] == 0.0
    assert mean["open"] < mean["slope"] < mean["wall"] < mean["house"]
    assert mean["dammed"] < 0 < mean["roofed"]
    assert all(spot.sd_k >= 0.7 for spot in plots.USUAL_OFFSETS)


def test_an_unknown_plot_is_not_found(make: Factory) -> None:
    with pytest.raises(NotFound):
        plots.get_plot(plot_id=99, member=None)
