"""A plot's own page: home to whoever holds it, with tonight first and what grows below.

It stands here and not with the other pages of plots because it asks the night; `gardenapp.web`
hangs it on their blueprint.
"""

from __future__ import annotations

from flask import render_template

from gardenapp.services.garden import hardened, plants, plots
from gardenapp.services.night.plot_nights import plot_nights
from gardenapp.services.night.tonight import tonight_page
from gardenapp.services.night.walks import Way
from gardenapp.services.trials.readings import latest_readings
from gardenapp.web.access import board_readers, current_member
from gardenapp.web.clock import now
from gardenapp.web.hardiness_words import bears_text
from gardenapp.web.night import board_words
from gardenapp.web.night.picture import picture_of
from gardenapp.web.night.today import make_today


@board_readers
def plot_page(plot_id: int) -> str:
    member, at = current_member(), now()
    plot = plots.get_plot(plot_id=plot_id, member=member)
    found = plants.list_plantings(plot_id=plot_id)
    page = tonight_page(now=at, plot_ids=[plot_id])
    mine = plots.plots_of(member.id) if member is not None else []
    return render_template(
        "plots/plot.html",
        plot=plot,
        page=page,
        evening=make_today(page, member=member, plots=[plot_id], way=Way({}), at=at),
        tonight_of={story.planting_id: story for story in page.rows},
        picture=picture_of(page.header, page.rows, at=at) if page.header is not None else None,
        readings=latest_readings(now=at).get(plot_id, ()),
        nights=plot_nights(plot_id=plot_id, now=at),
        is_mine=plot_id in mine,
        others=plots.labels_of([other for other in mine if other != plot_id]),
        words=board_words,
        now=at,
        growing=[p for p in found if p.ended_at is None],
        ended=[p for p in found if p.ended_at is not None],
        today=hardened.today_in(plot_id=plot_id, now=at),
        bears_text=bears_text,
        offset_status=plots.OFFSET_STATUS,
    )
