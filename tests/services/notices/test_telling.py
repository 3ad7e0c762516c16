"""Who is told what, once for each change, and what happens when it cannot be sent."""

from __future__ import annotations

import hashlib
import json
import threading
import time
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from sqlalchemy import select

from gardenapp.errors import FieldRefused, NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.covers import Cover, CoverKind
from gardenapp.models.notices import NoticeChannel, OutgoingNotice
from gardenapp.models.people import Member, PlotHolder
from gardenapp.models.plots import Plot, StorePlace
from gardenapp.services.garden import people
from gardenapp.services.night import tonight
from gardenapp.services.night.tonight import TonightPage
from gardenapp.services.notices import mail, night_words, telling
from gardenapp.services.notices.mail import MailSettings, Message, NotSent
from gardenapp.services.notices.telling import Outlet
from tests.factories import Factory
from tests.services.notices.told import MINUTE, PAGES, by_mail, plan, queue, token_in_queue


@dataclass
class Post:
    """Stands where the mail server does: what it was given, and what it answers."""

    sent: list[Message] = field(default_factory=list)
    refuses: NotSent | None = None

    def __call__(self, message: Message, **_: Any) -> None:
        if self.refuses is not None:
            raise self.refuses
        self.sent.append(message)


@pytest.fixture
def post(monkeypatch: pytest.MonkeyPatch) -> Post:
    found = Post()
    monkeypatch.setattr(mail, "send", found)
    return found


@pytest.fixture
def out(tmp_path: Path) -> Outlet:
    return Outlet(instance=tmp_path)


# --- what is queued ---------------------------------------------------------------------------


def test_a_plan_queues_one_notice_about_the_members_own_plots(
    make: Factory, tamsin: Member
) -> None:
    by_mail(tamsin, make.now)

    plan(make.now, -1.0)

    (row,) = queue()
    text = row.body["text"]
    assert "Plot A1" in text
    assert "north shed" in text
    assert "B2" not in text
    assert "squash" not in text
    assert "estimates" in text
    assert f"{PAGES}/tonight" in text


def test_a_notice_names_nobody(make: Factory, tamsin: Member) -> None:
    by_mail(tamsin, make.now, all_plots=True)
    plan(make.now, -1.0)
    (job,) = [job for job in tonight.tonight_page(now=make.now).jobs if job.plot == "B2"]
    other = db.session.scalars(select(Member).where(Member.name == "Wes Okafor")).one()
    tonight.claim_job(job_id=job.id, member_id=other.id, now=make.now)

    plan(make.now + MINUTE, -3.0)

    for row in db.session.scalars(select(OutgoingNotice)):
        assert "Wes" not in str(row.body)
        assert "Okafor" not in str(row.body)


def test_planning_again_with_nothing_changed_for_the_member_tells_nothing(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)

    plan(make.now + MINUTE, -1.05)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    assert len(post.sent) == 1


def test_a_change_on_somebody_elses_plot_tells_nothing(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)
    far = make.plot("C3")
    make.planting(far, make.stage("late lettuce"))
    make.cover(label="T9")

    plan(make.now + MINUTE, -1.0)

    assert queue() == []


def test_a_change_that_concerns_the_member_is_told(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, 8.0)
    assert queue() == []

    plan(make.now + MINUTE, -1.0)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    (message,) = post.sent
    assert message.to == "tam@example.org"
    assert "Cover up by" in message.subject


def test_what_is_no_longer_needed_is_told_even_to_who_wants_no_quiet_notes(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)

    plan(make.now + MINUTE, 9.0)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    assert [message.subject.rpartition(": ")[2] for message in post.sent][1:] == [
        "Nothing to do tonight"
    ]


def test_back_to_the_plan_before_last_is_a_change_and_is_told(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    for number, low_c in enumerate((-1.0, 9.0, -1.0)):
        at = make.now + number * MINUTE
        plan(at, low_c)
        telling.send_due(now=at, outlet=out)

    assert len(post.sent) == 3
    assert post.sent[0].subject == post.sent[2].subject
    assert len({message.id for message in post.sent}) == 3


def test_news_overtaken_before_it_went_out_is_not_sent(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now, tells_quiet=True)
    plan(make.now, -1.0)
    plan(make.now + MINUTE, 9.0)
    plan(make.now + 2 * MINUTE, -1.0)

    telling.send_due(now=make.now + 3 * MINUTE, outlet=out)

    assert len(post.sent) == 1
    assert "Cover up" in post.sent[0].subject
    assert len(queue("replaced")) == 2


@pytest.mark.parametrize(("tells_quiet", "expected"), [(True, 1), (False, 0)])
def test_a_quiet_night_is_told_to_who_asked_for_it(
    make: Factory, tamsin: Member, tells_quiet: bool, expected: int
) -> None:
    by_mail(tamsin, make.now, tells_quiet=tells_quiet)

    plan(make.now, 9.0)

    assert len(queue()) == expected


def test_catching_up_queues_what_was_missed_and_only_once(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    by_mail(tamsin, make.now)

    first, second = telling.catch_up(now=make.now), telling.catch_up(now=make.now + MINUTE)

    assert (first, second) == (1, 0)
    assert len(queue()) == 1


def test_the_board_is_not_made_anew_for_a_notice(make: Factory, tamsin: Member) -> None:
    plan(make.now, -1.0)
    by_mail(tamsin, make.now)
    before = tonight.board_version()

    telling.catch_up(now=make.now)

    assert len(queue()) == 1
    assert tonight.board_version() == before


def test_a_second_worker_with_the_same_news_puts_no_second_row_in(
    make: Factory, tamsin: Member
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    (row,) = queue()
    twin = OutgoingNotice(
        member_id=row.member_id,
        channel_id=row.channel_id,
        night_of=row.night_of,
        digest=row.digest,
        body={},
        made_at=row.made_at,
        next_try_at=row.next_try_at,
        expires_at=row.expires_at,
    )

    db.session.add(twin)

    with pytest.raises(Exception, match=r"UNIQUE|unique"):
        db.session.commit()
    db.session.rollback()


def test_a_member_who_was_let_go_is_told_nothing_more(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    people.deactivate(member_id=tamsin.id, by_id=None, now=make.now)

    telling.send_due(now=make.now, outlet=out)
    plan(make.now + MINUTE, -4.0)

    assert post.sent == []
    assert queue() == []


def test_a_plot_that_changed_hands_is_told_to_its_new_holder_only(
    make: Factory, tamsin: Member
) -> None:
    by_mail(tamsin, make.now)
    held = db.session.scalars(select(PlotHolder).where(PlotHolder.member_id == tamsin.id)).one()
    db.session.delete(held)
    db.session.commit()

    plan(make.now, -1.0)

    assert queue() == []


# --- sending ----------------------------------------------------------------------------------


def test_a_failed_try_waits_longer_each_time_and_keeps_its_id(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    post.refuses = NotSent("The mail server replied 451.")
    waits = []
    at = make.now
    for _ in range(4):
        telling.send_due(now=at, outlet=out)
        (row,) = queue()
        waits.append((row.next_try_at - at) // MINUTE)
        assert row.last_error == "The mail server replied 451."
        at = row.next_try_at
    post.refuses = None

    telling.send_due(now=at, outlet=out)

    assert waits == sorted(waits)
    assert waits[0] < waits[-1]
    (message,) = post.sent
    (row,) = queue("sent")
    assert row.digest.startswith(message.id)
    assert row.last_error == ""


def test_nothing_is_tried_before_its_time(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    post.refuses = NotSent("down")
    telling.send_due(now=make.now, outlet=out)

    again = telling.send_due(now=make.now + timedelta(seconds=30), outlet=out)

    assert (again.sent, again.failed) == (0, 0)


def test_a_final_refusal_is_not_tried_again_and_the_coordinator_sees_it(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    post.refuses = NotSent("The mail server does not take this address (550).", is_final=True)

    telling.send_due(now=make.now, outlet=out)

    line = telling.list_notices()[0]
    assert (line.name, line.state) == ("Tamsin", "failed")
    assert "550" in line.last_error
    assert telling.count_failed(now=make.now) == 1
    assert "tam@example.org" not in str(telling.list_notices())


def test_after_the_night_a_notice_is_given_up(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)

    telling.send_due(now=make.now + timedelta(hours=20), outlet=out)

    assert post.sent == []
    (row,) = queue("failed")
    assert "its time was over" in row.last_error


def test_what_one_sender_holds_no_other_sends(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    (row,) = queue()
    assert telling._hold(row.id, make.now)

    assert not telling._hold(row.id, make.now + MINUTE)
    telling.send_due(now=make.now + MINUTE, outlet=out)
    assert post.sent == []

    # The first one died: its hold runs out.
    telling.send_due(now=make.now + telling.HELD_FOR, outlet=out)
    assert len(post.sent) == 1


def test_one_bad_notice_does_not_keep_the_next_back(
    make: Factory, tamsin: Member, out: Outlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_mail(tamsin, make.now)
    other = make.member("Ines")
    make.planting(make.plot("D4", holders=(other,)), name="peppers")
    by_mail(other, make.now)
    sent: list[str] = []

    def send(message: Message, **_: Any) -> None:
        if not sent:
            sent.append("broke")
            raise KeyError("something nobody thought of")
        sent.append(message.to)

    monkeypatch.setattr(mail, "send", send)
    plan(make.now, -1.0)

    done = telling.send_due(now=make.now, outlet=out)

    assert (done.sent, done.failed) == (1, 1)


def test_a_coordinator_puts_a_failed_notice_back_and_a_member_cannot(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    coordinator = make.coordinator()
    plan(make.now, -1.0)
    post.refuses = NotSent("gone", is_final=True)
    telling.send_due(now=make.now, outlet=out)
    (row,) = queue("failed")
    post.refuses = None

    with pytest.raises(NotAllowed):
        telling.try_again(notice_id=row.id, by_id=tamsin.id, now=make.now)
    telling.try_again(notice_id=row.id, by_id=coordinator.id, now=make.now)
    telling.send_due(now=make.now, outlet=out)

    assert len(post.sent) == 1
    with pytest.raises(Refused, match="have sent this notice"):
        telling.try_again(notice_id=row.id, by_id=coordinator.id, now=make.now)


def test_without_a_mail_server_the_notice_waits_and_says_why(
    make: Factory, tamsin: Member, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)

    telling.send_due(now=make.now, outlet=out)

    (row,) = queue()
    assert row.last_error == "The garden has no mail server yet."
    assert not mail.get_mail_settings().is_set
    assert MailSettings().host == ""


# --- choices ----------------------------------------------------------------------------------


def test_nothing_but_the_question_goes_to_an_address_that_was_not_confirmed(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    telling.set_mail(
        member_id=tamsin.id,
        address="tam@example.org",
        all_plots=False,
        tells_quiet=True,
        pages_at=PAGES,
        now=make.now,
    )

    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)

    (message,) = post.sent
    assert "is this your address?" in message.subject
    assert f"{PAGES}/notices/confirm/" in message.text


def test_looking_at_the_question_confirms_nothing(make: Factory, tamsin: Member) -> None:
    telling.set_mail(
        member_id=tamsin.id,
        address="tam@example.org",
        all_plots=False,
        tells_quiet=False,
        pages_at=PAGES,
        now=make.now,
    )

    address = telling.look_at_confirmation(token=token_in_queue(), now=make.now)

    assert address == "tam@example.org"
    assert not telling.list_channels(member_id=tamsin.id)["mail"].is_confirmed


def test_the_secret_of_the_question_is_kept_as_a_hash_and_leaves_the_queue_once_sent(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    telling.set_mail(
        member_id=tamsin.id,
        address="tam@example.org",
        all_plots=False,
        tells_quiet=False,
        pages_at=PAGES,
        now=make.now,
    )
    token = token_in_queue()

    telling.send_due(now=make.now, outlet=out)

    channel = db.session.scalars(select(NoticeChannel)).one()
    db.session.expire_all()
    bodies = str([row.body for row in db.session.scalars(select(OutgoingNotice))])
    assert channel.confirm_hash != token
    assert token not in bodies
    assert token in post.sent[0].text


@pytest.mark.parametrize("after", [timedelta(days=8), timedelta(0)], ids=["too late", "stopped"])
def test_an_old_question_confirms_nothing(make: Factory, tamsin: Member, after: timedelta) -> None:
    telling.set_mail(
        member_id=tamsin.id,
        address="tam@example.org",
        all_plots=False,
        tells_quiet=False,
        pages_at=PAGES,
        now=make.now,
    )
    token = token_in_queue()
    if not after:
        telling.stop_channel(member_id=tamsin.id, kind="mail", now=make.now)

    with pytest.raises(NotFound):
        telling.confirm(token=token, now=make.now + after)


def test_another_address_needs_its_own_confirmation(make: Factory, tamsin: Member) -> None:
    by_mail(tamsin, make.now)

    asked = telling.set_mail(
        member_id=tamsin.id,
        address="other@example.org",
        all_plots=False,
        tells_quiet=False,
        pages_at=PAGES,
        now=make.now,
    )

    assert asked
    assert not telling.list_channels(member_id=tamsin.id)["mail"].is_confirmed


def test_strangers_cannot_be_flooded_with_questions(make: Factory, tamsin: Member) -> None:
    def ask(number: int) -> None:
        telling.set_mail(
            member_id=tamsin.id,
            address=f"stranger{number}@example.org",
            all_plots=False,
            tells_quiet=False,
            pages_at=PAGES,
            now=make.now,
        )

    for number in range(telling.MOST_CONFIRMS_A_DAY):
        ask(number)

    with pytest.raises(FieldRefused, match="enough"):
        ask(99)


def test_stopping_drops_what_was_waiting(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)

    telling.stop_channel(member_id=tamsin.id, kind="mail", now=make.now)
    telling.send_due(now=make.now, outlet=out)

    assert post.sent == []
    assert telling.list_channels(member_id=tamsin.id) == {}


def test_old_notices_are_dropped_and_waiting_ones_kept(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)

    dropped = telling.forget_old(now=make.now + timedelta(days=100))

    assert dropped == 1  # the question
    assert len(queue()) == 1


# --- what counts as news ----------------------------------------------------------------------


def told(make: Factory, member: Member, out: Outlet) -> TonightPage:
    """Plan a cold night, send what is queued of it, and give its board."""
    by_mail(member, make.now, all_plots=True)
    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)
    assert queue() == []
    return tonight.tonight_page(now=make.now)


def test_other_words_for_the_same_tell_nobody_again(
    make: Factory,
    tamsin: Member,
    post: Post,
    out: Outlet,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = telling.concern_of(told(make, tamsin, out))
    kind = db.session.scalars(select(CoverKind)).one()
    kind.name = "Clear lidded box"
    db.session.scalars(select(StorePlace)).one().label = "the old north shed"
    db.session.commit()
    monkeypatch.setattr(night_words, "job_line", lambda job: f"Please fetch {job.name.label}!")

    plan(make.now + MINUTE, -1.0)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    page = tonight.tonight_page(now=make.now)
    assert {job.name.label for job in page.jobs} == {"Clear lidded box"}
    assert telling.concern_of(page) == before
    assert len(post.sent) == 1


def test_a_cover_from_another_place_is_news(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    told(make, tamsin, out)
    moved = make.place("tea hut")
    for cover in db.session.scalars(select(Cover)):
        cover.place_id = moved.id
    db.session.commit()

    plan(make.now + MINUTE, -1.0)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    assert len(post.sent) == 2


def test_whose_cover_it_is_is_no_news(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    told(make, tamsin, out)
    for cover in db.session.scalars(select(Cover)):
        cover.owner_id, cover.lending = tamsin.id, "own plots"
    for plot in db.session.scalars(select(Plot).where(Plot.label == "B2")):
        db.session.add(PlotHolder(plot_id=plot.id, member_id=tamsin.id))
    db.session.commit()

    plan(make.now + MINUTE, -1.0)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    assert {job.treatment.partition("@")[2] for job in tonight.tonight_page(now=make.now).jobs} == {
        str(tamsin.id)
    }
    assert len(post.sent) == 1


@pytest.mark.parametrize(("low_c", "told_again"), [(-1.0, 0), (9.0, 1)])
def test_an_upgrade_in_the_night_tells_only_what_has_changed(
    make: Factory, tamsin: Member, post: Post, out: Outlet, low_c: float, told_again: int
) -> None:
    page = told(make, tamsin, out)
    lines = {(job.plot_id, f"{job.name.label} (from north shed)") for job in page.jobs}
    by_at = min(job.by_at for job in page.jobs if job.by_at is not None)
    quarter = night_words.quarter_before(by_at)
    # As the version before wrote it: a hash over the English lines of the jobs.
    facts = {"jobs": sorted([*line] for line in lines), "short": [], "by": quarter.isoformat()}
    worded = hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()
    (row,) = queue("sent")
    row.concern = worded
    db.session.commit()

    plan(make.now + MINUTE, low_c)
    telling.send_due(now=make.now + MINUTE, outlet=out)

    assert len(post.sent) == 1 + told_again


def test_a_concern_says_how_it_was_made_and_fits_its_column(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    concern = telling.concern_of(told(make, tamsin, out))

    assert concern.startswith("2:")
    assert len(concern) == 64


# --- as it stands when it goes out ------------------------------------------------------------


def test_what_was_done_before_the_message_went_out_is_not_asked_for(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    for job in tonight.tonight_page(now=make.now).jobs:
        tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)

    sent = telling.send_due(now=make.now + MINUTE, outlet=out)

    assert (sent.sent, sent.failed, sent.waiting) == (0, 0, 0)
    assert post.sent == []
    assert len(queue("replaced")) == 1


def test_a_colder_night_tells_what_is_new_and_by_no_time_that_is_over(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    """At 23:40 people were told to cover up by noon what stood since five."""
    by_mail(tamsin, make.now, all_plots=True)
    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)
    for job in tonight.tonight_page(now=make.now).jobs:
        tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)
    make.planting(make.plot("C3"), make.stage(threshold_c=-3.0), name="kale")
    make.cover(db.session.scalars(select(CoverKind)).first(), label="T3")
    late = make.now.replace(hour=23, minute=40)

    plan(late, -4.0)
    telling.send_due(now=late, outlet=out)

    first, second = post.sent
    assert "Cover up by" in first.subject
    assert "1 more to cover now" in second.subject
    assert "New since the last message:\nPlot C3" in second.text
    assert "Put on by" not in second.text
    assert "2 covers or sets are on." in second.text


def test_when_it_only_gets_colder_and_all_is_on_nobody_is_told(
    make: Factory, tamsin: Member, post: Post, out: Outlet
) -> None:
    by_mail(tamsin, make.now)
    plan(make.now, -1.0)
    telling.send_due(now=make.now, outlet=out)
    for job in tonight.tonight_page(now=make.now).jobs:
        tonight.mark_on(job_id=job.id, member_id=tamsin.id, now=make.now)

    plan(make.now + timedelta(hours=3), -1.6)
    telling.send_due(now=make.now + timedelta(hours=3), outlet=out)

    assert len(post.sent) == 1


def test_senders_that_overlap_beside_a_slow_receiver_send_nothing_twice(
    app: Flask,
    make: Factory,
    tamsin: Member,
    out: Outlet,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    by_mail(tamsin, make.now)
    for number in range(12):
        db.session.add(
            OutgoingNotice(
                member_id=tamsin.id,
                channel_id=db.session.scalars(select(NoticeChannel.id)).one(),
                kind="test",
                digest=f"{number:032d}{'0' * 32}",
                body={"subject": str(number), "text": ""},
                made_at=make.now,
                next_try_at=make.now,
                expires_at=make.now + timedelta(hours=2),
            )
        )
    db.session.commit()
    db.session.remove()
    # Seconds stand for minutes: a hold of a third of a second, and a receiver that takes a fifth.
    monkeypatch.setattr(telling, "HELD_FOR", timedelta(seconds=0.35))
    given: list[str] = []
    lock = threading.Lock()

    def slow(message: Message, **_: Any) -> None:
        time.sleep(0.2)
        with lock:
            given.append(message.id)

    monkeypatch.setattr(mail, "send", slow)
    began_s = time.monotonic()

    def sender(after_s: float) -> None:
        time.sleep(after_s)
        with app.app_context():
            at = make.now + timedelta(seconds=time.monotonic() - began_s)
            telling.send_due(now=at, outlet=out)
            db.session.remove()

    threads = [threading.Thread(target=sender, args=(0.5 * n,)) for n in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)

    assert len(given) == len(set(given)) == 12
