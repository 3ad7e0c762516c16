"""Many phones press at once; the server decides once."""

from __future__ import annotations

import re
import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import func, select

from gardenapp.extensions import db
from gardenapp.models.nights import Claim, CoverUse, Deployment, Job
from gardenapp.services.night.plan_night import plan_night
from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import Visitor, token_in

PHONES = 20


@pytest.fixture
def night(make: Factory) -> int:
    """A planned night; gives the id of a job that anybody may claim."""
    garden.small_garden(make)
    return plan_cold_night(make)


def plan_cold_night(make: Factory) -> int:
    from gardenapp.services.night.forecasts import enter_by_hand

    enter_by_hand(
        night_of=make.now.date(),
        low_c=-2.0,
        cloud_fraction=0.0,
        wind_mps=1.0,
        member_id=None,
        now=make.now,
    )
    plan_night(night_of=make.now.date(), member_id=None, now=make.now)
    job_id: int | None = db.session.scalar(select(func.min(Job.id)))
    assert job_id is not None
    db.session.remove()
    return job_id


def at_once(visitors: list[Visitor], path: str, tokens: list[str]) -> list[Any]:
    """Everybody's answer to the same press at the same moment."""
    gate = threading.Barrier(len(visitors))

    def press(visitor: Visitor, token: str) -> Any:
        gate.wait(30)
        return visitor.post(path, token=token)

    with ThreadPoolExecutor(len(visitors)) as pool:
        return list(pool.map(press, visitors, tokens))


def shown(html: str) -> str:
    """What an answer says, without marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_of_twenty_members_one_gets_the_job_and_the_rest_read_who(
    make: Factory, visitor: Callable[..., Visitor], night: int
) -> None:
    names = [f"Claimant Number{number:02}" for number in range(PHONES)]
    visitors = [visitor(make.member(name)) for name in names]
    tokens = [token_in(each.get("/tonight").text) for each in visitors]

    answers = at_once(visitors, f"/tonight/jobs/{night}/claim", tokens)

    assert Counter(answer.status_code for answer in answers) == {303: 1, 409: PHONES - 1}
    winner = next(
        name for name, answer in zip(names, answers, strict=True) if answer.status_code == 303
    )
    for name, answer in zip(names, answers, strict=True):
        if name != winner:
            assert winner in shown(answer.text), shown(answer.text)
    with db.session.no_autoflush:
        open_claims = db.session.scalar(
            select(func.count())
            .select_from(Claim)
            .where(Claim.job_id == night, Claim.released_at.is_(None))
        )
    assert open_claims == 1


def test_twenty_presses_of_it_is_on_put_each_cover_on_once(
    make: Factory, visitor: Callable[..., Visitor], night: int
) -> None:
    visitors = [visitor(make.member()) for _ in range(PHONES)]
    tokens = [token_in(each.get("/tonight").text) for each in visitors]

    answers = at_once(visitors, f"/tonight/jobs/{night}/on", tokens)

    assert Counter(answer.status_code for answer in answers) == {303: PHONES}
    standing = db.session.scalars(
        select(Deployment.id).where(Deployment.job_id == night, Deployment.taken_off_at.is_(None))
    ).all()
    uses = db.session.scalars(select(CoverUse.cover_id).where(CoverUse.is_open)).all()
    assert len(standing) == 1
    assert len(uses) == len(set(uses)) == 1


def test_readers_are_answered_while_others_claim(
    make: Factory, visitor: Callable[..., Visitor], night: int
) -> None:
    claimants = [visitor(make.member()) for _ in range(6)]
    tokens = [token_in(each.get("/tonight").text) for each in claimants]
    readers = [visitor() for _ in range(6)]
    statuses: Counter[int] = Counter()

    def read(reader: Visitor) -> list[int]:
        return [reader.get("/tonight").status_code for _ in range(10)]

    def press(case: tuple[Visitor, str]) -> list[int]:
        one, token = case
        found = []
        for action in ("claim", "release") * 5:
            found.append(one.post(f"/tonight/jobs/{night}/{action}", token=token).status_code)
        return found

    with ThreadPoolExecutor(12) as pool:
        pressing = [pool.submit(press, case) for case in zip(claimants, tokens, strict=True)]
        reading = [pool.submit(read, reader) for reader in readers]
        for done in reading:
            assert set(done.result()) == {200}
        for done in pressing:
            statuses.update(done.result())

    # Somebody else's claim can be neither taken (409) nor given back (403).
    assert set(statuses) <= {303, 403, 409}
    assert statuses[303] >= 1
