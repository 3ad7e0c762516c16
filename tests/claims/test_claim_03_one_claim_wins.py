"""Claim 3: of many who press at once one gets the cover, and the index alone would see to it.

Three rounds in a usual run, the fifty of the claim with `CLAIM_ROUNDS=50`; on either database.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from flask import Flask
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError

from gardenapp.errors import AlreadyClaimed
from gardenapp.extensions import db
from gardenapp.models.nights import Claim, Job
from gardenapp.services.night import tonight
from tests.claims.pointing import proved_by
from tests.factories import Factory
from tests.system import garden
from tests.system.conftest import Visitor, token_in
from tests.system.test_claims import at_once, plan_cold_night, shown

ROUNDS = int(os.environ.get("CLAIM_ROUNDS", "3"))
PHONES = 20


@pytest.fixture
def job(make: Factory) -> int:
    garden.small_garden(make)
    return plan_cold_night(make)


def test_through_the_server_one_of_twenty_wins_each_round(
    make: Factory, visitor: Callable[..., Visitor], job: int
) -> None:
    names = [f"Claimant Number{number:02}" for number in range(PHONES)]
    visitors = [visitor(make.member(name)) for name in names]
    tokens = [token_in(each.get("/tonight").text) for each in visitors]
    for _ in range(ROUNDS):
        answers = at_once(visitors, f"/tonight/jobs/{job}/claim", tokens)

        assert Counter(a.status_code for a in answers) == {303: 1, 409: PHONES - 1}
        winner = next(at for at, a in enumerate(answers) if a.status_code == 303)
        assert all(names[winner] in shown(a.text) for a in answers if a.status_code == 409)
        opened = select(func.count()).where(Claim.job_id == job, Claim.released_at.is_(None))
        assert db.session.scalar(opened) == 1
        db.session.remove()

        released = visitors[winner].post(f"/tonight/jobs/{job}/release", token=tokens[winner])
        assert released.status_code == 303


def test_in_the_service_one_of_twenty_wins_each_round(app: Flask, make: Factory, job: int) -> None:
    members = [make.member().id for _ in range(PHONES)]
    db.session.remove()
    gate = threading.Barrier(PHONES)

    def press(member_id: int) -> str:
        with app.app_context():
            gate.wait(60)
            try:
                tonight.claim_job(job_id=job, member_id=member_id, now=make.now)
                return "won"
            except AlreadyClaimed:
                return "taken"
            finally:
                db.session.remove()

    for _ in range(ROUNDS):
        with ThreadPoolExecutor(PHONES) as pool:
            answers = Counter(pool.map(press, members))
        assert answers == {"won": 1, "taken": PHONES - 1}
        for claim in db.session.scalars(select(Claim).where(Claim.released_at.is_(None))):
            claim.released_at = make.now
        db.session.commit()
        db.session.remove()


def test_the_index_alone_refuses_a_second_open_claim(make: Factory, job: int) -> None:
    first, second = make.member(), make.member()
    with db.engine.begin() as connection:
        connection.execute(
            Claim.__table__.insert(),  # type: ignore[attr-defined]
            {"job_id": job, "member_id": first.id, "claimed_at": make.now},
        )

    with pytest.raises(IntegrityError), db.engine.begin() as connection:
        connection.execute(
            Claim.__table__.insert(),  # type: ignore[attr-defined]
            {"job_id": job, "member_id": second.id, "claimed_at": make.now},
        )

    assert db.session.get(Job, job) is not None


def test_the_store_keeps_the_same_promise() -> None:
    proved_by(
        "tests.services.store.test_at_once",
        "test_the_last_tote_goes_to_one_and_nineteen_are_told_who_has_it",
        "test_twenty_take_from_a_lot_of_twelve_and_it_never_goes_below_nothing",
    )
