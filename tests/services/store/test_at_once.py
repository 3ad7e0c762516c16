"""Twenty people at once, on both databases: one gets the last tote, the others a clear answer."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask
from flask_migrate import downgrade, upgrade
from sqlalchemy import func, select, text

from gardenapp import create_app
from gardenapp.extensions import db
from gardenapp.models.covers import Cover
from gardenapp.models.store import LedgerEntry, Loan, Lot
from gardenapp.services.store import ledger, lots
from gardenapp.services.store.lots import LotEntry
from tests.conftest import NOW, make_settings
from tests.factories import Factory
from tests.pages import Pages
from tests.postgres import postgres_server, postgres_url  # noqa: F401  (fixtures)

WORKERS = 20
DUE = (NOW.date() + timedelta(days=7)).isoformat()


@pytest.fixture(params=[pytest.param("sqlite", marks=pytest.mark.sqlite), "postgresql"])
def any_app(request: pytest.FixtureRequest, tmp_path: Path, migrated_file: Path) -> Iterator[Flask]:
    """The app on a database file, and on a server."""
    if request.param == "sqlite":
        request.getfixturevalue("settings")
        settings = make_settings(tmp_path)
    else:
        url = request.getfixturevalue("postgres_url")
        settings = make_settings(tmp_path, database_url=url)
    app = create_app(
        settings,
        overrides={
            "TESTING": True,
            "PROPAGATE_EXCEPTIONS": False,
            "CLOCK": lambda: NOW,
        },
    )
    with app.app_context():
        if request.param == "postgresql":
            upgrade()
            db.session.remove()
    yield app
    with app.app_context():
        db.session.remove()
        db.engine.dispose()


def all_at_once(work: Callable[[int], None]) -> list[BaseException]:
    """Run `work` in as many threads as there are workers, begun together."""
    gate, errors = threading.Barrier(WORKERS), []

    def run(number: int) -> None:
        gate.wait(30)
        try:
            work(number)
        except BaseException as error:  # every kind of failure is told in the main thread
            errors.append(error)

    threads = [threading.Thread(target=run, args=(number,)) for number in range(WORKERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    return errors


def test_the_last_tote_goes_to_one_and_nineteen_are_told_who_has_it(any_app: Flask) -> None:
    with any_app.app_context():
        make = Factory(NOW)
        members = [make.member(f"Member {number}") for number in range(WORKERS)]
        tote_id = make.cover(label="The last tote").id
        phones = [Pages(any_app).sign_in(member) for member in members]
        ids = [member.id for member in members]
        db.session.remove()
    path = f"/store/things/{tote_id}"
    tokens = [phone._token() for phone in phones]
    answers: dict[int, tuple[int, str]] = {}

    def borrow(number: int) -> None:
        response = phones[number].client.post(
            f"{path}/lend",
            data={
                "csrf_token": tokens[number],
                "lend-to_id": str(ids[number]),
                "lend-due_on": DUE,
            },
        )
        answers[number] = (response.status_code, response.text)

    errors = all_at_once(borrow)

    assert errors == []
    codes = sorted(code for code, _page in answers.values())
    assert codes == [303] + [409] * (WORKERS - 1)
    winner = next(number for number, (code, _page) in answers.items() if code == 303)
    for number, (code, page) in answers.items():
        if code == 409:
            told = f"Member {winner} has it until" in page or "at the same moment" in page
            assert told, (number, page[:2_000])
    with any_app.app_context():
        assert db.session.scalar(select(func.count()).select_from(Loan)) == 1
        assert ledger.differences() == []


def test_twenty_take_from_a_lot_of_twelve_and_it_never_goes_below_nothing(any_app: Flask) -> None:
    with any_app.app_context():
        make = Factory(NOW)
        member = make.member("Wes")
        lot_id = lots.add_lot(
            entry=LotEntry("Salad boxes", "box"),
            quantity_milli=12_000,
            place_id=None,
            member=member,
            now=NOW,
        )
        phones = [Pages(any_app).sign_in(member) for _ in range(WORKERS)]
        db.session.remove()
    path = f"/store/materials/{lot_id}"
    tokens = [phone._token() for phone in phones]
    codes: list[int] = []

    def take(number: int) -> None:
        response = phones[number].client.post(
            f"{path}/use",
            data={"csrf_token": tokens[number], "use-quantity": "1", "use-went_to": "used up"},
        )
        codes.append(response.status_code)

    errors = all_at_once(take)

    assert errors == []
    assert set(codes) <= {303, 409}
    with any_app.app_context():
        lot = db.session.get(Lot, lot_id)
        assert lot is not None
        # One that was refused because somebody else was writing may leave one more there.
        assert lot.on_hand_milli == 12_000 - 1_000 * codes.count(303)
        assert lot.on_hand_milli >= 0
        assert ledger.differences() == []


def test_the_same_press_from_twenty_connections_is_done_once(any_app: Flask) -> None:
    with any_app.app_context():
        make = Factory(NOW)
        member = make.member("Wes")
        lot_id = lots.add_lot(
            entry=LotEntry("Salad boxes", "box"),
            quantity_milli=10_000,
            place_id=None,
            member=member,
            now=NOW,
        )
        phones = [Pages(any_app).sign_in(member) for _ in range(WORKERS)]
        db.session.remove()
    path = f"/store/materials/{lot_id}"
    tokens = [phone._token() for phone in phones]
    codes: list[int] = []

    def press(number: int) -> None:
        data = {"csrf_token": tokens[number], "more-quantity": "3", "more-key": "a" * 32}
        codes.append(phones[number].client.post(f"{path}/more", data=data).status_code)

    errors = all_at_once(press)

    assert errors == []
    assert set(codes) <= {303, 409}
    with any_app.app_context():
        lot = db.session.get(Lot, lot_id)
        assert lot is not None
        assert lot.on_hand_milli == 13_000


def test_the_tables_go_up_and_down_on_both_and_the_covers_get_their_history(
    any_app: Flask,
) -> None:
    with any_app.app_context():
        make = Factory(NOW)
        shed = make.place()
        make.cover(label="Tote 1", place_id=shed.id, condition="worn")
        covers_before = db.session.scalar(select(func.count()).select_from(Cover))
        db.session.remove()
        downgrade(revision="0001b")
        with db.engine.connect() as connection:
            assert connection.scalar(text("SELECT count(*) FROM cover")) == covers_before
        upgrade()

        cover = db.session.scalars(select(Cover)).one()
        entry = db.session.scalars(select(LedgerEntry)).one()
        assert (cover.status, cover.ledger_number, len(cover.code)) == ("here", 1, 8)
        assert (entry.action, entry.place_id, entry.condition) == ("acquired", shed.id, "worn")
        assert ledger.differences() == []
