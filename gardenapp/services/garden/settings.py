"""The garden itself: setting it up, its settings, and the log of changes."""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import available_timezones

from sqlalchemy import func, select

from gardenapp.errors import NotAllowed, NotFound, Refused
from gardenapp.extensions import db
from gardenapp.models.people import (
    LANGUAGES,
    LENGTH_UNITS,
    TEMPERATURE_UNITS,
    Garden,
    LogEntry,
    Member,
)
from gardenapp.models.plots import Plot
from gardenapp.services import change_log
from gardenapp.services.garden import people, throttle
from gardenapp.services.garden.passwords import check_new_password, hash_password
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

LOG_LINES = 50
SETUP_CODE_FILE = "setup_code"
# Without letters and digits that are taken for one another when read from a screen.
CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_LENGTH = 12
# label, length and width of the beds in centimetres: usual allotment sizes, from memory
SAMPLE_PLOTS = (
    ("A1", 600.0, 300.0),
    ("A2", 600.0, 300.0),
    ("B1", 300.0, 120.0),
    ("B2", 300.0, 120.0),
)
ODD_ZONES = frozenset({"Factory", "localtime", "posixrules"})


@dataclass(frozen=True)
class GardenSettings:
    """What a coordinator may set. [degrees, m, minutes]

    `minutes_budget` is the helpers' time there is on an evening, all hands together; None
    means that nobody said. `walk_worth` is what ten minutes of it are worth, a word of
    `allocation.weights.WALK_WORTH`.
    """

    name: str
    latitude: float
    longitude: float
    time_zone: str
    elevation_m: float | None = None
    temperature_unit: str = "C"
    length_unit: str = "metric"
    board_is_open: bool = True
    contact: str = ""
    minutes_budget: float | None = None
    shelter_label: str = ""
    shelter_spaces: int = 0
    walk_worth: str = "lettuce"
    language: str = "en"


@dataclass(frozen=True)
class LogLine:
    """One line of the log as it is shown; `who` is empty for the command line."""

    at: datetime
    who: str
    action: str
    subject: str
    detail: str


@dataclass(frozen=True)
class LogPage:
    """A page of the log, newest first; pages count from 1."""

    lines: tuple[LogLine, ...]
    page: int
    pages: int
    total: int


# --- setting up -------------------------------------------------------------------------------


def has_garden() -> bool:
    """Whether the garden was set up."""
    return db.session.get(Garden, 1) is not None


def create_garden(
    *,
    settings: GardenSettings,
    coordinator: str,
    password: str,
    with_sample_plots: bool = False,
    now: datetime,
) -> int:
    """Make the garden, its first coordinator and the plant catalogue; returns the member's id.

    All or nothing, and once only: there is no account before this and none by default.

    Raises Refused (there is a garden already, a setting or the password is not good).
    """
    from gardenapp import reference
    from gardenapp.services.garden.seeding import seed_catalogue

    settings = _checked(settings)
    check_new_password(password, names=(coordinator, settings.name))
    password_hash = hash_password(password)
    # Read before the transaction begins, to keep it short.
    stages, kinds = reference.load_stages(), reference.load_constructions()
    sources = reference.load_sources()
    with write_transaction() as session:
        if session.get(Garden, 1, populate_existing=True) is not None:
            raise Refused(_("The garden is already set up. Sign in."))
        garden = Garden(id=1, created_at=now)
        _write(garden, settings)
        session.add(garden)
        session.flush()
        member_id = people.add_member(
            session,
            name=coordinator,
            role="coordinator",
            by_id=None,
            now=now,
            password_hash=password_hash,
        )
        seed_catalogue(session, stages=stages, constructions=kinds, sources=sources)
        if with_sample_plots:
            for label, length_cm, width_cm in SAMPLE_PLOTS:
                session.add(
                    Plot(label=label, length_cm=length_cm, width_cm=width_cm, bed_width_cm=120.0)
                )
        change_log.record(
            action="set up the garden", subject=settings.name, at=now, member_id=member_id
        )
        return member_id


def make_setup_code(instance: Path) -> str:
    """A new one-time code for the set-up page; only its hash is kept, readable by the owner.

    It is shown where the server is started, so only somebody at that computer can make the
    garden, even when strangers reach the page first.
    """
    code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
    path = instance / SETUP_CODE_FILE
    draft = instance / f".{SETUP_CODE_FILE}.{os.getpid()}"
    draft.unlink(missing_ok=True)
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(_code_digest(code))
    draft.replace(path)
    return "-".join(code[i : i + 4] for i in range(0, CODE_LENGTH, 4))


def check_setup_code(*, instance: Path, typed: str, address: str, now: datetime) -> None:
    """Let only the set-up code pass; it stays good until the garden has been made.

    Raises Refused, TooManyTries.
    """
    tries = throttle.begin_try(throttle.for_address(address, what="set-up", free=10), now=now)
    path = instance / SETUP_CODE_FILE
    # A damaged file holds no code: the next start writes a new one.
    kept = path.read_text(encoding="ascii", errors="replace").strip() if path.exists() else ""
    if not kept or not hmac.compare_digest(kept.encode(), _code_digest(typed).encode()):
        raise Refused(
            _(
                "This is not the code. Look in the window where you started `gardenapp serve`; "
                "it is new at each start."
            )
        )
    with write_transaction(changes_board=False):
        throttle.strike_off(tries)


def forget_setup_code(instance: Path) -> None:
    """Throw the code away once the garden is made."""
    (instance / SETUP_CODE_FILE).unlink(missing_ok=True)


def _code_digest(code: str) -> str:
    plain = re.sub(r"[^0-9A-Za-z]", "", code).upper()
    return hashlib.sha256(plain.encode("ascii", "replace")).hexdigest()


# --- settings ---------------------------------------------------------------------------------


def get_settings() -> GardenSettings:
    """The settings as they are. Raises NotFound before the garden was set up."""
    garden = db.session.get(Garden, 1)
    if garden is None:
        raise NotFound(_("There is no garden yet."))
    return GardenSettings(
        **{name: getattr(garden, name) for name in GardenSettings.__dataclass_fields__}
    )


def change_settings(*, settings: GardenSettings, by_id: int | None, now: datetime) -> None:
    """Set the garden's settings. Raises NotFound, NotAllowed, Refused."""
    settings = _checked(settings)
    with write_transaction() as session:
        if by_id is not None:
            actor = session.get(Member, by_id, populate_existing=True)
            if actor is None or not actor.is_active or not actor.is_coordinator:
                raise NotAllowed(_("Only a coordinator can do this."))
        garden = session.get(Garden, 1, populate_existing=True, with_for_update=True)
        if garden is None:
            raise NotFound(_("There is no garden yet."))
        changed = _write(garden, settings)
        if changed:
            change_log.record(
                action="changed the garden",
                subject=settings.name,
                at=now,
                member_id=by_id,
                detail="; ".join(changed),
            )


def find_zone(typed: str) -> str:
    """The time zone's exact name for what was typed, whatever its case and spaces.

    Raises Refused, naming a zone that may be meant.
    """
    wanted = typed.strip().replace(" ", "_").casefold()
    zones = sorted(available_timezones() - ODD_ZONES)
    for zone in zones:
        if zone.casefold() == wanted:
            return zone
    close = [z for z in zones if wanted and z.casefold().rpartition("/")[2] == wanted]
    if close:
        raise Refused(_("Enter the whole name. Do you mean %(close)s?", close=", ".join(close[:3])))
    raise Refused(_("Enter a time zone by continent and city, such as Europe/Lisbon."))


def _checked(settings: GardenSettings) -> GardenSettings:
    zone = find_zone(settings.time_zone)
    if settings.temperature_unit not in TEMPERATURE_UNITS:
        raise Refused(_("Choose the unit of temperature from the list."))
    if settings.length_unit not in LENGTH_UNITS:
        raise Refused(_("Choose the unit of length from the list."))
    if settings.language not in LANGUAGES:
        raise Refused(_("Choose the language from the list."))
    if not (-90 <= settings.latitude <= 90 and -180 <= settings.longitude <= 180):
        raise Refused(_("Latitude is between −90 and 90, longitude between −180 and 180."))
    if not (settings.contact.isascii() and (settings.contact or "x").isprintable()):
        raise Refused(_("Use plain letters, digits and punctuation for the contact."))
    return GardenSettings(
        **settings.__dict__
        | {
            "time_zone": zone,
            # Four decimals are eleven metres. Weather services ask for no more, and a
            # finer place would only make their answers harder to share.
            "latitude": round(settings.latitude, 4),
            "longitude": round(settings.longitude, 4),
        }
    )


def _write(garden: Garden, settings: GardenSettings) -> list[str]:
    changed = []
    for name in GardenSettings.__dataclass_fields__:
        old, new = getattr(garden, name), getattr(settings, name)
        if old != new:
            changed.append(f"{name.replace('_', ' ')}: {old} → {new}")
            setattr(garden, name, new)
    return changed


# --- the log ----------------------------------------------------------------------------------


def read_log(*, page: int = 1) -> LogPage:
    """A page of the log, newest first; a page past the end is the last one."""
    total = db.session.scalar(select(func.count()).select_from(LogEntry)) or 0
    pages = max(1, -(-total // LOG_LINES))
    page = min(max(1, page), pages)
    rows = db.session.execute(
        select(LogEntry, Member.name)
        .outerjoin(Member, Member.id == LogEntry.member_id)
        .order_by(LogEntry.at.desc(), LogEntry.id.desc())
        .limit(LOG_LINES)
        .offset((page - 1) * LOG_LINES)
    )
    return LogPage(
        lines=tuple(
            LogLine(at=e.at, who=who or "", action=e.action, subject=e.subject, detail=e.detail)
            for e, who in rows
        ),
        page=page,
        pages=pages,
        total=total,
    )
