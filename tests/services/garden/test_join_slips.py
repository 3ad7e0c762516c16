"""Slips to join with: made in one go, found by their code, used once, and hard to guess."""

from __future__ import annotations

import hmac
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta

import pytest
from flask import Flask
from sqlalchemy import event, func, select, text

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Invite, LogEntry, Member, SignInTry
from gardenapp.services.garden import join_slips, people, throttle
from gardenapp.services.garden.join_slips import Slip
from gardenapp.services.garden.settings import CODE_LETTERS
from gardenapp.services.upkeep import privacy
from gardenapp.words import speaking
from tests.conftest import NOW
from tests.factories import PASSWORD, Factory
from tests.quick_hashes import quick_hashes  # noqa: F401  (a fixture, found by name)
from tests.services.garden.sign_ins import ELSEWHERE, HOME

pytestmark = pytest.mark.usefixtures("quick_hashes")

SECRET = "the app's own secret, which is in no database"


def printed(
    *members: Member, by: Member | None = None, at: datetime = NOW, secret: str = SECRET
) -> tuple[Slip, ...]:
    """Make slips and read them, as the page does."""
    seed = join_slips.new_seed()
    by_id = None if by is None else by.id
    join_slips.make_slips(
        member_ids=[m.id for m in members], seed=seed, secret=secret, by_id=by_id, now=at
    )
    return join_slips.read_slips(seed=seed, secret=secret, now=at)


def typed(code: str, *, address: str = HOME, at: datetime = NOW, secret: str = SECRET) -> str:
    return join_slips.find_by_code(typed=code, secret=secret, address=address, now=at)


def guess(times: int, *, address: str = HOME, at: datetime = NOW) -> None:
    """Wrong codes from one address, as many as are taken."""
    for _ in range(times):
        with pytest.raises(join_slips.WrongCode):
            typed("2222-2222", address=address, at=at)


# --- who gets one -----------------------------------------------------------------------------


def test_whoever_used_a_link_once_or_has_a_password_has_joined(make: Factory) -> None:
    odile = make.coordinator(password=PASSWORD)
    by_link, waiting = make.member("Link"), make.member("Waiting")
    people.redeem_invite(
        token=people.make_invite(member_id=by_link.id, by_id=None, now=NOW), now=NOW
    )
    people.make_invite(member_id=waiting.id, by_id=None, now=NOW)  # made, and never used
    gone = make.member("Gone")
    people.deactivate(member_id=gone.id, by_id=odile.id, now=NOW)

    found = {one.name: one.has_joined for one in join_slips.list_candidates()}

    assert found == {"Odile": True, "Link": True, "Waiting": False}


def test_a_slip_says_name_plots_language_and_until_when(make: Factory) -> None:
    make.garden(language="es")
    tamsin, wes = make.member("Tamsin", language="en"), make.member("Wes")
    make.plot("B2", holders=(tamsin,))
    make.plot("A1", holders=(tamsin, wes))

    one, other = printed(wes, tamsin)

    assert (one.name, one.plots, one.language) == ("Tamsin", ("A1", "B2"), "en")
    assert (other.name, other.plots, other.language) == ("Wes", ("A1",), "es")
    assert one.expires_at == NOW + timedelta(days=people.INVITE_DAYS)


def test_only_coordinators_make_slips_and_nobody_for_those_let_go(make: Factory) -> None:
    odile, tamsin, gone = make.coordinator(), make.member("Tamsin"), make.member("Gone")
    people.deactivate(member_id=gone.id, by_id=odile.id, now=NOW)

    with pytest.raises(NotAllowed):
        printed(tamsin, by=tamsin)
    with pytest.raises(Refused, match="nobody to make a slip for"):
        printed(gone, by=odile)
    assert [slip.name for slip in printed(gone, tamsin, by=odile)] == ["Tamsin"]
    assert db.session.scalar(select(func.count()).select_from(Invite)) == 1


def test_candidates_stand_by_name_and_the_number_of_slips_is_told(make: Factory) -> None:
    wes, tamsin = make.member("Wes"), make.member("Tamsin")

    assert [one.name for one in join_slips.list_candidates()] == ["Tamsin", "Wes"]
    made = join_slips.make_slips(
        member_ids=[wes.id, tamsin.id, 999],
        seed=join_slips.new_seed(),
        secret=SECRET,
        by_id=None,
        now=NOW,
    )
    assert made == 2


def test_boards_that_are_kept_stay_good(make: Factory) -> None:
    garden, tamsin = make.garden(), make.member("Tamsin")
    before = garden.version

    (slip,) = printed(tamsin)
    join_slips.redeem(found=typed(slip.code), now=NOW)

    db.session.refresh(garden)
    assert garden.version == before


def test_without_a_garden_there_are_no_slips(app: Flask) -> None:
    with app.app_context(), pytest.raises(NotFound, match="no garden yet"):
        join_slips.read_slips(seed=join_slips.new_seed(), secret=SECRET, now=NOW)


def test_a_print_of_two_hundred_takes_as_many_statements_as_one_of_two(
    app: Flask, make: Factory
) -> None:
    odile = make.coordinator()
    members = [make.member(f"Member of plot {number}") for number in range(200)]
    for member in members[:20]:
        make.plot(holders=(member,))
    counts = []
    for some in (members[:2], members):
        seen: list[str] = []

        def note(_c: object, _k: object, statement: str, *_rest: object) -> None:
            seen.append(statement)  # noqa: B023  (used up within this round)

        event.listen(db.engine, "before_cursor_execute", note)
        assert len(printed(*some, by=odile)) == len(some)
        event.remove(db.engine, "before_cursor_execute", note)
        counts.append(len(seen))

    assert counts[0] == counts[1] <= 15


def test_making_slips_stands_in_the_log_with_names_and_without_codes(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    (slip,) = printed(tamsin, by=odile)
    join_slips.redeem(found=typed(slip.code), now=NOW)

    lines = db.session.execute(select(LogEntry.action, LogEntry.subject, LogEntry.detail)).all()

    assert [tuple(line) for line in lines] == [
        ("made a join slip", "Tamsin", ""),
        ("signed in", "Tamsin", "by code"),
    ]


# --- the code ---------------------------------------------------------------------------------


def test_codes_are_eight_letters_that_are_not_taken_for_one_another(make: Factory) -> None:
    slips = printed(*[make.member() for _ in range(300)])

    codes = {slip.code for slip in slips}
    assert len(codes) == 300
    assert set("".join(codes)) == set(CODE_LETTERS)
    assert {len(code) for code in codes} == {8}
    assert not set(CODE_LETTERS) & set("0O1ILU")
    assert join_slips.written("K7MX2QRT") == "K7MX-2QRT"
    # The claim of `throttle`: two weeks of all the tries there are, at two hundred codes.
    tries = join_slips.TRIES_FROM_ALL * 24 * people.INVITE_DAYS
    assert 1 / 6_000 < tries * 200 / len(CODE_LETTERS) ** 8 < 1 / 4_500


def test_no_letter_of_a_code_is_likelier_than_another(make: Factory) -> None:
    """Chi squared of each place over 300 codes, 29 degrees of freedom.

    common practice, no source: above 80 chance is beyond one in a million.
    """
    slips = printed(*[make.member() for _ in range(300)])

    for place in range(8):
        letters = [slip.code[place] for slip in slips]
        expected = len(letters) / len(CODE_LETTERS)
        chi = sum((letters.count(c) - expected) ** 2 / expected for c in CODE_LETTERS)
        assert chi < 80, (place, chi)


def test_one_print_says_nothing_about_another(make: Factory) -> None:
    tamsin = make.member("Tamsin")
    (before,), (after,) = printed(tamsin), printed(tamsin)

    assert before.code != after.code
    assert before.token != after.token


@pytest.mark.parametrize(
    "how",
    [
        "{}", " {} ", "{}\n", "{a}-{b}", "{a} {b}", "{a}\u2013{b}", "{a}\u2212{b}", "{a}\u00a0{b}",
        "{a}.{b}", "{a}_{b}", "{a} - {b}",
    ],
)  # fmt: skip
@pytest.mark.parametrize("case", [str.upper, str.lower, str.title])
def test_a_code_is_found_however_it_is_typed(
    make: Factory, how: str, case: Callable[[str], str]
) -> None:
    (slip,) = printed(make.member("Tamsin"))
    as_typed = case(how.format(slip.code, a=slip.code[:4], b=slip.code[4:]))

    assert join_slips.look_at(found=typed(as_typed), now=NOW).name == "Tamsin"


def test_full_width_letters_of_a_phone_are_letters(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    wide = "".join(chr(ord(c) + 0xFEE0) for c in slip.code)

    assert typed(wide) == typed(slip.code)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ("K7MX-2QR", "A code has 8 letters and digits; this has 7."),
        ("K7MX-2QRTTT", "A code has 8 letters and digits; this has 10."),
        ("--", "A code has 8 letters and digits; this has 0."),
        ("O7MX-2QRT", "A code never has 0, O, 1, I, L or U."),
        ("k7mx-2qr0", "A code never has 0, O, 1, I, L or U."),
        ("K7MX-2QR!", "A code has only letters and digits."),
        ("«K7MX»-2QRT", "A code has only letters and digits."),
        ("К7МХ-2QRT", "A code has only letters and digits."),  # Cyrillic К, М, Х
    ],
)
def test_what_cannot_be_a_code_is_told_at_once_and_counts_as_no_try(
    make: Factory, wrong: str, says: str
) -> None:
    make.garden()
    for _ in range(join_slips.TRIES_FROM_ONE_ADDRESS + 1):
        with pytest.raises(Refused) as refused:
            typed(wrong)
        assert str(refused.value).startswith(says)

    assert db.session.scalar(select(func.count()).select_from(SignInTry)) == 0


# --- once -------------------------------------------------------------------------------------


def test_a_code_lets_in_once_and_its_link_ends_with_it(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    (slip,) = printed(tamsin, by=odile)
    found = typed(slip.code)
    for _ in range(3):
        assert join_slips.look_at(found=found, now=NOW).name == "Tamsin"

    let_in = join_slips.redeem(found=found, now=NOW)

    assert (let_in.member_id, let_in.may_set_password) == (tamsin.id, True)
    for again in (
        lambda: join_slips.redeem(found=found, now=NOW),
        lambda: join_slips.look_at(found=found, now=NOW),
        lambda: people.look_at_invite(token=slip.token, now=NOW),
        lambda: people.redeem_invite(token=slip.token, now=NOW),
    ):
        with pytest.raises(NotFound, match="no longer works"):
            again()
    with pytest.raises(join_slips.WrongCode):
        typed(slip.code)


def test_a_slips_link_ends_its_code(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    people.redeem_invite(token=slip.token, now=NOW)

    with pytest.raises(join_slips.WrongCode):
        typed(slip.code)


@pytest.mark.parametrize("ways", ["codes", "code and link"])
def test_of_two_phones_at_once_one_wins(app: Flask, make: Factory, ways: str) -> None:
    (slip,) = printed(make.member("Tamsin"))
    found = typed(slip.code)
    db.session.remove()

    def press(number: int) -> bool:
        with app.app_context():
            try:
                if number % 2 and ways != "codes":
                    people.redeem_invite(token=slip.token, now=NOW)
                else:
                    join_slips.redeem(found=found, now=NOW)
            except NotFound:
                return False
            finally:
                db.session.remove()
            return True

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(press, range(8))) == 1
    signed_in = select(func.count()).where(LogEntry.action == "signed in")
    assert db.session.scalar(signed_in) == 1


def test_a_new_print_a_new_link_and_leaving_end_a_slip(make: Factory) -> None:
    odile = make.coordinator()
    for end in (
        lambda m: printed(m, by=odile),
        lambda m: people.make_invite(member_id=m.id, by_id=odile.id, now=NOW),
        lambda m: people.deactivate(member_id=m.id, by_id=odile.id, now=NOW),
        lambda m: people.sign_out_everywhere(member_id=m.id, by_id=odile.id, now=NOW),
        lambda m: privacy.erase(member_id=m.id, by_id=odile.id, now=NOW),
    ):
        member = make.member()
        (slip,) = printed(member, by=odile)
        found = typed(slip.code)

        end(member)

        with pytest.raises(join_slips.WrongCode):
            typed(slip.code)
        with pytest.raises(NotFound):
            join_slips.redeem(found=found, now=NOW)


def test_a_member_taken_back_does_not_come_in_by_the_old_slip(make: Factory) -> None:
    odile, tamsin = make.coordinator(), make.member("Tamsin")
    (slip,) = printed(tamsin, by=odile)
    people.deactivate(member_id=tamsin.id, by_id=odile.id, now=NOW)
    people.reactivate(member_id=tamsin.id, by_id=odile.id, now=NOW)

    with pytest.raises(join_slips.WrongCode):
        typed(slip.code)


def test_a_slip_ends_after_two_weeks(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    just_in_time = NOW + timedelta(days=14) - timedelta(seconds=1)

    found = typed(slip.code, at=just_in_time)

    with pytest.raises(join_slips.WrongCode):
        typed(slip.code, at=NOW + timedelta(days=14))
    with pytest.raises(NotFound, match="This code no longer works"):
        join_slips.redeem(found=found, now=NOW + timedelta(days=14))


def test_a_print_is_read_back_until_a_newer_one_ends_it(make: Factory) -> None:
    tamsin, wes = make.member("Tamsin"), make.member("Wes")
    seed, other = join_slips.new_seed(), join_slips.new_seed()
    act = {"secret": SECRET, "by_id": None, "now": NOW}
    join_slips.make_slips(member_ids=[tamsin.id, wes.id], seed=seed, **act)  # type: ignore[arg-type]
    join_slips.make_slips(member_ids=[wes.id], seed=other, **act)  # type: ignore[arg-type]

    first = join_slips.read_slips(seed=seed, secret=SECRET, now=NOW)
    second = join_slips.read_slips(seed=other, secret=SECRET, now=NOW)
    nobodys = join_slips.read_slips(seed=join_slips.new_seed(), secret=SECRET, now=NOW)

    assert ([s.name for s in first], [s.name for s in second]) == (["Tamsin"], ["Wes"])
    assert nobodys == ()


# --- what is stored ---------------------------------------------------------------------------


def test_neither_code_nor_link_nor_seed_is_in_the_database(make: Factory) -> None:
    tamsin = make.member("Tamsin")
    seed = join_slips.new_seed()
    join_slips.make_slips(member_ids=[tamsin.id], seed=seed, secret=SECRET, by_id=None, now=NOW)
    (slip,) = join_slips.read_slips(seed=seed, secret=SECRET, now=NOW)
    typed(slip.code)
    guess(1)

    whole = ""
    for table in db.metadata.tables:
        for row in db.session.execute(text(f'SELECT * FROM "{table}"')):
            whole += repr(tuple(row)).casefold()
    assert people.digest(slip.token) in whole
    for secret in (slip.code, join_slips.written(slip.code), slip.token, seed):
        assert secret.casefold() not in whole


def test_a_stolen_database_does_not_tell_the_code_without_the_apps_secret(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    kept = db.session.scalars(select(Invite.code_hash)).one()

    assert kept == join_slips.hash_code(slip.code, SECRET)
    assert kept == hmac.digest(SECRET.encode(), f"join code {slip.code}".encode(), "sha256").hex()
    assert kept != join_slips.hash_code(slip.code, SECRET + "!")
    assert kept not in {people.digest(slip.code), people.digest(join_slips.written(slip.code))}
    with pytest.raises(join_slips.WrongCode):
        typed(slip.code, secret="another key than the one it was printed with")
    assert people.look_at_invite(token=slip.token, now=NOW).name == "Tamsin"


def test_what_is_handed_over_about_a_member_leaves_the_hash_out(make: Factory) -> None:
    tamsin = make.member("Tamsin")
    printed(tamsin)

    handed = privacy.hand_over(member_id=tamsin.id, by=tamsin, now=NOW)

    assert '"invite"' in handed
    assert '"code_hash": "kept, not shown"' in handed
    assert str(db.session.scalars(select(Invite.code_hash)).one()) not in handed


# --- guessing ---------------------------------------------------------------------------------


def test_wrong_used_ended_and_let_go_are_answered_in_the_same_words(make: Factory) -> None:
    odile = make.coordinator()
    used, voided, gone, late = (make.member() for _ in range(4))
    slips = {m.id: printed(m, by=odile)[0].code for m in (used, voided, gone)}
    join_slips.redeem(found=typed(slips[used.id]), now=NOW)
    people.sign_out_everywhere(member_id=voided.id, by_id=odile.id, now=NOW)
    people.deactivate(member_id=gone.id, by_id=odile.id, now=NOW)
    (old,) = printed(late, by=odile, at=NOW - timedelta(days=15))

    words = set()
    for code in (*slips.values(), old.code, "2222-2222"):
        with pytest.raises(join_slips.WrongCode) as refused:
            typed(code)
        words.add(str(refused.value))

    assert len(words) == 1


def test_every_answer_costs_the_same_statements(make: Factory) -> None:
    """What takes as many steps takes as long; only the right code does more, and says so."""
    odile = make.coordinator()
    used = make.member()
    (slip,) = printed(used, by=odile)
    join_slips.redeem(found=typed(slip.code), now=NOW)
    steps = []
    for code in (slip.code, "2222-2222"):
        seen: list[str] = []

        def note(_c: object, _k: object, statement: str, *_rest: object) -> None:
            seen.append(statement)  # noqa: B023

        event.listen(db.engine, "before_cursor_execute", note)
        with pytest.raises(join_slips.WrongCode):
            typed(code)
        event.remove(db.engine, "before_cursor_execute", note)
        steps.append(seen)

    assert steps[0] == steps[1]


def test_after_ten_wrong_codes_an_address_waits_and_others_do_not(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    guess(10)

    with pytest.raises(throttle.TooManyTries, match="Wait 5 seconds"):
        typed(slip.code)

    assert typed(slip.code, address=ELSEWHERE)
    assert typed(slip.code, at=NOW + timedelta(seconds=5))


def test_a_right_code_does_not_forgive_earlier_wrong_ones(make: Factory) -> None:
    """Or a member could guess at others' codes without end, with their own in between."""
    (slip,) = printed(make.member("Tamsin"))
    guess(9)
    typed(slip.code)
    guess(1)

    with pytest.raises(throttle.TooManyTries):
        typed(slip.code)


def test_looking_often_at_a_right_code_counts_nothing(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    for _ in range(30):
        typed(slip.code)

    assert db.session.scalar(select(func.count()).select_from(SignInTry)) == 0


def test_guessing_codes_keeps_nobody_from_signing_in_by_name(make: Factory) -> None:
    make.coordinator(password=PASSWORD, sign_in_name="odile")
    guess(10)

    let_in = people.sign_in(name="Odile", password=PASSWORD, address=HOME, now=NOW)

    assert let_in.name == "Odile"


def from_many_addresses(tries: int, at: datetime = NOW) -> None:
    """Wrong codes from as many addresses as it takes, written down as `begin_try` does."""
    everybody = throttle.for_everybody("join code", free=1, longest_wait_s=1)
    db.session.add_all(SignInTry(subject=everybody.subject, tried_at=at) for _ in range(tries))
    db.session.commit()


def test_guessing_from_everywhere_slows_typing_and_leaves_the_pictures_alone(
    make: Factory,
) -> None:
    (slip,) = printed(make.member("Tamsin"))
    from_many_addresses(1_999)
    assert typed(slip.code)
    guess(1, address="203.0.113.200")

    with pytest.raises(throttle.TooManyTries, match="Wait 5 seconds"):
        typed(slip.code)
    assert people.look_at_invite(token=slip.token, now=NOW).name == "Tamsin"
    assert people.redeem_invite(token=slip.token, now=NOW).name == "Tamsin"


def test_the_gardens_own_wait_is_a_minute_at_most_and_over_in_an_hour(make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    from_many_addresses(join_slips.TRIES_FROM_ALL + 500)

    with pytest.raises(throttle.TooManyTries) as refused:
        typed(slip.code)
    assert refused.value.seconds == 60
    assert typed(slip.code, at=NOW + timedelta(seconds=60))
    from_many_addresses(1, at=NOW + timedelta(minutes=59))
    assert typed(slip.code, at=NOW + timedelta(minutes=60))


def test_one_address_alone_never_reaches_what_slows_everybody() -> None:
    """Ten tries, then waits that double to a quarter of an hour: some dozen and a half an hour."""
    tries, second, wait = 0, 0, 0
    while second < 3_600:
        tries += 1
        over = tries - join_slips.TRIES_FROM_ONE_ADDRESS
        wait = 0 if over < 0 else min(900, 5 * 2**over)
        second += wait
    assert tries < 25
    assert math.ceil(join_slips.TRIES_FROM_ALL / tries) > 80  # addresses that it takes


def test_the_wait_holds_after_a_restart(app: Flask, make: Factory) -> None:
    (slip,) = printed(make.member("Tamsin"))
    guess(10)
    db.session.remove()
    db.engine.dispose()

    with pytest.raises(throttle.TooManyTries):
        typed(slip.code)


def test_fifty_guesses_at_once_do_not_pass_one_check(app: Flask, make: Factory) -> None:
    make.garden()
    db.session.remove()

    def one(_: int) -> bool:
        with app.app_context():
            try:
                typed("2222-2222")
            except join_slips.WrongCode:
                return True
            except throttle.TooManyTries:
                return False
            finally:
                db.session.remove()
            return True

    with ThreadPoolExecutor(8) as pool:
        looked_at = sum(pool.map(one, range(50)))
    assert looked_at == join_slips.TRIES_FROM_ONE_ADDRESS


def test_refusals_speak_the_readers_language(app: Flask, make: Factory) -> None:
    make.garden()
    with app.app_context(), speaking("es"):
        with pytest.raises(Refused, match="Un código tiene 8 letras y cifras; este tiene 3"):
            typed("ABC")
        with pytest.raises(join_slips.WrongCode, match="Este código no funciona"):
            typed("2222-2222")
