"""Members: who they are, how they are let in, and how a session ends.

`by_id` is the member who acts. None is the command line of the garden's own computer, which
may do what a coordinator may; pages always pass their member.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from flask_sqlalchemy.session import Session
from sqlalchemy import ColumnElement, delete, exists, select, update
from sqlalchemy.orm import scoped_session

from gardenapp.config import SESSION_DAYS
from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.notices import FeedLink
from gardenapp.models.people import (
    LANGUAGES,
    LENGTH_UNITS,
    ROLES,
    TEMPERATURE_UNITS,
    EndedSession,
    Garden,
    Invite,
    Member,
    PlotHolder,
)
from gardenapp.models.plots import Plot
from gardenapp.services import change_log as garden_log
from gardenapp.services.garden import throttle
from gardenapp.services.garden.passwords import (
    check_new_password,
    hash_password,
    is_password,
    needs_new_hash,
)
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _, later

INVITE_DAYS = 14
INVITE_BYTES = 24  # 192 random bits
WORKS_NO_MORE = later(
    "This link no longer works. It was used, replaced by a newer one, or is over two weeks old. "
    "Ask your coordinator for a new one."
)

_log = logging.getLogger("gardenapp.people")
_Session = scoped_session[Session]


class WrongPassword(Refused):
    """Name and password do not belong together; never says which is wrong."""


class LastCoordinator(Refused):
    """Without a coordinator nobody could let anybody in."""


@dataclass(frozen=True)
class MemberLine:
    """One member in the coordinator's list."""

    id: int
    name: str
    role: str
    is_active: bool
    has_password: bool
    plots: tuple[str, ...]
    link_until: datetime | None


@dataclass(frozen=True)
class MemberDetails:
    """What the coordinator may change about a member."""

    id: int
    name: str
    role: str
    is_active: bool
    has_password: bool
    plot_ids: tuple[int, ...]
    language: str | None
    link_until: datetime | None


@dataclass(frozen=True)
class OpenInvite:
    """What an unused link or code says about whom it is for; language None: as the phone asks."""

    member_id: int
    name: str
    expires_at: datetime
    plots: tuple[str, ...] = ()
    language: str | None = None


@dataclass(frozen=True)
class LetIn:
    """Somebody who has just been let in.

    `may_set_password`: came by somebody else's link, so a forgotten password may be replaced
    without being asked for. A link made for one's own second phone does not give that, or a
    borrowed phone would be enough to take the account.
    """

    member_id: int
    name: str
    may_set_password: bool = False


# --- reading ---------------------------------------------------------------------------------


def list_members(*, now: datetime) -> tuple[MemberLine, ...]:
    """Everybody, those who left last; each with plots and an unused link's last day."""
    links, plots = _open_links(now), labels_by_member()
    rows = db.session.scalars(select(Member).order_by(Member.is_active.desc(), Member.name))
    return tuple(
        MemberLine(
            id=row.id,
            name=row.name,
            role=row.role,
            is_active=row.is_active,
            has_password=row.password_hash is not None,
            plots=tuple(plots.get(row.id, ())),
            link_until=links.get(row.id),
        )
        for row in rows
    )


def get_member(*, member_id: int, now: datetime) -> MemberDetails:
    """One member for the coordinator's form. Raises NotFound."""
    row = db.session.get(Member, member_id)
    if row is None:
        raise NotFound(_("We can’t find that member."))
    plot_ids = db.session.scalars(
        select(PlotHolder.plot_id).where(PlotHolder.member_id == member_id)
    )
    return MemberDetails(
        id=row.id,
        name=row.name,
        role=row.role,
        is_active=row.is_active,
        has_password=row.password_hash is not None,
        plot_ids=tuple(plot_ids),
        language=row.language,
        link_until=_open_links(now).get(row.id),
    )


def list_plot_choices() -> list[tuple[int, str]]:
    """(id, label) of every plot, for a list of boxes to tick."""
    rows = db.session.execute(select(Plot.id, Plot.label).order_by(Plot.label))
    return [(plot_id, label) for plot_id, label in rows]


def labels_by_member(member_id: int | None = None) -> dict[int, list[str]]:
    """The labels of everybody's plots, or of one member's."""
    wanted = (
        select(PlotHolder.member_id, Plot.label)
        .join(Plot, Plot.id == PlotHolder.plot_id)
        .order_by(Plot.label)
    )
    if member_id is not None:
        wanted = wanted.where(PlotHolder.member_id == member_id)
    found: dict[int, list[str]] = {}
    for holder_id, label in db.session.execute(wanted):
        found.setdefault(holder_id, []).append(label)
    return found


def _open_links(now: datetime) -> dict[int, datetime]:
    rows = db.session.execute(
        select(Invite.member_id, Invite.expires_at).where(
            Invite.used_at.is_(None), Invite.expires_at > now
        )
    )
    return {row.member_id: row.expires_at for row in rows}


# --- the coordinator's part -------------------------------------------------------------------


def create_member(
    *,
    name: str,
    role: str = "member",
    plot_ids: Collection[int] = (),
    language: str | None = None,
    by_id: int | None,
    now: datetime,
) -> int:
    """Add somebody to the garden and return their id; they come in by a link made afterwards.

    Language None leaves it to their phone.

    Raises NotAllowed, Refused (the name is taken, a plot is gone).
    """
    with write_transaction() as session:
        require_coordinator(session, by_id)
        return add_member(
            session,
            name=name,
            role=role,
            plot_ids=plot_ids,
            language=language,
            by_id=by_id,
            now=now,
        )


def add_member(
    session: _Session,
    *,
    name: str,
    role: str,
    plot_ids: Collection[int] = (),
    language: str | None = None,
    by_id: int | None,
    now: datetime,
    password_hash: str | None = None,
) -> int:
    """Add a member inside the caller's transaction, as setting up the garden needs.

    Raises Refused.
    """
    if role not in ROLES:
        raise Refused(_("Choose coordinator or member."))
    _check_language(language)
    garden = session.get(Garden, 1)
    sign_in_name = _free_sign_in_name(session, name, except_id=None)
    member = Member(
        name=name,
        role=role,
        sign_in_name=sign_in_name,
        password_hash=password_hash,
        language=language,
        temperature_unit=garden.temperature_unit if garden else "C",
        length_unit=garden.length_unit if garden else "metric",
        created_at=now,
    )
    session.add(member)
    session.flush()
    _give_plots(session, member.id, plot_ids)
    garden_log.record(
        action="added a member", subject=name, at=now, member_id=by_id, detail=f"as {role}"
    )
    return member.id


def change_member(
    *,
    member_id: int,
    name: str | None = None,
    role: str | None = None,
    plot_ids: Collection[int] | None = None,
    language: str | None = None,
    by_id: int | None,
    now: datetime,
) -> None:
    """Rename a member, change the role, the language or whose plots are whose.

    None leaves it as it is; an empty language leaves that to the phone.

    Raises NotFound, NotAllowed, Refused (name taken, plot gone), LastCoordinator.
    """
    with write_transaction() as session:
        require_coordinator(session, by_id)
        member = _get(session, member_id)
        changes = []
        if name is not None and name != member.name:
            member.sign_in_name = _free_sign_in_name(session, name, except_id=member.id)
            changes.append(f"name was {member.name}")
            member.name = name
        if role is not None and role != member.role:
            if role not in ROLES:
                raise Refused(_("Choose coordinator or member."))
            if member.is_coordinator:
                _keep_one_coordinator(session, member)
            changes.append(f"now {role}")
            member.role = role
        if plot_ids is not None:
            session.flush()
            if _give_plots(session, member.id, plot_ids):
                changes.append("other plots")
        if language is not None and (language or None) != member.language:
            _check_language(language or None)
            member.language = language or None
            changes.append(f"language {language or 'as the phone asks'}")
        if changes:
            garden_log.record(
                action="changed a member",
                subject=member.name,
                at=now,
                member_id=by_id,
                detail="; ".join(changes),
            )


def deactivate(*, member_id: int, by_id: int | None, now: datetime) -> None:
    """Let somebody go: their sessions and links end at once, what they did stays on record.

    Raises NotFound, NotAllowed, LastCoordinator.
    """
    with write_transaction() as session:
        require_coordinator(session, by_id)
        member = _get(session, member_id)
        if member.is_coordinator and member.is_active:
            _keep_one_coordinator(session, member)
        member.is_active = False
        _end_access(session, member, now)
        garden_log.record(action="let go", subject=member.name, at=now, member_id=by_id)


def reactivate(*, member_id: int, by_id: int | None, now: datetime) -> None:
    """Take somebody back; they come in by a new link. Raises NotFound, NotAllowed."""
    with write_transaction() as session:
        require_coordinator(session, by_id)
        member = _get(session, member_id)
        member.is_active = True
        garden_log.record(action="took back", subject=member.name, at=now, member_id=by_id)


def sign_out_everywhere(*, member_id: int, by_id: int | None, now: datetime) -> None:
    """End every session of a member and every unused link: for a lost phone.

    A member may do it for themselves, a coordinator for anybody.

    Raises NotFound, NotAllowed.
    """
    with write_transaction(changes_board=False) as session:
        if by_id != member_id:
            require_coordinator(session, by_id)
        member = _get(session, member_id)
        _end_access(session, member, now)
        garden_log.record(
            action="signed out everywhere", subject=member.name, at=now, member_id=by_id
        )


# --- links ------------------------------------------------------------------------------------


def make_invite(*, member_id: int, by_id: int | None, now: datetime) -> str:
    """A personal link's secret part, for one use within two weeks; older ones end.

    Only its hash is kept, so it can be shown once. A member may make one for their own second
    phone, a coordinator for anybody.

    Raises NotFound, NotAllowed, Refused (the member was let go).
    """
    token = secrets.token_urlsafe(INVITE_BYTES)
    with write_transaction(changes_board=False) as session:
        if by_id != member_id:
            require_coordinator(session, by_id)
        member = _get(session, member_id)
        if not member.is_active:
            raise Refused(_("%(name)s was let go. Take them back first.", name=member.name))
        void_invites(session, (member.id,), now)
        session.add(
            Invite(
                member_id=member.id,
                token_hash=digest(token),
                made_at=now,
                made_by_id=by_id,
                expires_at=now + timedelta(days=INVITE_DAYS),
            )
        )
        garden_log.record(
            action="made a sign-in link", subject=member.name, at=now, member_id=by_id
        )
    return token


def look_at_invite(*, token: str, now: datetime) -> OpenInvite:
    """Whom an unused link is for. Looking does not use it up: messengers fetch links to show them.

    Raises NotFound.
    """
    found = find_open(Invite.token_hash == digest(token), now)
    if found is None:
        raise NotFound(WORKS_NO_MORE)
    return found


def redeem_invite(*, token: str, now: datetime) -> LetIn:
    """Use a link up and say whom to let in. Of two presses at once only one succeeds.

    Raises NotFound.
    """
    let_in = use_up(Invite.token_hash == digest(token), now, how="by link")
    if let_in is None:
        raise NotFound(WORKS_NO_MORE)
    return let_in


def find_open(which: ColumnElement[bool], now: datetime) -> OpenInvite | None:
    """Whom the unused invite of that hash is for; None where there is none, or it has ended."""
    row = db.session.execute(
        select(Member.id, Member.name, Member.language, Invite.expires_at)
        .join(Member, Member.id == Invite.member_id)
        .where(which, Invite.used_at.is_(None), Invite.expires_at > now, Member.is_active)
    ).one_or_none()
    if row is None:
        return None
    return OpenInvite(
        member_id=row.id,
        name=row.name,
        expires_at=row.expires_at,
        plots=tuple(labels_by_member(row.id).get(row.id, ())),
        language=row.language,
    )


def use_up(which: ColumnElement[bool], now: datetime, *, how: str) -> LetIn | None:
    """Use the invite of that hash up and say whom to let in; None where none is open."""
    with write_transaction(changes_board=False) as session:
        used = session.execute(
            update(Invite)
            .where(which, Invite.used_at.is_(None), Invite.expires_at > now)
            .values(used_at=now)
            .returning(Invite.member_id, Invite.made_by_id)
        ).one_or_none()
        if used is None:
            return None
        member = _get(session, used.member_id)
        if not member.is_active:
            return None
        garden_log.record(
            action="signed in", subject=member.name, at=now, member_id=member.id, detail=how
        )
        return LetIn(
            member_id=member.id,
            name=member.name,
            may_set_password=used.made_by_id != member.id,
        )


# --- signing in and out -----------------------------------------------------------------------


def sign_in(*, name: str, password: str, address: str, now: datetime) -> LetIn:
    """Let a member in by name and password.

    Unknown names, members without a password and members who were let go are all answered
    alike, in words and in time.

    Raises TooManyTries, WrongPassword.
    """
    wanted = sign_in_name_of(name)
    by_name = throttle.for_name(wanted, address)
    tries = throttle.begin_try(by_name, throttle.for_address(address), now=now)
    member = db.session.scalar(
        select(Member)
        .where(Member.sign_in_name == wanted, Member.is_active)
        .execution_options(populate_existing=True)
    )
    kept = member.password_hash if member is not None else None
    if not is_password(password, kept) or member is None or kept is None:
        _log.warning("sign-in refused, member %s", member.id if member is not None else "unknown")
        raise WrongPassword(_("That name and password do not match. Try again, or ask for a link."))
    new_hash = hash_password(password) if needs_new_hash(kept) else None
    with write_transaction(changes_board=False) as session:
        member = _get(session, member.id)
        if not member.is_active or member.password_hash != kept:
            raise WrongPassword(
                _("That name and password do not match. Try again, or ask for a link.")
            )
        throttle.strike_off(tries, by_name)
        if new_hash is not None:
            member.password_hash = new_hash
        garden_log.record(
            action="signed in",
            subject=member.name,
            at=now,
            member_id=member.id,
            detail="by password",
        )
        return LetIn(member_id=member.id, name=member.name)


def change_password(
    *,
    member_id: int,
    current: str | None,
    new: str,
    came_by_link: bool,
    address: str,
    now: datetime,
) -> None:
    """Set a member's password; every session and every unused link of theirs ends.

    `came_by_link` is what `redeem_invite` said of this session not long ago. Otherwise a member
    who has a password must give it, and wrong ones are throttled as at the sign-in page.

    Raises NotFound, Refused (new one not good enough), WrongPassword, TooManyTries.
    """
    member = db.session.get(Member, member_id, populate_existing=True)
    if member is None:
        raise NotFound(_("We can’t find that member."))
    garden = db.session.get(Garden, 1)
    check_new_password(new, names=(member.name, garden.name if garden else ""))
    kept = member.password_hash
    tries: tuple[int, ...] = ()
    if kept is not None and not came_by_link:
        limit = throttle.for_name(f"password of {member_id}", address)
        tries = throttle.begin_try(limit, now=now)
        if not is_password(current or "", kept):
            raise WrongPassword(_("This is not your current password."))
    new_hash = hash_password(new)
    with write_transaction(changes_board=False) as session:
        member = _get(session, member_id)
        if member.password_hash != kept:
            raise Refused(_("The password changed at the same moment. Sign in again."))
        throttle.strike_off(tries)
        if member.sign_in_name is None:
            member.sign_in_name = _free_sign_in_name(session, member.name, except_id=member.id)
        member.password_hash = new_hash
        _end_access(session, member, now)
        garden_log.record(action="set a password", subject=member.name, at=now, member_id=member_id)


def end_session(*, phone: str | None, member_id: int, now: datetime) -> None:
    """End the session of one phone, so that a copy of its cookie is worth nothing.

    A session that carries no phone's mark cannot be told from its copies: then all of the
    member's sessions end.
    """
    with write_transaction(changes_board=False) as session:
        # A cookie older than a session may last is refused anyway.
        session.execute(
            delete(EndedSession).where(EndedSession.ended_at < now - timedelta(days=SESSION_DAYS))
        )
        if phone:
            if not is_ended(phone):
                session.add(EndedSession(phone_hash=digest(phone), ended_at=now))
        else:
            _get(session, member_id).session_epoch += 1


def is_ended(phone: str) -> bool:
    """Whether this phone signed out."""
    found: Any = db.session.scalar(select(exists().where(EndedSession.phone_hash == digest(phone))))
    return bool(found)


def find_signed_in(*, member_id: int, epoch: int, phone: str) -> Member | None:
    """The member a cookie names: active, in the session's epoch, on a phone not signed out.

    One question to the database, as it is asked for every page of a signed-in member.
    """
    wanted = select(Member).where(
        Member.id == member_id, Member.session_epoch == epoch, Member.is_active.is_(True)
    )
    if phone:
        wanted = wanted.where(~exists().where(EndedSession.phone_hash == digest(phone)))
    return db.session.scalar(wanted)


def new_phone() -> str:
    """The mark of one session, for its cookie."""
    return secrets.token_urlsafe(16)


def set_units(
    *,
    member_id: int,
    temperature_unit: str,
    length_unit: str,
    language: str | None = None,
    no_lifting: bool = False,
    no_ice: bool = False,
    now: datetime,
) -> None:
    """Set the units and the language in which a member reads and types, and what they are not
    asked to do; language None leaves it to the phone. Raises NotFound, Refused."""
    if temperature_unit not in TEMPERATURE_UNITS or length_unit not in LENGTH_UNITS:
        raise Refused(_("Choose the units from the lists."))
    _check_language(language)
    with write_transaction() as session:
        member = _get(session, member_id)
        member.no_lifting, member.no_ice = no_lifting, no_ice
        member.temperature_unit, member.length_unit = temperature_unit, length_unit
        member.language = language
        garden_log.record(
            action="chose units",
            subject=member.name,
            at=now,
            member_id=member_id,
            detail=f"°{temperature_unit}, {length_unit}",
        )


# --- inside a transaction ---------------------------------------------------------------------


def sign_in_name_of(name: str) -> str:
    """The form in which names are compared: case, width and doubled spaces do not count."""
    # A half of a broken character is nobody's name, and no database takes it.
    whole = name.encode("utf-8", "replace").decode("utf-8")
    return " ".join(unicodedata.normalize("NFKC", whole).casefold().split())


def _get(session: _Session, member_id: int) -> Member:
    # Read anew: the row that the sign-in loaded before the transaction may be out of date.
    member = session.get(Member, member_id, populate_existing=True, with_for_update=True)
    if member is None:
        raise NotFound(_("We can’t find that member."))
    return member


def _check_language(language: str | None) -> None:
    if language is not None and language not in LANGUAGES:
        raise Refused(_("Choose the language from the list."))


def require_coordinator(session: _Session, by_id: int | None) -> None:
    """Refuse everybody but a coordinator and the command line. Raises NotAllowed."""
    if by_id is None:
        return
    actor = session.get(Member, by_id, populate_existing=True)
    if actor is None or not actor.is_active or not actor.is_coordinator:
        raise NotAllowed(_("Only a coordinator can do this."))


def _keep_one_coordinator(session: _Session, leaving: Member) -> None:
    # The rows are locked, so that two coordinators cannot remove each other at once.
    others = session.scalars(
        select(Member.id)
        .where(Member.role == "coordinator", Member.is_active, Member.id != leaving.id)
        .with_for_update()
    ).all()
    if not others:
        raise LastCoordinator(
            _(
                "%(name)s is the only coordinator. Make somebody else a coordinator first.",
                name=leaving.name,
            )
        )


def _free_sign_in_name(session: _Session, name: str, *, except_id: int | None) -> str:
    wanted = sign_in_name_of(name)
    if not wanted:
        raise Refused(_("Enter a name."))
    if len(wanted) > 80:
        raise Refused(_("Use a shorter name."))
    holder = session.scalar(select(Member).where(Member.sign_in_name == wanted))
    if holder is not None and holder.id != except_id:
        gone = "" if holder.is_active else " (who was let go and can be taken back)"
        raise Refused(
            _(
                "There is already somebody called %(name)s%(gone)s. Add an initial.",
                name=holder.name,
                gone=gone,
            )
        )
    return wanted


def _give_plots(session: _Session, member_id: int, plot_ids: Collection[int]) -> bool:
    wanted = set(plot_ids)
    known = set(session.scalars(select(Plot.id).where(Plot.id.in_(wanted)))) if wanted else set()
    if known != wanted:
        raise Refused(_("One of the plots is gone. Look at the list again."))
    held = set(session.scalars(select(PlotHolder.plot_id).where(PlotHolder.member_id == member_id)))
    for plot_id in sorted(wanted - held):
        session.add(PlotHolder(plot_id=plot_id, member_id=member_id))
    if held - wanted:
        session.execute(
            delete(PlotHolder).where(
                PlotHolder.member_id == member_id, PlotHolder.plot_id.in_(held - wanted)
            )
        )
    return held != wanted


def _end_access(session: _Session, member: Member, now: datetime) -> None:
    member.session_epoch += 1
    # A calendar that was subscribed to is a way in as well.
    session.execute(delete(FeedLink).where(FeedLink.member_id == member.id))
    void_invites(session, (member.id,), now)


def void_invites(session: _Session, member_ids: Collection[int], now: datetime) -> None:
    """End every unused invite of these members, inside the caller's transaction."""
    session.execute(
        update(Invite)
        .where(Invite.member_id.in_(member_ids), Invite.used_at.is_(None), Invite.expires_at > now)
        .values(expires_at=now)
    )


def digest(secret: str) -> str:
    """What is kept of a long random secret. Too little for a short one, which can be searched."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
