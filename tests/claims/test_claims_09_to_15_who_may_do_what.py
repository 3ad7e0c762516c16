"""Claims 9 to 11 and 13 to 15: levels, guessed ids, forged forms, sessions, guessing.

The table and the generated requests are in `tests/web/test_access_matrix.py`.
"""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import pytest
from flask import Flask

from gardenapp.services.garden import people
from gardenapp.services.garden.people import WrongPassword
from tests.claims.pointing import proved_by
from tests.factories import PASSWORD, Factory
from tests.phones import Phone
from tests.web.test_access_matrix import World, rules

MATRIX = "tests.web.test_access_matrix"
TRIES = 12


def test_claim_09_every_rule_times_every_visitor_is_in_one_table() -> None:
    proved_by(
        MATRIX,
        "test_every_rule_has_a_line_in_the_table_and_carries_its_level",
        "test_reading",
        "test_sending_a_form",
        "test_a_view_without_a_mark_is_refused_to_everybody",
    )


def test_claim_10_what_is_anothers_cannot_be_reached_by_guessing() -> None:
    proved_by(
        MATRIX,
        "test_another_members_things_cannot_be_changed",
        "test_an_impossible_number_in_an_address_is_not_found",
    )
    proved_by(
        "tests.web.garden.test_plots",
        "test_another_members_plot_is_refused",
        "test_a_planting_of_another_plot_is_not_copied",
    )


@pytest.mark.sqlite
def test_claim_10_a_number_that_is_nobodys_is_not_found_and_changes_nothing(world: World) -> None:
    before = world.dump()
    wrong = []
    real = dict(world.ids)
    world.ids.update({k: 999_999_999 for k, v in real.items() if isinstance(v, int)})
    numbered = [r for r in rules(world.app) if any(isinstance(real[a], int) for a in r.arguments)]

    for rule in numbered:
        for method in sorted((rule.methods or set()) & {"GET", "POST"}):
            client = world.client("coordinator")
            from tests.web.test_access_matrix import token_for

            data = {"csrf_token": token_for(world.app, client)} if method == "POST" else None
            response = client.open(world.path(rule), method=method, data=data)
            allowed = {404, 405, 422, 409} | ({303} if method == "POST" else set())
            # A printed sign leads to the board, whether its plot is there or not.
            if rule.endpoint == "board.plot_sign":
                allowed.add(303)
            if response.status_code not in allowed:
                wrong.append(f"{method} {rule}: {response.status_code}")

    assert len(numbered) >= 25
    assert not wrong, "\n".join(wrong)
    assert world.dump() == before


def test_claim_11_a_form_needs_this_sessions_own_token() -> None:
    proved_by(
        MATRIX,
        "test_a_form_without_a_token_or_with_anothers_is_not_taken",
        "test_reading_changes_no_row",
        "test_no_rule_takes_other_methods_than_these",
    )


def test_claim_13_signing_in_renews_and_signing_out_ends() -> None:
    proved_by(
        "tests.web.garden.test_people",
        "test_a_cookie_planted_before_signing_in_is_useless_after",
        "test_what_was_in_the_session_before_is_dropped",
        "test_a_cookie_saved_before_the_end_of_a_session_is_useless_after",
        "test_a_role_taken_away_counts_at_once",
        "test_changing_the_password_keeps_this_phone_and_ends_the_others",
    )


def test_claim_14_guessing_slows_down_and_keeps_nobody_else_out() -> None:
    proved_by(
        "tests.services.garden.test_throttle",
        "test_after_five_failures_even_the_right_password_waits",
        "test_a_stranger_elsewhere_cannot_keep_a_coordinator_out",
        "test_other_names_from_the_same_address_are_not_held_up_by_one",
        "test_failures_survive_a_rollback_and_a_restart",
        "test_tries_sent_at_once_do_not_slip_past_the_limit",
    )
    proved_by(
        "tests.web.garden.test_people",
        "test_a_forged_forwarding_header_does_not_make_another_address",
    )


def test_claim_15_known_and_unknown_names_look_alike() -> None:
    proved_by(
        "tests.services.garden.test_people",
        "test_unknown_passwordless_and_let_go_are_answered_alike",
        "test_an_unknown_name_costs_a_hash_as_a_known_one_does",
    )
    proved_by("tests.web.garden.test_people", "test_known_and_unknown_names_get_the_same_page")


def test_claim_15_and_take_the_same_processor_time(app: Flask, make: Factory) -> None:
    make.member("Bertil", password=PASSWORD)

    def spent(name: str) -> float:
        took = []
        for number in range(TRIES):
            began = time.process_time()
            with pytest.raises(WrongPassword):
                people.sign_in(
                    name=name,
                    password="not the one",
                    address=f"198.51.100.{number}",
                    now=make.now,
                )
            took.append(time.process_time() - began)
        return statistics.median(took)

    spent("Bertil")
    known, unknown = spent("Bertil"), spent("Nobody At All")

    assert abs(known - unknown) / max(known, unknown) < 0.25, (known, unknown)


def test_claim_14_links_that_are_guessed_are_slowed_down_or_too_long_to_guess() -> None:
    proved_by(
        "tests.services.garden.test_people",
        "test_a_link_has_128_random_bits_or_more_and_only_its_hash_is_kept",
    )
    assert people.INVITE_BYTES * 8 >= 128


def test_claim_10_the_object_is_checked_in_the_service_and_not_only_on_the_page() -> None:
    source = Path(people.__file__).read_text("utf-8")

    assert source.count("require_coordinator(session, by_id)") >= 6


def test_claim_12_a_form_open_too_long_comes_back_whole(app: Flask, make: Factory) -> None:
    phone = Phone(app).sign_in(make.coordinator())
    form = phone.get("/plots/new")
    typed = form.values() | {"label": "Plot <9>", "note": "two\nlines", "csrf_token": "old"}
    here = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}

    back = phone.post("/plots/new", typed, status=400, headers=here)

    kept = back.values()
    assert {k: v for k, v in kept.items() if k != "csrf_token"} == {
        k: v for k, v in typed.items() if k != "csrf_token"
    }
    sent = phone.post("/plots/new", kept)
    assert phone.follow(sent).status == 200
    assert "Plot <9>" in phone.get("/plots").text


def test_claim_12_a_password_does_not_come_back_and_a_strangers_form_is_not_shown(
    app: Flask, make: Factory
) -> None:
    phone = Phone(app).sign_in(make.coordinator("Odile", password=PASSWORD))
    typed = {"current": PASSWORD, "new": "another long one", "csrf_token": "old"}

    back = phone.post("/me/password", typed, status=400, headers={"Sec-Fetch-Site": "same-origin"})
    assert PASSWORD not in back.html
    for headers in (
        {"Sec-Fetch-Site": "cross-site"},
        {"Origin": "https://elsewhere.example"},
        {"Referer": "https://elsewhere.example/x"},
        {},
    ):
        foreign = phone.post(
            "/plots/new", {"label": "planted", "csrf_token": "old"}, status=400, headers=headers
        )
        assert "planted" not in foreign.html
