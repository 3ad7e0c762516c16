"""Guessing slows down: failed tries are kept in the database and each makes the next wait.

What is counted, and why (a decision to keep):

- *One name from one address*: five free tries, then 5 s, 10 s, 20 s … up to 15 minutes.
- *One address, whatever the name*: thirty free tries an hour, then the same waits.
- Nothing is counted for a name over all addresses. It would let a stranger keep a coordinator
  out on the very evening the frost comes.
- *Codes of join slips*: ten free tries an hour from one address, then the waits above; and two
  thousand an hour from all addresses together, then one a minute at most. A code is one of
  30^8 = 6.6e11. Whoever guesses from any number of addresses gets some 7e5 tries in the two weeks
  that a code lives, and with 200 codes alive one chance in about 5 000 to hit any of them. The
  price: such a guesser keeps others from *typing* a code for as long as it goes on, and an hour
  longer at most. Nobody is kept out of the garden by it. The picture on the same slip, links,
  passwords and phones that are signed in are not counted here, and the page says so.

A try is written down before the password is looked at and struck off when it was right. So
fifty tries sent at once do not all pass the same check, and a failed one stays whatever
happens after.
"""

from __future__ import annotations

import hashlib
import ipaddress
import math
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, func, select

from gardenapp.errors import GardenError
from gardenapp.extensions import db
from gardenapp.models.people import SignInTry
from gardenapp.services.clockwork import SKEW
from gardenapp.services.transaction import write_transaction
from gardenapp.words import n_

FIRST_WAIT_S = 5
LONGEST_WAIT_S = 900
KEPT_FOR = timedelta(hours=24)


class TooManyTries(GardenError):
    """Too many failed tries; `seconds` says how long to wait."""

    def __init__(self, seconds: int) -> None:
        self.seconds = seconds
        super().__init__(
            n_(
                "Too many tries. Wait %(num)s second, then try again.",
                "Too many tries. Wait %(num)s seconds, then try again.",
                seconds,
            )
        )


@dataclass(frozen=True)
class Limit:
    """How many failed tries of one kind are free within a time."""

    subject: str
    free: int
    within: timedelta
    longest_wait_s: int = LONGEST_WAIT_S


def for_name(name: str, address: str) -> Limit:
    """The limit for one name from one address.

    The name is hashed: people type their password into the wrong box.
    """
    digest = hashlib.sha256(name.encode("utf-8", "replace")).hexdigest()[:32]
    return Limit(f"name {digest} from {_network(address)}", 5, KEPT_FOR)


def for_address(address: str, *, what: str = "sign-in", free: int = 30) -> Limit:
    """The limit for one address, whatever is tried from there."""
    return Limit(f"{what} from {_network(address)}", free, timedelta(hours=1))


def for_everybody(what: str, *, free: int, longest_wait_s: int) -> Limit:
    """The limit for all addresses together, for what can be guessed from many at once."""
    return Limit(f"{what} from anywhere", free, timedelta(hours=1), longest_wait_s)


def begin_try(*limits: Limit, now: datetime) -> tuple[int, ...]:
    """Write down a try against each limit and return their ids, for `strike_off`.

    Raises TooManyTries, and writes nothing down, while a wait runs.
    """
    with write_transaction(changes_board=False) as session:
        # Tries of a clock that was ahead would keep people out until that day comes.
        session.execute(
            delete(SignInTry).where(
                (SignInTry.tried_at < now - KEPT_FOR) | (SignInTry.tried_at > now + SKEW)
            )
        )
        waits = [_seconds_to_wait(limit, now) for limit in limits]
        if max(waits) == 0:
            tries = [SignInTry(subject=limit.subject, tried_at=now) for limit in limits]
            session.add_all(tries)
            session.flush()
            return tuple(row.id for row in tries)
    raise TooManyTries(max(waits))


def strike_off(tries: tuple[int, ...], *forgiven: Limit) -> None:
    """Take back tries that turned out right, and all earlier ones of the `forgiven` limits.

    Inside the caller's transaction.
    """
    db.session.execute(delete(SignInTry).where(SignInTry.id.in_(tries)))
    for limit in forgiven:
        db.session.execute(delete(SignInTry).where(SignInTry.subject == limit.subject))


def _seconds_to_wait(limit: Limit, now: datetime) -> int:
    failed, last_at = db.session.execute(
        select(func.count(), func.max(SignInTry.tried_at)).where(
            SignInTry.subject == limit.subject, SignInTry.tried_at > now - limit.within
        )
    ).one()
    if failed < limit.free:
        return 0
    # Capped before the power is taken: 2 to the ten-thousandth is a number nobody needs.
    wait_s = float(min(limit.longest_wait_s, FIRST_WAIT_S * 2 ** min(failed - limit.free, 20)))
    return max(0, math.ceil((last_at - now).total_seconds() + wait_s))


def _network(address: str) -> str:
    """The address to count by: one phone owns a whole IPv6 /64, so that counts as one."""
    try:
        at = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if isinstance(at, ipaddress.IPv6Address):
        if at.ipv4_mapped is not None:
            return str(at.ipv4_mapped)
        return str(ipaddress.IPv6Network((int(at), 64), strict=False))
    return str(at)
