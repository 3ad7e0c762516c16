"""Join slips: paper for members who have not joined yet, each with a link and a code to type.

A slip is a personal link (`people.make_invite`) that also has a short code. Link and code of all
slips of one print come out of one random seed, so that the print can be shown after the press that
made it; the seed waits in the maker's cookie and is never stored.

Only hashes are stored. The link's secret is long, and a plain hash is enough. The code has 39 bits,
which whoever steals a database can search through in minutes where the hash is plain. So it is
keyed with the app's secret, which is not in the database. A new secret ends the codes; the
pictures on the slips go on working.

`throttle` says how often codes may be tried, and why.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import exists, insert, select

from gardenapp.errors import NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import Garden, Invite, LogEntry, Member
from gardenapp.services.garden import people, throttle
from gardenapp.services.garden.settings import CODE_LETTERS
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

CODE_LENGTH = 8
TRIES_FROM_ONE_ADDRESS = 10
TRIES_FROM_ALL = 2_000
LONGEST_WAIT_FOR_ALL_S = 60
SEED_BYTES = 32


ENDED = later(
    "This code no longer works. It was used, replaced by a newer slip, or is over two weeks old. "
    "Ask your coordinator for a new one."
)


class WrongCode(Refused):
    """No open slip has this code; never says whether one had."""


@dataclass(frozen=True)
class Candidate:
    """An active member for whom a slip can be made; `has_joined`: came in once, or may by name."""

    id: int
    name: str
    has_joined: bool


@dataclass(frozen=True)
class Slip:
    """What one slip says. `language` is the member's own, else the garden's."""

    member_id: int
    name: str
    plots: tuple[str, ...]
    language: str
    token: str
    code: str
    expires_at: datetime


# --- making -----------------------------------------------------------------------------------


def list_candidates() -> tuple[Candidate, ...]:
    """The active members by name, and who of them has joined.

    Has joined: used a link or code once, or has a password. Whoever was signed out everywhere
    since counts as joined; a slip for one member is made for them by name.
    """
    came = exists().where(Invite.member_id == Member.id, Invite.used_at.is_not(None))
    rows = db.session.execute(
        select(Member.id, Member.name, (came | Member.password_hash.is_not(None)).label("joined"))
        .where(Member.is_active)
        .order_by(Member.name, Member.id)
    )
    return tuple(Candidate(row.id, row.name, bool(row.joined)) for row in rows)


def new_seed() -> str:
    """The secret out of which one print's links and codes come. [64 hexadecimal digits]"""
    return secrets.token_hex(SEED_BYTES)


def make_slips(
    *, member_ids: Collection[int], seed: str, secret: str, by_id: int | None, now: datetime
) -> int:
    """Make a link with a code for each of these members and give how many were made.

    Earlier unused links, codes and slips of theirs end; phones that are signed in stay so.
    Members who were let go are left out.

    Raises NotAllowed, Refused (nobody is left).
    """
    made = {member_id: _secrets_of(seed, secret, member_id) for member_id in member_ids}
    with write_transaction(changes_board=False) as session:
        people.require_coordinator(session, by_id)
        rows = session.execute(
            select(Member.id, Member.name).where(Member.id.in_(made), Member.is_active)
        ).all()
        if not rows:
            raise Refused(_("There is nobody to make a slip for. Choose again."))
        people.void_invites(session, [row.id for row in rows], now)
        session.execute(
            insert(Invite),
            [
                {
                    "member_id": row.id,
                    "token_hash": made[row.id].token_hash,
                    "code_hash": made[row.id].code_hash,
                    "made_at": now,
                    "made_by_id": by_id,
                    "expires_at": now + timedelta(days=people.INVITE_DAYS),
                    "used_at": None,
                }
                for row in rows
            ],
        )
        # A line each, so that erasing a member takes their name out of the log as well.
        session.execute(
            insert(LogEntry),
            [
                {
                    "action": "made a join slip",
                    "subject": row.name,
                    "at": now,
                    "member_id": by_id,
                    "detail": "",
                }
                for row in rows
            ],
        )
        return len(rows)


def read_slips(*, seed: str, secret: str, now: datetime) -> tuple[Slip, ...]:
    """The slips of a print that still work, by plot and name; empty when a newer print ended them.

    Raises NotFound before the garden was set up.
    """
    garden = db.session.get(Garden, 1)
    if garden is None:
        raise NotFound(_("There is no garden yet."))
    rows = db.session.execute(
        select(Invite.token_hash, Invite.expires_at, Member.id, Member.name, Member.language)
        .join(Member, Member.id == Invite.member_id)
        .where(
            Invite.code_hash.is_not(None),
            Invite.used_at.is_(None),
            Invite.expires_at > now,
            Member.is_active,
        )
    ).all()
    plots = people.labels_by_member()
    found = []
    for row in rows:
        made = _secrets_of(seed, secret, row.id)
        if made.token_hash == row.token_hash:
            found.append(
                Slip(
                    member_id=row.id,
                    name=row.name,
                    plots=tuple(plots.get(row.id, ())),
                    language=row.language or garden.language,
                    token=made.token,
                    code=made.code,
                    expires_at=row.expires_at,
                )
            )
    # By name, as they are handed out from a list.
    return tuple(sorted(found, key=lambda slip: (slip.name.casefold(), slip.member_id)))


# --- typing a code ----------------------------------------------------------------------------


def clean_code(typed: str) -> str:
    """The code that was typed: capitals, without spaces and signs between.

    Raises Refused where it cannot be a code; no try is counted for that.
    """
    wide = unicodedata.normalize("NFKC", typed).upper()
    code = re.sub(r"[\s\-_.,:;/|*'\"\u2010-\u2015\u2212\u00ad\u200b-\u200f]+", "", wide)
    strange = "".join(dict.fromkeys(c for c in code if c not in CODE_LETTERS))
    if any(c in "0O1ILU" for c in strange):
        raise Refused(
            _(
                "A code never has 0, O, 1, I, L or U. Look at the slip again: it may be Q or D, "
                "7 or J, or V."
            )
        )
    if strange:
        raise Refused(_("A code has only letters and digits. Look at the slip again."))
    if len(code) != CODE_LENGTH:
        raise Refused(
            _(
                "A code has %(wanted)s letters and digits; this has %(typed)s.",
                wanted=CODE_LENGTH,
                typed=len(code),
            )
        )
    return code


def find_by_code(*, typed: str, secret: str, address: str, now: datetime) -> str:
    """What a phone shows afterwards, with `look_at` and `redeem`, for the right code.

    Looking uses nothing up. Wrong, used, ended and voided codes are answered alike.

    Raises Refused (cannot be a code), WrongCode, TooManyTries.
    """
    code_hash = hash_code(clean_code(typed), secret)
    tries = throttle.begin_try(
        throttle.for_address(address, what="join code", free=TRIES_FROM_ONE_ADDRESS),
        throttle.for_everybody(
            "join code", free=TRIES_FROM_ALL, longest_wait_s=LONGEST_WAIT_FOR_ALL_S
        ),
        now=now,
    )
    if people.find_open(Invite.code_hash == code_hash, now) is None:
        raise WrongCode(
            _(
                "This code does not work. Look at it again. If it was used, replaced by a newer "
                "slip or is over two weeks old, ask your coordinator for a new one."
            )
        )
    with write_transaction(changes_board=False):
        throttle.strike_off(tries)
    return code_hash


def look_at(*, found: str, now: datetime) -> people.OpenInvite:
    """Whom the code is for that `find_by_code` found. Raises NotFound: it has ended since."""
    invite = people.find_open(Invite.code_hash == found, now)
    if invite is None:
        raise NotFound(ENDED)
    return invite


def redeem(*, found: str, now: datetime) -> people.LetIn:
    """Use a code up, its slip's link with it. Of two presses only one succeeds. Raises NotFound."""
    let_in = people.use_up(Invite.code_hash == found, now, how="by code")
    if let_in is None:
        raise NotFound(ENDED)
    return let_in


def hash_code(code: str, secret: str) -> str:
    """What is stored of a code: a hash keyed with the app's secret."""
    return hmac.new(secret.encode(), b"join code " + code.encode(), hashlib.sha256).hexdigest()


def written(code: str) -> str:
    """The code as a slip shows it: 4-4."""
    half = CODE_LENGTH // 2
    return f"{code[:half]}-{code[half:]}"


@dataclass(frozen=True)
class _Secrets:
    token: str
    token_hash: str
    code: str
    code_hash: str


def _secrets_of(seed: str, secret: str, member_id: int) -> _Secrets:
    """A member's link and code of the print that `seed` began: two numbers nobody can foresee."""

    def drawn(what: str) -> bytes:
        return hmac.new(seed.encode(), f"{what} {member_id}".encode(), hashlib.sha256).digest()

    token = base64.urlsafe_b64encode(drawn("link")[: people.INVITE_BYTES]).decode()
    # 256 bits over 39: no code is likelier than another by more than one part in 2^200.
    number, code = int.from_bytes(drawn("code"), "big"), ""
    for _place in range(CODE_LENGTH):
        number, at = divmod(number, len(CODE_LETTERS))
        code += CODE_LETTERS[at]
    return _Secrets(token, people.digest(token), code, hash_code(code, secret))
