"""Sending one e-mail through the server that the garden named.

The password stands in a file of its own beside the database, readable by the owner alone, so
that a copy of the database gives it to nobody.
"""

from __future__ import annotations

import os
import smtplib
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from pathlib import Path

from gardenapp.errors import FieldRefused, GardenError, NotAllowed
from gardenapp.extensions import db
from gardenapp.models.notices import SECURITIES, MailServer
from gardenapp.models.people import Member
from gardenapp.services import change_log
from gardenapp.services.transaction import write_transaction
from gardenapp.words import _

PASSWORD_FILE = "smtp_password"  # noqa: S105  (a file's name)
TIMEOUT_S = 10.0
MOST_ADDRESS = 254  # RFC 5321, 4.5.3.1.3, less the brackets
USUAL_PORTS = {"starttls": 587, "tls": 465, "none": 25}


class NotSent(GardenError):
    """A message did not go out, with the reason in words. `is_final`: trying again is no use."""

    def __init__(self, message: str, *, is_final: bool = False) -> None:
        super().__init__(message)
        self.is_final = is_final


@dataclass(frozen=True)
class MailSettings:
    """How mail leaves. An empty host means that no server is set."""

    host: str = ""
    port: int = 587
    security: str = "starttls"
    user: str = ""
    sender: str = ""

    @property
    def is_set(self) -> bool:
        return bool(self.host)


@dataclass(frozen=True)
class Message:
    """One e-mail. `id` stays the same over all tries, so a second copy can be told as one."""

    id: str
    to: str
    subject: str
    text: str
    stop_at: str = ""


def get_mail_settings() -> MailSettings:
    """The garden's mail server, or settings without a host."""
    row = db.session.get(MailServer, 1)
    if row is None:
        return MailSettings()
    return MailSettings(row.host, row.port, row.security, row.user, row.sender)


def has_password(instance: Path) -> bool:
    """Whether a password for the mail server is kept."""
    return (instance / PASSWORD_FILE).exists()


def read_password(instance: Path) -> str:
    """The kept password, or empty."""
    path = instance / PASSWORD_FILE
    try:
        return path.read_text(encoding="utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise NotSent(
            _("We can’t read the file with the mail password. Enter the password again.")
        ) from error


def change_mail_settings(
    *,
    settings: MailSettings,
    password: str | None,
    instance: Path,
    by_id: int | None,
    now: datetime,
) -> None:
    """Name the mail server; an empty host forgets it and its password.

    `password` None leaves the kept one, unless the server or its user changes: a password
    is never sent to a server it was not given for.

    Raises NotAllowed, FieldRefused.
    """
    settings = _checked(settings)
    before = get_mail_settings()
    if password is None and (before.host, before.user) != (settings.host, settings.user):
        password = ""
    with write_transaction(changes_board=False) as session:
        if by_id is not None:
            actor = session.get(Member, by_id, populate_existing=True)
            if actor is None or not actor.is_active or not actor.is_coordinator:
                raise NotAllowed(_("Only a coordinator can do this."))
        row = session.get(MailServer, 1)
        if not settings.is_set:
            if row is not None:
                session.delete(row)
        else:
            if row is None:
                row = MailServer(id=1)
                session.add(row)
            row.host, row.port, row.security = settings.host, settings.port, settings.security
            row.user, row.sender = settings.user, settings.sender
        change_log.record(
            action="changed the mail server",
            subject=settings.host or "none",
            at=now,
            member_id=by_id,
        )
    if password is not None:
        _keep_password(instance, password if settings.is_set else "")


def send(message: Message, *, settings: MailSettings, password: str, now: datetime) -> None:
    """Hand one message to the mail server. Raises NotSent, with words for a coordinator."""
    if not settings.is_set:
        raise NotSent(_("The garden has no mail server yet."))
    mail = _mail(message, settings, now)
    context = ssl.create_default_context()
    try:
        if settings.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                settings.host, settings.port, timeout=TIMEOUT_S, context=context
            )
        else:
            server = smtplib.SMTP(settings.host, settings.port, timeout=TIMEOUT_S)
        with server:
            if settings.security == "starttls":
                server.starttls(context=context)
            if settings.user:
                server.login(settings.user, password)
            server.send_message(mail, to_addrs=[message.to])
    except smtplib.SMTPRecipientsRefused as error:
        codes = [code for code, _reply in error.recipients.values()]
        final = any(500 <= code < 600 for code in codes)
        raise NotSent(
            _(
                "The mail server does not take this address (%(codes)s).",
                codes=codes[0] if codes else "?",
            ),
            is_final=final,
        ) from error
    except smtplib.SMTPAuthenticationError as error:
        raise NotSent(_("The mail server refuses the user name or password.")) from error
    except smtplib.SMTPNotSupportedError as error:
        raise NotSent(
            _(
                "The mail server does not offer what you chose: encryption by STARTTLS, or "
                "signing in."
            )
        ) from error
    except smtplib.SMTPResponseException as error:
        raise NotSent(
            _("The mail server replied %(smtp_code)s.", smtp_code=error.smtp_code)
        ) from error
    except ssl.SSLError as error:
        raise NotSent(_("We can’t use the mail server’s certificate or encryption.")) from error
    except (smtplib.SMTPException, OSError, UnicodeError) as error:
        raise NotSent(_("We could not reach the mail server, or it broke off.")) from error


def check_address(address: str) -> str:
    """`address` trimmed, if it can be one e-mail address. Raises FieldRefused.

    Whether it is anybody's only a message to it can tell, which is why one is sent.
    """
    cleaned = address.strip()
    name, parsed = parseaddr(cleaned)
    local, _at, domain = cleaned.rpartition("@")
    if (
        name
        or parsed != cleaned
        or not local
        or not domain
        or len(cleaned) > MOST_ADDRESS
        or not cleaned.isascii()
        or not cleaned.isprintable()
        or any(c in cleaned for c in ' ,;<>()"\\')
        or domain.startswith(".")
        or domain.endswith(".")
    ):
        raise FieldRefused("address", _("Enter one e-mail address, such as name@example.org."))
    return cleaned


def _mail(message: Message, settings: MailSettings, now: datetime) -> EmailMessage:
    mail = EmailMessage()
    mail["From"] = settings.sender
    mail["To"] = message.to
    mail["Subject"] = message.subject
    mail["Date"] = format_datetime(now)
    domain = settings.sender.rpartition("@")[2]
    mail["Message-ID"] = f"<{message.id}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: answering machines keep still
    if message.stop_at:
        mail["List-Unsubscribe"] = f"<{message.stop_at}>"
    mail.set_content(message.text)
    return mail


def _checked(settings: MailSettings) -> MailSettings:
    host = settings.host.strip().rstrip(".").lower()
    if not host:
        return MailSettings()
    if not all(c.isascii() and (c.isalnum() or c in ".-_:") for c in host):
        raise FieldRefused("host", _("Enter the server’s name, such as mail.example.org."))
    if settings.security not in SECURITIES:
        raise FieldRefused("security", _("Choose one of the list."))
    if not 1 <= settings.port <= 65_535:
        raise FieldRefused("port", _("Enter a port between 1 and 65535."))
    if settings.user and settings.security == "none" and host not in {"localhost", "127.0.0.1"}:
        raise FieldRefused(
            "security", _("Without encryption a password would be readable on the way. Choose TLS.")
        )
    try:
        sender = check_address(settings.sender)
    except FieldRefused as error:
        raise FieldRefused("sender", str(error)) from error
    return MailSettings(host, settings.port, settings.security, settings.user.strip(), sender)


def _keep_password(instance: Path, password: str) -> None:
    path = instance / PASSWORD_FILE
    if not password:
        path.unlink(missing_ok=True)
        return
    draft = instance / f".{PASSWORD_FILE}.{os.getpid()}"
    draft.unlink(missing_ok=True)
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(password)
    draft.replace(path)
