"""What a service writes is written whole or not at all, and read before it is changed."""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from flask import Flask
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError, OperationalError

from gardenapp.errors import Busy
from gardenapp.extensions import BUSY_TIMEOUT_MS, db
from gardenapp.models.people import Garden, Member
from gardenapp.models.plots import StorePlace
from gardenapp.services import transaction
from gardenapp.services.transaction import write_transaction
from tests.factories import Factory


def version() -> int:
    db.session.rollback()
    return db.session.scalars(select(Garden.version)).one()


def places() -> list[str]:
    db.session.rollback()
    return list(db.session.scalars(select(StorePlace.label).order_by(StorePlace.label)))


def test_what_was_written_is_kept_and_kept_pages_are_told_they_are_old(make: Factory) -> None:
    make.garden()
    before = version()

    with write_transaction() as session:
        session.add(StorePlace(label="north shed"))

    assert places() == ["north shed"]
    assert version() == before + 1


def test_what_no_board_shows_makes_no_board_anew(make: Factory) -> None:
    make.garden()
    before = version()

    with write_transaction(changes_board=False) as session:
        session.add(StorePlace(label="north shed"))

    assert places() == ["north shed"]
    assert version() == before


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_after_any_error_nothing_was_written_and_the_next_may_write(
    make: Factory, error: type[BaseException]
) -> None:
    make.garden()
    before = version()

    with pytest.raises(error), write_transaction() as session:
        session.add(StorePlace(label="half done"))
        session.flush()
        raise error

    assert not db.session().in_transaction()  # nobody who wants to write is kept waiting
    assert places() == []
    assert version() == before
    with write_transaction() as session:
        session.add(StorePlace(label="north shed"))
    assert places() == ["north shed"]


def test_what_the_database_refuses_at_the_end_leaves_nothing_behind(make: Factory) -> None:
    make.garden()
    make.place("north shed")
    before = version()

    with pytest.raises(IntegrityError), write_transaction() as session:
        session.add_all([StorePlace(label="south shed"), StorePlace(label="north shed")])

    assert places() == ["north shed"]
    assert version() == before


def _add(row: StorePlace) -> None:
    db.session.add(StorePlace(label="changed before"))


def _change(row: StorePlace) -> None:
    row.label = "changed before"


def _delete(row: StorePlace) -> None:
    db.session.delete(row)


@pytest.mark.parametrize("change", [_add, _change, _delete])
def test_it_begins_before_anything_is_changed(
    make: Factory, change: Callable[[StorePlace], None]
) -> None:
    make.garden()
    change(make.place("north shed"))

    with pytest.raises(RuntimeError, match="before anything is changed"), write_transaction():
        pytest.fail("it began all the same")

    assert places() == ["north shed"]


def test_what_somebody_else_wrote_after_it_was_read_is_seen_and_stops_nothing(
    app: Flask, make: Factory
) -> None:
    make.garden(minutes_budget=10.0)
    assert db.session.scalar(select(Garden.minutes_budget)) == 10.0  # leaves a snapshot open

    def other() -> None:
        with app.app_context(), write_transaction() as session:
            session.get_one(Garden, 1).minutes_budget = 20.0

    with ThreadPoolExecutor(1) as pool:
        pool.submit(other).result(60)

    with write_transaction() as session:
        garden = session.get_one(Garden, 1, populate_existing=True)
        assert garden.minutes_budget == 20.0
        garden.minutes_budget = 30.0

    db.session.rollback()
    assert db.session.scalar(select(Garden.minutes_budget)) == 30.0


def test_of_many_who_read_and_add_one_none_is_lost(app: Flask, make: Factory) -> None:
    make.garden(minutes_budget=0.0)
    before = version()
    db.session.remove()

    def add_one(_: int) -> None:
        with app.app_context(), write_transaction() as session:
            garden = session.get_one(Garden, 1, populate_existing=True)
            garden.minutes_budget = (garden.minutes_budget or 0.0) + 1.0

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(add_one, range(30)))

    assert version() == before + 30
    assert db.session.scalar(select(Garden.minutes_budget)) == 30.0


# --- writers that wait, and readers that go on ------------------------------------------------


def test_while_one_waits_for_the_lock_too_many_more_are_told_to_come_again() -> None:
    gate, inside, done = transaction._Gate(2, stuck_s=0.05), threading.Barrier(3), threading.Event()

    def stuck() -> None:
        with gate.pass_through():
            inside.wait(5)
            done.wait(5)

    threads = [threading.Thread(target=stuck) for _ in range(2)]
    for thread in threads:
        thread.start()
    inside.wait(5)
    try:
        with pytest.raises(Busy, match="Try again"), gate.pass_through():
            raise AssertionError("there was no place")
    finally:
        done.set()
        for thread in threads:
            thread.join(5)
    with gate.pass_through() as got_it:
        got_it()


def test_while_writing_is_quick_everybody_gets_their_turn() -> None:
    gate, passed, lock = transaction._Gate(2, stuck_s=1.0), [], threading.Lock()

    def write(number: int) -> None:
        with gate.pass_through() as got_it:
            got_it()
            with lock:
                passed.append(number)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(40)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)

    assert sorted(passed) == list(range(40))


@pytest.mark.sqlite
def test_readers_go_on_while_the_database_is_locked(app: Flask, make: Factory) -> None:
    make.coordinator()
    db.session.remove()
    held = sqlite3.connect(Path(app.instance_path) / "garden.sqlite", isolation_level=None)
    held.execute("BEGIN IMMEDIATE")
    pool, refused = ThreadPoolExecutor(8), []

    def write() -> None:
        with app.app_context():
            try:
                with transaction.write_transaction() as session:
                    session.add(StorePlace(label=f"{threading.get_ident()} {time.monotonic()}"))
            except (Busy, OperationalError) as error:
                refused.append(type(error))
            finally:
                db.session.remove()

    def read() -> int:
        with app.app_context():
            try:
                return len(db.session.scalars(select(Member)).all())
            finally:
                db.session.remove()

    try:
        writing = [pool.submit(write) for _ in range(20)]
        began_s = time.monotonic()
        assert pool.submit(read).result(timeout=60) == 1
        waited_s = time.monotonic() - began_s
    finally:
        held.execute("ROLLBACK")
        held.close()
    for each in writing:
        each.result(timeout=60)
    pool.shutdown()

    # Before, eight writers held every thread for the ten seconds that SQLite waits.
    assert waited_s < BUSY_TIMEOUT_MS / 1_000 / 2
    assert Busy in refused
