"""A planned night, and a member who is told of it: for tests of what is queued and sent."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select

from gardenapp.extensions import db
from gardenapp.models.notices import OutgoingNotice
from gardenapp.models.people import Member
from gardenapp.services.night import forecasts
from gardenapp.services.notices import planned, telling

EVENING = date(2026, 11, 24)
PAGES = "http://garden.test"
MINUTE = timedelta(minutes=1)


def enter(now: datetime, low_c: float, **more: Any) -> None:
    forecasts.enter_by_hand(night_of=EVENING, low_c=low_c, member_id=None, now=now, **more)


def plan(now: datetime, low_c: float) -> int:
    enter(now, low_c)
    return planned.plan_and_tell(night_of=EVENING, member_id=None, now=now)


def by_mail(member: Member, now: datetime, **choices: Any) -> None:
    """Have `member` told by e-mail, with the address confirmed."""
    values: dict[str, Any] = {"all_plots": False, "tells_quiet": False, "pages_at": PAGES}
    telling.set_mail(member_id=member.id, address="tam@example.org", now=now, **(values | choices))
    telling.confirm(token=token_in_queue(), now=now)
    for row in db.session.scalars(select(OutgoingNotice)):
        row.state = "sent"
    db.session.commit()


def token_in_queue() -> str:
    row = db.session.scalars(
        select(OutgoingNotice)
        .where(OutgoingNotice.kind == "confirm")
        .order_by(OutgoingNotice.id.desc())
    ).first()
    assert row is not None
    found = re.search(r"/notices/confirm/(\S+)", row.body["text"])
    assert found
    return found[1]


def queue(state: str = "waiting") -> list[OutgoingNotice]:
    db.session.expire_all()
    return list(
        db.session.scalars(
            select(OutgoingNotice)
            .where(OutgoingNotice.kind == "plan", OutgoingNotice.state == state)
            .order_by(OutgoingNotice.id)
        )
    )
