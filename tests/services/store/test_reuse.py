"""A season's report, worked by hand."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from gardenapp.models.covers import Cover
from gardenapp.models.plots import Plot
from gardenapp.services.store import acts, ledger, lots, reuse
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.subjects import material, thing
from gardenapp.services.transaction import write_transaction
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import Pages

LONDON = ZoneInfo("Europe/London")
MAY = datetime(2027, 5, 31, 12, tzinfo=LONDON)


def stand(cover: Cover, plot: Plot, first: date, back_on: date) -> None:
    """A stay on a bed: put on at five, brought back at nine."""
    with write_transaction():
        for happening, day, hour in (
            (Happening("deployed", night_of=first, plot_id=plot.id), first, 17),
            (Happening("brought back"), back_on, 9),
        ):
            at = datetime(day.year, day.month, day.day, hour, tzinfo=LONDON)
            ledger.write(ledger.lock_cover(cover.id), happening, at=at, member_id=None)


@pytest.fixture
def worked(make: Factory) -> tuple[Cover, Cover, Cover]:
    """Two totes and a sheet; the sheet is torn in April and recycled.

    | thing  | cost | put on                        | nights in the season         |
    |--------|------|-------------------------------|------------------------------|
    | Tote 1 | 6.00 | 24 Nov → 25 Nov, 10 → 13 Jan  | 1 + 3 = 4                    |
    | Tote 2 | 3.00 | 24 Nov → 26 Nov, same evening | 2 + 0 = 2                    |
    | Sheet  |  –   | 1 Mar → 2 Mar                 | 1                            |
    """
    boss = make.coordinator()
    a, b = make.plot("A1"), make.plot("B2")
    kind = make.cover_kind("Tote, 60 litres")
    facts = {"origin": "rescued", "resin": "5", "film_area_m2": 1.2, "film_thickness_um": 2_000.0}
    one = make.cover(
        kind, label="Tote 1", cost_hundredths=600, acquired_on=date(2025, 3, 1), **facts
    )
    two = make.cover(
        kind, label="Tote 2", cost_hundredths=300, acquired_on=date(2026, 11, 1), **facts
    )
    sheet = make.cover(
        make.cover_kind("Film sheet"),
        label="Sheet 1",
        acquired_on=date(2026, 9, 1),
        origin="given",
        resin="4",
        film_area_m2=6.0,
        film_thickness_um=100.0,
    )
    stand(one, a, date(2026, 11, 24), date(2026, 11, 25))
    stand(one, b, date(2027, 1, 10), date(2027, 1, 13))
    stand(two, a, date(2026, 11, 24), date(2026, 11, 26))
    stand(two, a, date(2026, 12, 5), date(2026, 12, 5))
    stand(sheet, b, date(2027, 3, 1), date(2027, 3, 2))
    april = datetime(2027, 4, 2, 10, tzinfo=LONDON)
    torn = Happening("retired", went_to="recycled", note="torn")
    acts.do(subject=thing(sheet.id), happening=torn, member=boss, now=april)
    lot_id = lots.add_lot(
        entry=LotEntry("Film", "film", "m", 200.0, 100.0, resin="4"),
        quantity_milli=10_000,
        place_id=None,
        member=boss,
        now=NOW,
    )
    some = Happening("retired", quantity_milli=4_000, went_to="recycled")
    acts.do(subject=material(lot_id), happening=some, member=boss, now=april)
    return one, two, sheet


@pytest.mark.outside("PLASTDENS, Table 1: PP 900 to 910 and LDPE 914 to 940 kg/m³; worked by hand")
def test_the_report_is_the_one_worked_by_hand(worked: tuple[Cover, Cover, Cover]) -> None:
    report = reuse.season_report(season=2026, now=MAY)

    assert report.nights == 4 + 2 + 1
    assert report.uses == 5
    assert (report.things_used, len(report.things)) == (3, 3)
    assert {m: n for m, n in report.by_month if n} == {
        date(2026, 11, 1): 3,
        date(2027, 1, 1): 3,
        date(2027, 3, 1): 1,
    }
    assert report.by_plot == (("B2", 4), ("A1", 3))
    # 9.00 for the six nights of the two whose cost is known
    assert (report.cost_hundredths, report.costed) == (900, 2)
    assert report.cost_per_night == pytest.approx(150.0)
    # each tote 1.2 m² × 2 mm × 905 kg/m³ = 2.172 kg; the sheet 6 m² × 0.1 mm × 927 = 0.5562 kg
    assert report.plastic_kg == pytest.approx(2 * 2.172 + 0.5562)
    # six metres of two are left: 12 m² × 0.1 mm × 927 kg/m³
    assert report.stored_film_kg == pytest.approx(1.1124)
    assert report.gone == (("recycled", 1),)
    assert report.lots_gone == (("Film", "m", "recycled", 4_000),)
    assert report.by_origin == (("rescued", 2), ("given", 1))


def test_each_thing_has_its_own_figures(worked: tuple[Cover, Cover, Cover]) -> None:
    things = {t.label: t for t in reuse.season_report(season=2026, now=MAY).things}

    assert [things[name].nights for name in ("Tote 1", "Tote 2", "Sheet 1")] == [4, 2, 1]
    # March 2025 is of season 2024: three seasons until May 2027
    assert [things[name].seasons for name in ("Tote 1", "Tote 2", "Sheet 1")] == [3, 1, 1]
    assert things["Tote 1"].cost_per_night == pytest.approx(150.0)
    assert things["Sheet 1"].cost_per_night is None


def test_another_season_has_nothing_of_it(worked: tuple[Cover, Cover, Cover]) -> None:
    before = reuse.season_report(season=2025, now=MAY)

    assert (before.nights, before.uses, before.gone) == (0, 0, ())
    assert [thing.label for thing in before.things] == ["Tote 1"]


def test_the_page_shows_the_figures_and_prints(
    worked: tuple[Cover, Cover, Cover], make: Factory, pages: Pages, clock: list[datetime]
) -> None:
    clock[0] = MAY
    pages.sign_in(make.member())

    page = pages.get("/store/reuse")
    text = page.text

    assert "<dt>Protected nights</dt><dd>7</dd>" in page.html
    assert "<dt>Times put on</dt><dd>5</dd>" in page.html
    assert "<dt>Cost a night, so far</dt><dd>1.50</dd>" in page.html
    assert "4.90 kg" in text
    assert "the middle (905 kg/m³) of 900 to 910" in text
    assert pages.get("/store/reuse?season=9999").heading == "Reuse, season 2026 to 2027"
