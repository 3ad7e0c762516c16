"""What stands and what is promised, and the covers there are for the rest."""

from __future__ import annotations

from gardenapp.extensions import db
from gardenapp.services.clockwork import get_garden
from gardenapp.services.night import tonight
from gardenapp.services.night.gather import gather
from gardenapp.services.night.learning import site_belief
from gardenapp.services.night.outlook import SHELTER
from gardenapp.services.night.standing import Standing, pools_tonight, standing_tonight
from tests.factories import Factory
from tests.services.night.planning import EVENING, enter, plan


def test_an_own_plots_cover_stays_on_its_owners_plot(make: Factory) -> None:
    owner = make.member("Ada")
    kind = make.cover_kind()
    make.cover(kind, owner_id=owner.id, lending="own plots")
    theirs = make.plot("theirs")
    own = make.plot("own", holders=(owner,))
    make.planting(theirs, mind="dearly")
    make.planting(own, mind="little")
    enter(make.now, -2.0)

    page = plan(make.now)

    assert {job.plot for job in page.jobs} == {"own"}
    short = next(row for row in page.rows if row.plot == "theirs")
    assert short.reason is not None
    assert short.reason.code == "not_lent"


def test_what_is_on_and_what_is_promised_are_told_apart(make: Factory) -> None:
    member = make.member("Ines")
    kind = make.cover_kind()
    first, second = make.planting(name="beans"), make.planting(name="squash")
    make.cover(kind, label="T1")
    make.cover(kind, label="T2")
    enter(make.now, -1.0)
    jobs = {next(iter(job.plants)): job for job in plan(make.now).jobs}
    tonight.mark_on(job_id=jobs[first.id].id, member_id=member.id, now=make.now)
    tonight.claim_job(job_id=jobs[second.id].id, member_id=member.id, now=make.now)

    on, promised = standing_tonight(gather(get_garden(), EVENING, site_belief(before=EVENING)))

    assert (on.plants, promised.plants) == ({first.id: 4}, {second.id: 4})
    assert on.deployment_id is not None
    assert on.claim_id is None
    assert promised.claim_id is not None
    assert promised.deployment_id is None
    assert set(on.covers).isdisjoint(promised.covers)


def test_a_promised_cover_that_is_lent_since_is_promised_no_more(make: Factory) -> None:
    member = make.member("Ines")
    make.planting()
    cover = make.cover()
    enter(make.now, -1.0)
    tonight.claim_job(job_id=plan(make.now).jobs[0].id, member_id=member.id, now=make.now)
    cover.status = "lent"
    db.session.commit()

    assert standing_tonight(gather(get_garden(), EVENING, site_belief(before=EVENING))) == ()


def test_plants_that_are_gone_are_not_under_it_any_more(make: Factory) -> None:
    member = make.member("Ines")
    planting = make.planting(count=4)
    make.cover()
    enter(make.now, -1.0)
    tonight.mark_on(job_id=plan(make.now).jobs[0].id, member_id=member.id, now=make.now)
    planting.count = 2
    db.session.commit()

    (on,) = standing_tonight(gather(get_garden(), EVENING, site_belief(before=EVENING)))

    assert on.plants == {planting.id: 2}


def test_alike_covers_make_a_pool_and_broken_ones_stay_out(make: Factory) -> None:
    owner = make.member("Ada")
    own = make.plot("own", holders=(owner,))
    kind = make.cover_kind()
    shared = [make.cover(kind, label=label) for label in ("T1", "T2")]
    make.cover(kind, condition="broken")
    make.cover(kind, is_usable=False)
    hers = make.cover(kind, owner_id=owner.id, lending="own plots")
    gathered = gather(get_garden(), EVENING, site_belief(before=EVENING))

    pools = pools_tonight(gathered, ())

    assert {key: pool.count for key, pool in pools.pools.items()} == {
        f"{kind.id}": 2,
        f"{kind.id}@{owner.id}": 1,
    }
    assert pools.pools[f"{kind.id}@{owner.id}"].allowed_plot_ids == frozenset({own.id})
    assert pools.chain_of([shared[1].id, hers.id]) == (f"{kind.id}", f"{kind.id}@{owner.id}")


def test_a_broken_cover_that_is_on_still_counts(make: Factory) -> None:
    cover = make.cover(condition="broken")
    standing = Standing(plot_id=make.plot().id, covers=(cover.id,), plants={}, deployment_id=1)

    pools = pools_tonight(gather(get_garden(), EVENING, site_belief(before=EVENING)), [standing])

    assert pools.treatment_of(standing) == f"{cover.class_id}"
    assert pools.treatment_of(Standing(1, (), {})) == SHELTER
