"""Tonight on the map: marks, words and where a tap leads."""

from __future__ import annotations

from gardenapp.models.people import Member
from gardenapp.services.garden import map as maps
from gardenapp.services.night import tonight
from tests.conftest import NOW
from tests.factories import Factory
from tests.pages import Pages
from tests.services.night.planning import enter, plan
from tests.web.garden.test_map import links

ADDRESS = "/tonight/map"


def garden(make: Factory) -> Member:
    """Three plots, beans in one and leeks in another, and a cover that warms the beans enough."""
    odile = make.coordinator("Odile")
    cold, hardy = make.plot("A1"), make.plot("A2")
    make.plot("A3")
    make.planting(cold)
    make.planting(hardy, make.stage("leek", threshold_c=-15.0))
    make.cover(make.cover_kind(clear_mean_k=5.0, cloudy_mean_k=5.0))
    maps.save_map(text="= = =\nA1 A2 A3", north=None, member=odile, now=NOW)
    return odile


def test_without_a_map_the_page_says_so_and_a_coordinator_is_led_to_draw_it(
    pages: Pages, make: Factory
) -> None:
    odile = make.coordinator("Odile")

    assert "Nobody has drawn the map yet." in pages.get(ADDRESS).text
    assert "/garden/map/change" not in pages.get(ADDRESS).html
    assert "/garden/map/change" in pages.sign_in(odile).get(ADDRESS).html


def test_without_a_plan_the_map_says_nothing_of_any_plot(pages: Pages, make: Factory) -> None:
    garden(make)

    page = pages.get(ADDRESS)

    assert "Tonight has no plan yet" in page.text
    assert set(links(page)) == {f"A{n}: nothing planned" for n in (1, 2, 3)}


def test_each_plot_is_told_in_a_word_and_leads_to_its_jobs(pages: Pages, make: Factory) -> None:
    odile = garden(make)
    ids = maps.get_map().plot_ids
    enter(make.now, -1.0)
    (job,) = plan(make.now).jobs

    assert links(pages.get(ADDRESS)) == {
        "A1: needs a cover": f"/tonight?plot={ids['A1']}",
        "A2: safe": f"/tonight?plot={ids['A2']}",
        "A3: nothing planned": f"/tonight?plot={ids['A3']}",
    }

    tonight.claim_job(job_id=job.id, member_id=odile.id, now=make.now)
    assert "A1: taken" in links(pages.get(ADDRESS))
    tonight.mark_on(job_id=job.id, member_id=odile.id, now=make.now)
    page = pages.get(ADDRESS)
    assert "A1: covered" in links(page)
    # The same in words, for whoever sees no shapes.
    assert "covered A1 safe A2 nothing planned A3" in page.text


def test_plots_that_are_not_drawn_are_told(pages: Pages, make: Factory) -> None:
    garden(make)
    make.plot("B1")

    assert "Not on the map: B1." in pages.get(ADDRESS).text


def test_the_page_follows_the_map_when_it_is_drawn_anew(pages: Pages, make: Factory) -> None:
    odile = garden(make)
    pages.get(ADDRESS)

    maps.save_map(text="A2", north=None, member=odile, now=NOW)

    assert [name.partition(":")[0] for name in links(pages.get(ADDRESS))] == ["A2"]
