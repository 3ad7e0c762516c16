"""E-mail against a real SMTP server in the same process."""

from __future__ import annotations

import email
import email.policy
import socket
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

from gardenapp.errors import FieldRefused, NotAllowed
from gardenapp.services.notices import mail
from gardenapp.services.notices.mail import MailSettings, Message, NotSent
from tests.conftest import NOW
from tests.factories import Factory

pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
SERVER = "RFC 5321 and 5322, spoken by the aiosmtpd server"
TEXT = "Low about −1.0 °C. Nåtten blir kall.\n.\nA line after a lone dot."


@dataclass
class Box:
    """Keeps what a server was given; `refuses` answers a recipient with that line."""

    refuses: str = ""
    letters: list[Any] = field(default_factory=list)

    async def handle_RCPT(
        self, server: Any, session: Any, envelope: Any, address: str, options: list[str]
    ) -> str:
        if self.refuses:
            return self.refuses
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.letters.append(envelope)
        return "250 taken"


@dataclass(frozen=True)
class Server:
    box: Box
    port: int

    @property
    def settings(self) -> MailSettings:
        return MailSettings("127.0.0.1", self.port, "none", "", "garden@example.org")

    def letter(self) -> EmailMessage:
        (envelope,) = self.box.letters
        parsed = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(parsed, EmailMessage)
        return parsed


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def serve(**options: Any) -> Iterator[Server]:
    box = Box()
    controller = Controller(box, hostname="127.0.0.1", port=free_port(), **options)
    controller.start()
    try:
        yield Server(box, controller.port)
    finally:
        controller.stop()


@pytest.fixture
def server() -> Iterator[Server]:
    yield from serve()


@pytest.fixture
def locked_server() -> Iterator[Server]:
    def check(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        good = data.password == b"right horse"
        return AuthResult(success=good, handled=good)

    yield from serve(authenticator=check, auth_required=True, auth_require_tls=False)


def message(**changes: Any) -> Message:
    values: dict[str, Any] = {
        "id": "abc123",
        "to": "tam@example.org",
        "subject": "Lantern Lane: cover up by 15:45 tonight – ❄",
        "text": TEXT,
        "stop_at": "http://garden.test/me/notices",
    }
    return Message(**values | changes)


@pytest.mark.outside(SERVER)
def test_a_message_arrives_as_it_was_written(server: Server) -> None:
    mail.send(message(), settings=server.settings, password="", now=NOW)

    letter = server.letter()
    assert server.box.letters[0].rcpt_tos == ["tam@example.org"]
    assert letter["Subject"] == "Lantern Lane: cover up by 15:45 tonight – ❄"
    assert letter.get_content().replace("\r\n", "\n").strip() == TEXT
    assert letter["Message-ID"] == "<abc123@example.org>"
    assert letter["Auto-Submitted"] == "auto-generated"
    assert letter["List-Unsubscribe"] == "<http://garden.test/me/notices>"
    assert letter["From"].addresses[0].addr_spec == "garden@example.org"


@pytest.mark.outside(SERVER)
@pytest.mark.parametrize(
    ("answer", "is_final"),
    [("550 no such box", True), ("451 later, please", False)],
    ids=["for good", "for now"],
)
def test_a_refused_recipient_is_told_apart_from_one_to_try_again(
    server: Server, answer: str, is_final: bool
) -> None:
    server.box.refuses = answer

    with pytest.raises(NotSent, match=answer[:3]) as caught:
        mail.send(message(), settings=server.settings, password="", now=NOW)

    assert caught.value.is_final is is_final
    assert "tam@example.org" not in str(caught.value)


@pytest.mark.outside("RFC 4954 sign-in, spoken by the aiosmtpd server")
def test_the_password_is_used_and_a_wrong_one_is_said(locked_server: Server) -> None:
    settings = MailSettings("127.0.0.1", locked_server.port, "none", "garden", "g@example.org")

    with pytest.raises(NotSent, match="user name or password"):
        mail.send(message(), settings=settings, password="wrong horse", now=NOW)
    mail.send(message(), settings=settings, password="right horse", now=NOW)

    assert len(locked_server.box.letters) == 1


def test_a_server_without_encryption_gets_nothing_where_encryption_is_set(server: Server) -> None:
    settings = MailSettings("127.0.0.1", server.port, "starttls", "garden", "g@example.org")

    with pytest.raises(NotSent, match="does not offer"):
        mail.send(message(), settings=settings, password="secret horse", now=NOW)

    assert server.box.letters == []


def test_a_server_that_is_not_there_is_said_in_words() -> None:
    settings = MailSettings("127.0.0.1", free_port(), "none", "", "g@example.org")

    with pytest.raises(NotSent, match="could not reach"):
        mail.send(message(), settings=settings, password="", now=NOW)


@pytest.mark.parametrize(
    "address",
    [
        "",
        "tam",
        "tam@",
        "@example.org",
        "tam@example.org, other@example.org",
        "Tam <tam@example.org>",
        "tam@example.org\nBcc: other@example.org",
        "tam@.org",
        "tam @example.org",
        "t\x00m@example.org",
        "x" * 250 + "@example.org",
        "tam@exämple.org",
        "\ud800@example.org",
    ],
)
def test_what_is_no_single_address_is_refused(address: str) -> None:
    with pytest.raises(FieldRefused, match="one e-mail address"):
        mail.check_address(address)


@pytest.mark.sqlite  # the file that is read is the database
def test_the_password_stands_in_a_file_for_its_owner_alone(make: Factory, tmp_path: Path) -> None:
    odile = make.coordinator()
    settings = MailSettings("mail.example.org", 587, "starttls", "garden", "g@example.org")

    mail.change_mail_settings(
        settings=settings, password="right horse", instance=tmp_path, by_id=odile.id, now=NOW
    )

    path = tmp_path / mail.PASSWORD_FILE
    assert mail.read_password(tmp_path) == "right horse"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert b"right horse" not in (tmp_path / "garden.sqlite").read_bytes()
    assert mail.get_mail_settings() == settings


def test_a_password_is_not_sent_to_another_server_than_it_was_given_for(
    make: Factory, tmp_path: Path
) -> None:
    odile = make.coordinator()
    first = MailSettings("mail.example.org", 587, "starttls", "garden", "g@example.org")
    other = MailSettings("mail.example.com", 587, "starttls", "garden", "g@example.org")
    mail.change_mail_settings(
        settings=first, password="right horse", instance=tmp_path, by_id=odile.id, now=NOW
    )
    mail.change_mail_settings(
        settings=first, password=None, instance=tmp_path, by_id=odile.id, now=NOW
    )
    assert mail.read_password(tmp_path) == "right horse"

    mail.change_mail_settings(
        settings=other, password=None, instance=tmp_path, by_id=odile.id, now=NOW
    )

    assert mail.read_password(tmp_path) == ""


def test_forgetting_the_server_forgets_the_password(make: Factory, tmp_path: Path) -> None:
    odile = make.coordinator()
    settings = MailSettings("mail.example.org", 587, "starttls", "garden", "g@example.org")
    mail.change_mail_settings(
        settings=settings, password="right horse", instance=tmp_path, by_id=odile.id, now=NOW
    )

    mail.change_mail_settings(
        settings=MailSettings(), password=None, instance=tmp_path, by_id=odile.id, now=NOW
    )

    assert not mail.has_password(tmp_path)
    assert not mail.get_mail_settings().is_set


@pytest.mark.parametrize(
    ("changes", "field_name"),
    [
        ({"host": "mail example"}, "host"),
        ({"sender": "nobody"}, "sender"),
        ({"security": "none", "user": "garden"}, "security"),
        ({"security": "rot13"}, "security"),
        ({"port": 0}, "port"),
    ],
    ids=["host", "sender", "bare password", "unknown security", "port"],
)
def test_unsafe_settings_are_refused_beside_their_field(
    make: Factory, tmp_path: Path, changes: dict[str, Any], field_name: str
) -> None:
    make.garden()
    values: dict[str, Any] = {"host": "mail.example.org", "sender": "g@example.org"}

    with pytest.raises(FieldRefused) as caught:
        mail.change_mail_settings(
            settings=MailSettings(**values | changes),
            password=None,
            instance=tmp_path,
            by_id=None,
            now=NOW,
        )

    assert caught.value.field == field_name


def test_a_member_cannot_name_the_mail_server(make: Factory, tmp_path: Path) -> None:
    with pytest.raises(NotAllowed):
        mail.change_mail_settings(
            settings=MailSettings(),
            password="x",
            instance=tmp_path,
            by_id=make.member().id,
            now=NOW,
        )
