"""Who may open what: one table, held against every rule of the app.

A new route needs a line in `ROWS`; without one the first test fails. A line names the level
that the view must carry, and only what differs from the usual answers:

- `get`: what an allowed visitor gets (200 unless said), `get_signed` where it differs for
  somebody who is signed in;
- `is_own`: only the holder or owner of the thing (and coordinators) may, so another member
  is refused;
- `has_own_key`: a door for machines, which takes a key of its own and neither cookie nor form
  token; without the key it answers 401 to everybody.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from sqlalchemy import select
from werkzeug.routing import Rule
from werkzeug.test import TestResponse

from gardenapp.extensions import db
from gardenapp.models.nights import Job
from gardenapp.models.notices import OutgoingNotice
from gardenapp.models.people import Member
from gardenapp.models.replays import ReplayRun
from gardenapp.models.store import LedgerEntry
from gardenapp.models.trials import Outcome
from gardenapp.readers.cells import read_pasted
from gardenapp.readers.logger import LoggerOptions
from gardenapp.services.builds import designing
from gardenapp.services.builds.designing import PlanEntry
from gardenapp.services.builds.shapes import Need, usual_sizes
from gardenapp.services.garden import people
from gardenapp.services.night import forecasts, plan_night
from gardenapp.services.notices import feeds, telling
from gardenapp.services.store import acts, lots, needs
from gardenapp.services.store.ledger import Happening
from gardenapp.services.store.lots import LotEntry
from gardenapp.services.store.subjects import material
from gardenapp.services.tables import importing
from gardenapp.services.trials import cover_trials, readings
from tests.conftest import NOW
from tests.factories import Factory
from tests.logger_files import trial_files
from tests.phones import LoneClient

PUBLIC, BOARD, MEMBER, COORDINATOR = "public", "board", "member", "coordinator"


@dataclass(frozen=True)
class Row:
    level: str
    get: int = 200
    get_signed: int | None = None
    is_own: bool = False
    has_own_key: bool = False


ROWS: dict[str, Row] = {
    # tonight
    "board.home": Row(PUBLIC, get=303),
    "board.tonight": Row(BOARD),
    "board.tonight_json": Row(BOARD),
    "board.progress": Row(BOARD),
    "board.why": Row(BOARD),
    "board.claim": Row(MEMBER),
    "board.release": Row(MEMBER),
    "board.mark_on": Row(MEMBER),
    "board.mark_off": Row(MEMBER),
    "board.undo": Row(MEMBER),
    "board.job_page": Row(BOARD),
    "board.hands": Row(MEMBER),
    "board.old_hands": Row(MEMBER, get=301),
    "board.take": Row(MEMBER),
    "board.ask": Row(COORDINATOR),
    "board.sheet": Row(BOARD),
    "board.slips": Row(BOARD),
    "board.ticked_page": Row(MEMBER),
    "board.plot_sign": Row(BOARD, get=303),
    "board.sign": Row(MEMBER),
    "board.seen": Row(MEMBER),
    "tonight_map.tonight_map": Row(BOARD),
    # forecast
    "forecast.forecasts_page": Row(COORDINATOR),
    "forecast.by_hand": Row(COORDINATOR),
    "forecast.import_page": Row(COORDINATOR),
    "forecast.confirm": Row(COORDINATOR),
    "forecast.services": Row(COORDINATOR),
    "forecast.address_page": Row(COORDINATOR),
    "forecast.fetch": Row(COORDINATOR),
    "forecast.plan": Row(COORDINATOR),
    # plots and plantings
    "plots.plots_page": Row(BOARD),
    "plots.plot_page": Row(BOARD),
    "plots.weather_page": Row(BOARD),
    "plots.new_plot": Row(COORDINATOR),
    "plots.edit_plot": Row(MEMBER, is_own=True),
    "plots.plot_holders": Row(COORDINATOR),
    "plots.new_planting": Row(MEMBER, is_own=True),
    "plots.edit_planting": Row(MEMBER, is_own=True),
    "plots.end_planting": Row(MEMBER, is_own=True),
    "plots.restore_planting": Row(MEMBER, is_own=True),
    # plants
    "plants.plants_page": Row(BOARD),
    "plants.crop_page": Row(BOARD),
    "plants.new_crop": Row(MEMBER),
    "plants.new_stage": Row(MEMBER),
    "plants.edit_stage": Row(MEMBER, is_own=True),
    "plants.leave_out": Row(COORDINATOR),
    # covers
    "covers.covers_page": Row(MEMBER),
    "covers.kind_page": Row(MEMBER),
    "covers.new_kind": Row(COORDINATOR),
    "covers.copy_kind": Row(MEMBER),
    "covers.edit_kind": Row(COORDINATOR),
    "covers.new_covers": Row(MEMBER),
    "covers.edit_cover": Row(MEMBER, is_own=True),
    "covers.places_page": Row(MEMBER),
    "covers.new_place": Row(COORDINATOR),
    "covers.edit_place": Row(COORDINATOR),
    # the morning, and whether what was said came
    "morning.morning_page": Row(MEMBER),
    "morning.off": Row(MEMBER),
    "morning.undo": Row(MEMBER),
    "morning.condition": Row(MEMBER, get=404),
    "morning.screen": Row(MEMBER),
    "morning.plot_morning": Row(MEMBER, is_own=True),
    "morning.calibration": Row(MEMBER),
    "morning.past": Row(MEMBER, get=404),
    # loggers that send by themselves
    "readings.take": Row(PUBLIC, has_own_key=True),
    "readings.help_page": Row(PUBLIC),
    "readings.openapi": Row(PUBLIC),
    "readings.loggers_page": Row(COORDINATOR),
    "readings.new_logger": Row(COORDINATOR),
    "readings.edit_logger": Row(COORDINATOR),
    "readings.make_token": Row(COORDINATOR),
    "readings.revoke": Row(COORDINATOR),
    # trials
    "trials.trials_page": Row(MEMBER),
    "trials.new_trial": Row(MEMBER),
    "trials.trial_page": Row(MEMBER),
    "trials.readings_csv": Row(MEMBER),
    "trials.use": Row(MEMBER, is_own=True),
    "trials.leave_out": Row(MEMBER, is_own=True),
    # the store
    "store.store_page": Row(MEMBER),
    "store.label": Row(MEMBER, get=303),
    "store.add_page": Row(MEMBER),
    "store.new_things": Row(MEMBER),
    "store.thing_page": Row(MEMBER),
    "store.edit_thing": Row(MEMBER, is_own=True),
    "store.lend_thing": Row(MEMBER),
    "store.return_thing": Row(MEMBER),
    "store.move_thing": Row(MEMBER, is_own=True),
    "store.damage_thing": Row(MEMBER),
    "store.mend_thing": Row(MEMBER, is_own=True),
    "store.retire_thing": Row(MEMBER, is_own=True),
    "store.put_in": Row(MEMBER),
    "store.add_like": Row(MEMBER),
    "store.thing_photo": Row(MEMBER),
    "store.undo": Row(MEMBER, is_own=True),
    "store.new_lot": Row(MEMBER),
    "store.lot_page": Row(MEMBER),
    "store.edit_lot": Row(MEMBER, is_own=True),
    "store.more_lot": Row(MEMBER),
    "store.use_lot": Row(MEMBER),
    "store.count_lot": Row(MEMBER),
    "store.cut_lot": Row(MEMBER),
    "store.lend_lot": Row(MEMBER),
    "store.return_lot": Row(MEMBER),
    "store.out_lot": Row(MEMBER),
    "store.condition_lot": Row(MEMBER),
    "store.move_lot": Row(MEMBER, is_own=True),
    "store.lot_photo": Row(MEMBER),
    "store.photo": Row(MEMBER, get=404),
    "store.out_page": Row(MEMBER),
    "store.needs_page": Row(MEMBER),
    "store.close_notice": Row(MEMBER, is_own=True),
    "store.reuse_page": Row(MEMBER),
    "store.labels_page": Row(MEMBER),
    "store.stocktake_page": Row(MEMBER),
    "store.tables_page": Row(MEMBER),
    "store.table_csv": Row(MEMBER),
    "store.table_page": Row(COORDINATOR),
    "store.keep_table": Row(COORDINATOR),
    # tables
    "tables.paste": Row(COORDINATOR),
    "tables.preview": Row(COORDINATOR),
    "tables.saved": Row(COORDINATOR, get=404),
    "tables.take_back": Row(COORDINATOR),
    "tables.download": Row(COORDINATOR),
    "tables.grid": Row(COORDINATOR),
    "tables.cells": Row(COORDINATOR),
    # people
    "people.sign_in_page": Row(PUBLIC, get_signed=303),
    "people.sign_out": Row(MEMBER),
    "people.join": Row(PUBLIC),
    "people.join_now": Row(PUBLIC),
    "people.join_by_code": Row(PUBLIC),
    "people.join_with_code": Row(PUBLIC, get=303),
    "people.join_with_code_now": Row(PUBLIC),
    "people.slips": Row(COORDINATOR),
    "people.slips_print": Row(COORDINATOR, get=303),
    "people.me_page": Row(MEMBER),
    "people.password_page": Row(MEMBER),
    "people.sign_out_everywhere": Row(MEMBER),
    "people.make_my_link": Row(MEMBER),
    "people.my_link_page": Row(MEMBER, get=303),
    "people.members_page": Row(COORDINATOR),
    "people.new_member": Row(COORDINATOR),
    "people.member_page": Row(COORDINATOR),
    "people.make_link": Row(COORDINATOR),
    "people.link_page": Row(COORDINATOR, get=303),
    "people.revoke": Row(COORDINATOR),
    "people.let_go": Row(COORDINATOR),
    "people.take_back": Row(COORDINATOR),
    # the garden
    "garden.first_steps": Row(PUBLIC, get=303),
    "garden.settings_page": Row(COORDINATOR),
    "garden.next_steps": Row(COORDINATOR),
    "garden.leave_step": Row(COORDINATOR),
    "garden.log_page": Row(COORDINATOR),
    "garden_map.map_page": Row(BOARD),
    "garden_map.change": Row(COORDINATOR),
    # replay
    "replay.replays_page": Row(COORDINATOR),
    "replay.run_page": Row(COORDINATOR),
    "replay.stop": Row(COORDINATOR),
    # notices, feeds and the nights ahead
    "ahead.nights_ahead": Row(BOARD),
    "feeds.tonight_calendar": Row(BOARD),
    "feeds.tonight_feed": Row(BOARD),
    "feeds.own_calendar": Row(PUBLIC),
    "feeds.own_feed": Row(PUBLIC),
    "feeds.own_data": Row(PUBLIC),
    "feeds.make_link": Row(MEMBER),
    "feeds.link_page": Row(MEMBER, get=303),
    "feeds.end_link": Row(MEMBER),
    "notices.choose_alerts": Row(MEMBER),
    "notices.mine": Row(MEMBER),
    "notices.set_mail": Row(MEMBER),
    "notices.set_hook": Row(MEMBER),
    "notices.stop": Row(MEMBER),
    "notices.send_test": Row(MEMBER),
    "notices.confirm": Row(PUBLIC),
    "notices.garden_page": Row(COORDINATOR),
    "notices.set_timetable": Row(COORDINATOR),
    "notices.try_again": Row(COORDINATOR),
    "notices.mail_server": Row(COORDINATOR),
    "offline.worker": Row(PUBLIC),
    "offline.manifest": Row(PUBLIC),
    "offline.page": Row(PUBLIC),
    # what is held, and whether all is well
    "privacy.mine": Row(MEMBER),
    "privacy.mine_json": Row(MEMBER),
    "privacy.theirs": Row(COORDINATOR),
    "privacy.theirs_json": Row(COORDINATOR),
    "health.healthz": Row(PUBLIC),
    # covers to be built, and the season
    "builds.builds_page": Row(MEMBER),
    "builds.designs_page": Row(MEMBER),
    "builds.new_plan": Row(MEMBER),
    "builds.plan_page": Row(MEMBER),
    "builds.change_plan": Row(MEMBER, is_own=True),
    "builds.cuts_page": Row(MEMBER),
    "builds.make": Row(MEMBER),
    "builds.again": Row(MEMBER),
    "builds.prices": Row(MEMBER),
    "builds.next_page": Row(MEMBER),
    "builds.next_run": Row(MEMBER, get=404),
    "builds.next_stop": Row(MEMBER),
    "season.season_page": Row(BOARD),
    "season.import_page": Row(COORDINATOR),
    "season.forget": Row(COORDINATOR),
    # how the pages look
    "themes.theme_page": Row(PUBLIC),
    # help
    "languages.set_language": Row(PUBLIC, get=303),
    "help_pages.help_page": Row(PUBLIC),
    "help_pages.sources_page": Row(PUBLIC),
    "help_pages.source_page": Row(PUBLIC),
    "handbook.chapter": Row(PUBLIC),
}

VISITORS = ("anonymous, open board", "anonymous, closed board", "member", "coordinator", "revoked")
RANK = {PUBLIC: 0, BOARD: 1, MEMBER: 2, COORDINATOR: 3}
VISITOR_RANK = {
    "anonymous, open board": 1,
    "anonymous, closed board": 0,
    "member": 2,
    "coordinator": 3,
    "revoked": 0,  # the board is closed for this one, so nothing of the old rights may be left
}
# Answers to a form sent with nothing in it by somebody who may send it.
TAKEN = {204, 200, 303, 404, 409, 422}


@dataclass
class World:
    """A garden in which each rule has something to point at."""

    app: Flask
    ids: dict[str, Any]
    cookies: dict[str, str]
    file: Path
    snapshot: sqlite3.Connection

    def client(self, visitor: str) -> FlaskClient:
        client = LoneClient(self.app, self.app.response_class)
        who = self.cookies.get(visitor)
        if who is not None:
            with client.session_transaction() as session:
                session["_user_id"], session["_fresh"] = who, True
                session.permanent = True
        return client

    def path(self, rule: Rule) -> str:
        with self.app.test_request_context():
            from flask import url_for

            return url_for(rule.endpoint, **{name: self.ids[name] for name in rule.arguments})

    def open_board(self, is_open: bool) -> None:
        connection = sqlite3.connect(self.file)
        with connection:
            connection.execute(
                "UPDATE garden SET board_is_open = ?, version = version + 1", (is_open,)
            )
        connection.close()

    def restore(self) -> None:
        """Put every row back as it was; the app is told to forget its connections."""
        with self.app.app_context():
            db.session.remove()
            db.engine.dispose()
        target = sqlite3.connect(self.file)
        self.snapshot.backup(target)
        target.close()

    def dump(self) -> list[str]:
        connection = sqlite3.connect(self.file)
        try:
            return list(connection.iterdump())
        finally:
            connection.close()


@pytest.fixture
def world(app: Flask, make: Factory, tmp_path: Path) -> Iterator[World]:
    coordinator, tamsin, wes = make.coordinator(), make.member("Tamsin"), make.member("Wes")
    gone = make.coordinator("Gone")
    plot = make.plot("A1", holders=(tamsin,))
    stage = make.stage("bean", is_ours=True, added_by_id=tamsin.id)
    planting, cover = make.planting(plot, stage), make.cover(owner_id=tamsin.id)
    place = make.place("tool shed")
    ids: dict[str, Any] = {
        "plot_id": plot.id,
        "planting_id": planting.id,
        "crop_id": stage.crop_id,
        "stage_id": stage.id,
        "kind_id": cover.class_id,
        "cover_id": cover.id,
        "place_id": place.id,
        "member_id": wes.id,
        "job_id": plan_the_night(),
        "run_id": replay_run().id,
        "plan_id": plan_of_a_cover(tamsin),
        "code": cover.code,
        "table": "things",
        "name": "0" * 32 + ".jpg",
        **in_the_store(tamsin),
        "source_id": "KYCOLDFRAME",
        "chapter_name": "changelog",
        "trial_id": keep_a_trial(kind_id=cover.class_id, member=tamsin),
        "logger_id": readings.create_logger(
            entry=readings.LoggerEntry("post 1", plot.id, None, "outside", None, None, 1.0),
            member=coordinator,
            now=NOW,
        )[0],
        "to_language": "es",
        "key": "slips",
        "which": "all",
        "number": 1,
        "sent": importing.send(
            sheets=read_pasted("Plot no\tVegetable\nZ9\tbean"), member=coordinator, now=NOW
        ),
        "evening": "2026-11-23",
        "feed_token": feeds.make_link(member_id=tamsin.id, all_plots=False, now=NOW),
        "way": "mail",
        "outcome_id": keep_a_morning(planting.id),
        **ask_for_mail(tamsin.id),
        "token": people.make_invite(member_id=wes.id, by_id=coordinator.id, now=NOW),
    }
    cookies = {
        "member": f"{tamsin.id}:{tamsin.session_epoch}",
        "other member": f"{wes.id}:{wes.session_epoch}",
        "coordinator": f"{coordinator.id}:{coordinator.session_epoch}",
        "revoked": f"{gone.id}:{gone.session_epoch}",
    }
    people.deactivate(member_id=gone.id, by_id=coordinator.id, now=NOW)
    assert ids["job_id"], "the plan has no job to point at"
    db.session.remove()
    file = tmp_path / "garden.sqlite"
    snapshot = sqlite3.connect(":memory:")
    live = sqlite3.connect(file)
    live.backup(snapshot)
    live.close()
    yield World(app, ids, cookies, file, snapshot)
    snapshot.close()


def keep_a_morning(planting_id: int) -> int:
    row = Outcome(night_of=NOW.date(), planting_id=planting_id, damage="none", entered_at=NOW)
    db.session.add(row)
    db.session.commit()
    return row.id


def replay_run() -> ReplayRun:
    """A replay that has been stopped."""
    run = ReplayRun(
        started_at=NOW,
        record="winter.csv",
        garden="current",
        covers="half",
        seed=1,
        status="stopped",
        nights_total=9,
        heard_at=NOW,
        finished_at=NOW,
        started_by_id=None,
        result=None,
    )
    db.session.add(run)
    db.session.commit()
    return run


def plan_of_a_cover(member: Member) -> int:
    """A plan of a cover, made by `member`."""
    entry = PlanEntry("tote", usual_sizes("tote"), Need(150.0, 100.0, 2))
    return designing.add_plan(entry=entry, member=member, now=NOW)


def ask_for_mail(member_id: int) -> dict[str, Any]:
    """An address that waits to be confirmed, and the notice that asks for it."""
    telling.set_mail(
        member_id=member_id,
        address="tamsin@example.org",
        all_plots=False,
        tells_quiet=False,
        pages_at="http://garden.test",
        now=NOW,
    )
    row = db.session.scalars(select(OutgoingNotice)).one()
    token = row.body["text"].partition("/notices/confirm/")[2].split()[0]
    return {"confirm_token": token, "notice_id": row.id}


def in_the_store(owner: Member) -> dict[str, int]:
    """A material of `owner`'s, with an entry that may be undone, and an ask."""
    lot_id = lots.add_lot(
        entry=LotEntry("String", "string", "m", owner_id=owner.id),
        quantity_milli=50_000,
        place_id=None,
        member=owner,
        now=NOW,
    )
    more = Happening("acquired", quantity_milli=1_000)
    acts.do(subject=material(lot_id), happening=more, member=owner, now=NOW)
    newest = select(LedgerEntry.id).where(LedgerEntry.lot_id == lot_id, LedgerEntry.number == 2)
    notice_id = needs.add_notice(
        kind="ask", what="six pallets", how_much="", note="", member=owner, now=NOW
    )
    return {
        "lot_id": lot_id,
        "entry_id": db.session.scalars(newest).one(),
        "notice_id": notice_id,
    }


def plan_the_night() -> int:
    """A cold night with a plan, and the first of its jobs."""
    evening = date(2026, 11, 24)
    forecasts.enter_by_hand(night_of=evening, low_c=-1.0, member_id=None, now=NOW)
    plan_night.plan_night(night_of=evening, member_id=None, now=NOW)
    return int(db.session.scalars(select(Job.id)).first() or 0)


def keep_a_trial(*, kind_id: int, member: Member) -> int:
    """A trial entered by `member`."""
    inside, outside = trial_files(days=1.5)
    return cover_trials.keep_trial(
        entry=cover_trials.TrialEntry(kind_id, None, "", True, "clear", "", None),
        inside=cover_trials.LoggerFile("in.csv", inside, LoggerOptions()),
        outside=cover_trials.LoggerFile("out.csv", outside, LoggerOptions()),
        form_key="",
        member=member,
        now=NOW,
    )


def rules(app: Flask) -> list[Rule]:
    return [rule for rule in app.url_map.iter_rules() if rule.endpoint != "static"]


def token_for(app: Flask, client: FlaskClient) -> str:
    """A token of this visitor's own session."""
    from flask import session as inner
    from flask_wtf.csrf import generate_csrf

    with (
        client.session_transaction() as session,
        app.app_context(),
        app.test_request_context(),
    ):
        inner.update(dict(session))
        token: str = generate_csrf()
        session["csrf_token"] = inner["csrf_token"]
    return token


def said(response: TestResponse) -> str:
    where = response.headers.get("Location", "")
    return "sign in" if where.startswith("/sign-in?") else str(response.status_code)


def test_every_rule_has_a_line_in_the_table_and_carries_its_level(app: Flask) -> None:
    endpoints = {rule.endpoint for rule in rules(app)}

    assert endpoints - set(ROWS) == set(), "add a line to ROWS"
    assert set(ROWS) - endpoints == set(), "take the line out of ROWS"
    carried = {e: getattr(app.view_functions[e], "access_level", None) for e in endpoints}
    assert carried == {endpoint: row.level for endpoint, row in ROWS.items()}


def test_no_rule_takes_other_methods_than_these(app: Flask) -> None:
    for rule in rules(app):
        assert rule.methods is not None
        assert rule.methods <= {"GET", "HEAD", "OPTIONS", "POST"}, rule


@pytest.mark.parametrize("visitor", VISITORS)
def test_reading(world: World, visitor: str) -> None:
    world.open_board(visitor not in {"anonymous, closed board", "revoked"})
    wrong = []

    for rule in rules(world.app):
        row = ROWS[rule.endpoint]
        for method in sorted((rule.methods or set()) & {"GET", "HEAD"}):
            answer = said(world.client(visitor).open(world.path(rule), method=method))
            wanted = str(row.get)
            if VISITOR_RANK[visitor] >= 2 and row.get_signed is not None:
                wanted = str(row.get_signed)
            wanted = refusal(visitor, row) or wanted
            if method == "HEAD" and wanted.isdigit() and answer.isdigit():
                # Which of the allowed answers is each page's own business.
                if (answer == "403") != (wanted == "403") or answer == "500":
                    wrong.append(f"{method} {rule}: {answer}, wanted {wanted}")
            elif answer != wanted:
                wrong.append(f"{method} {rule}: {answer}, wanted {wanted}")

    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("visitor", VISITORS)
def test_sending_a_form(world: World, visitor: str) -> None:
    is_open = visitor not in {"anonymous, closed board", "revoked"}
    wrong = []

    for rule in rules(world.app):
        if "POST" not in (rule.methods or set()):
            continue
        world.restore()
        world.open_board(is_open)
        before = world.dump()
        client = world.client(visitor)
        token = token_for(world.app, client)
        response = client.post(world.path(rule), data={"csrf_token": token})
        answer, refused = said(response), refusal(visitor, ROWS[rule.endpoint])
        if ROWS[rule.endpoint].has_own_key:
            if answer != "401" or world.dump() != before:
                wrong.append(f"POST {rule}: {answer}, wanted 401 and no change")
            continue
        if refused and (answer != refused or world.dump() != before):
            wrong.append(f"POST {rule}: {answer}, wanted {refused} and no change")
        if not refused and (answer == "sign in" or response.status_code not in TAKEN):
            wrong.append(f"POST {rule}: {answer}, should have been taken")

    assert not wrong, "\n".join(wrong)


def refusal(visitor: str, row: Row) -> str | None:
    """What a visitor who may not gets; None for one who may."""
    if VISITOR_RANK[visitor] >= RANK[row.level]:
        return None
    return "403" if VISITOR_RANK[visitor] >= 2 else "sign in"


def test_another_members_things_cannot_be_changed(world: World) -> None:
    own = [rule for rule in rules(world.app) if ROWS[rule.endpoint].is_own]
    wrong = []

    for rule in own:
        for method in sorted((rule.methods or set()) & {"GET", "POST"}):
            world.restore()
            before = world.dump()
            client = world.client("other member")
            data = {"csrf_token": token_for(world.app, client)}
            response = client.open(
                world.path(rule), method=method, data=data if method == "POST" else None
            )
            if response.status_code not in {403, 404} or world.dump() != before:
                wrong.append(f"{method} {rule}: {said(response)}")

    assert len(own) >= 5
    assert not wrong, "\n".join(wrong)


def test_a_form_without_a_token_or_with_anothers_is_not_taken(world: World) -> None:
    stranger = world.client("member")
    foreign = token_for(world.app, stranger)
    before = world.dump()
    wrong = []

    for rule in rules(world.app):
        if "POST" not in (rule.methods or set()):
            continue
        for kind, data in (("no", {}), ("a foreign", {"csrf_token": foreign})):
            response = world.client("coordinator").post(world.path(rule), data=data)
            if response.status_code != (401 if ROWS[rule.endpoint].has_own_key else 400):
                wrong.append(f"{rule} with {kind} token: {response.status_code}")

    assert not wrong, "\n".join(wrong)
    assert world.dump() == before


@pytest.mark.parametrize("visitor", ["anonymous, open board", "member", "coordinator"])
def test_reading_changes_no_row(world: World, visitor: str) -> None:
    before = world.dump()

    for rule in rules(world.app):
        for method in sorted((rule.methods or set()) & {"GET", "HEAD", "OPTIONS"}):
            world.client(visitor).open(world.path(rule), method=method)

    assert world.dump() == before


def test_a_view_without_a_mark_is_refused_to_everybody(world: World) -> None:
    world.app.view_functions["help_pages.help_page"] = lambda: "open"

    answers = {world.client(visitor).get("/help").status_code for visitor in VISITORS}

    assert answers == {403}


def test_before_there_is_a_garden_every_page_leads_to_the_first_steps(app: Flask) -> None:
    client = LoneClient(app, app.response_class)
    for rule in rules(app):
        row = ROWS[rule.endpoint]
        if row.level == PUBLIC or rule.arguments or "GET" not in (rule.methods or set()):
            continue

        response = client.get(str(rule))

        assert (response.status_code, response.headers["Location"]) == (303, "/first-steps"), rule


@pytest.mark.parametrize("number", ["99999999999999999999", "2147483648", "-1", "0x1", "1e3"])
def test_an_impossible_number_in_an_address_is_not_found(world: World, number: str) -> None:
    client = world.client("coordinator")
    for rule in rules(world.app):
        is_numbered = "_id" in str(rule.arguments) and "source_id" not in rule.arguments
        if "GET" not in (rule.methods or set()) or not is_numbered:
            continue
        path = str(rule)
        start, end = path.index("<"), path.index(">")

        response = client.get(path[:start] + number + path[end + 1 :])

        # 405 where another method's rule of the same shape was looked at last
        assert response.status_code in {404, 405}, path


def test_the_revoked_members_cookie_is_that_of_nobody(world: World) -> None:
    with world.app.app_context():
        number = int(world.cookies["revoked"].partition(":")[0])
        gone = db.session.get(Member, number)
        assert gone is not None
        assert not gone.is_active

    response = world.client("revoked").get("/members")

    assert said(response) == "sign in"
