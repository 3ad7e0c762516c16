"""The rows a plan is made from."""

from __future__ import annotations

import pytest

from gardenapp.extensions import db
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night import tonight
from gardenapp.services.night.gather import facts_now, gather
from gardenapp.services.night.learning import site_belief
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan


def test_what_is_over_or_away_is_not_planned_with(make: Factory) -> None:
    growing = make.planting()
    make.planting(ended_at=make.now)
    here = make.cover()
    for status in ("lent", "missing"):
        make.cover(status=status)

    gathered = gather(get_garden(), EVENING, site_belief(before=EVENING))

    assert [planting.id for planting in gathered.plantings] == [growing.id]
    assert set(gathered.stages) == {growing.stage_id}
    assert [cover.id for cover in gathered.covers] == [here.id]
    assert (gathered.promised, gathered.deployments) == ((), ())


@pytest.mark.parametrize("pressed", ["claim", "on"])
def test_what_somebody_presses_meanwhile_shows_in_the_facts(make: Factory, pressed: str) -> None:
    member = make.member("Ines")
    make.planting()
    make.cover()
    enter(make.now, -1.0)
    job = plan(make.now).jobs[0]
    gathered = gather(get_garden(), EVENING, site_belief(before=EVENING))
    before = facts_now(EVENING)

    if pressed == "claim":
        tonight.claim_job(job_id=job.id, member_id=member.id, now=make.now)
    else:
        tonight.mark_on(job_id=job.id, member_id=member.id, now=make.now)
    db.session.expire_all()

    assert before == gathered.facts
    assert facts_now(EVENING) != gathered.facts
    assert facts_now(EVENING) == gather(get_garden(), EVENING, site_belief(before=EVENING)).facts
