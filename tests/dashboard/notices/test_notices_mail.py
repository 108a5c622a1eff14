"""Mail against a real server with TLS and login; and that nothing can become a header."""

from __future__ import annotations

import string
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.notices.deliveries import Delivery, Message
from dashboard.notices.mail import Mailer, composed
from dashboard.notices.settings import Mail
from dashboard.notices.words import Place, one_line
from ingest.errors import UserError
from tests.support.broker import free_port
from tests.support.notice_servers import (
    PASSWORD,
    REFUSE,
    SWALLOW,
    USER,
    Certificates,
    MailServer,
    certificates,
)
from tests.support.notices import NOW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.installation import Installation

LOGIN = (USER, PASSWORD)


def delivery(**changed: Any) -> Delivery:
    """Return a message that is due."""
    said: dict[str, Any] = {"subject": "ACT: leak, bench1", "text": "First: look.", "parents": ()} | changed
    message = Message("m1.mail", "m1", "ana", "group", "mail", "ana@garden.example", NOW, **said)
    return Delivery(message, "queued", 0, NOW)


def mailer(port: int, papers: Certificates, place: Place, login: Any = LOGIN, **changed: Any) -> Mailer:
    """Return what sends to a server of the tests."""
    said = {
        "host": "localhost",
        "port": port,
        "sender": "drip@garden.example",
        "ca_file": papers.authority.name,
    }
    return Mailer(Mail.model_validate(said | changed), login, papers.authority.parent, place)


@pytest.fixture(params=[False, True], ids=["tls", "starttls"])
def either(papers: Certificates, request: pytest.FixtureRequest) -> Iterator[MailServer]:
    """Run a server with TLS from the first byte, and one with STARTTLS."""
    server = MailServer(papers, starttls=request.param)
    server.start()
    yield server
    server.stop()


def test_mail_arrives_by_both_kinds_of_tls(either: MailServer, papers: Certificates, place: Place) -> None:
    """With login and a checked certificate the server takes it, and says so."""
    security = "starttls" if either.starttls else "tls"

    answer = mailer(either.port, papers, place, security=security).send(delivery(), NOW)

    assert (answer.arrived, answer.said) == (True, "250 2.0.0 taken over")
    (mail,) = either.taken
    assert mail["Subject"] == "ACT: leak, bench1"
    assert mail.get_content().strip() == "First: look."
    assert mail["Message-ID"] == "<m1.mail.brackendale-test-beds@garden.example>"
    assert mail["Auto-Submitted"] == "auto-generated"


def test_a_strange_certificate_is_refused_before_anything_is_said(
    mail_server: MailServer, place: Place, tmp_path: Path
) -> None:
    """A server whose authority is not ours gets neither password nor text."""
    strangers = certificates(tmp_path)

    answer = mailer(mail_server.port, strangers, place).send(delivery(), NOW)

    assert (answer.arrived, answer.sure) == (False, True)
    assert "certificate" in answer.said
    assert mail_server.taken == []


def test_a_certificate_of_another_name_is_refused(place: Place, tmp_path: Path) -> None:
    """The name in the certificate must be the one that the file names."""
    server = MailServer(certificates(tmp_path, name="elsewhere.example"))
    server.start()
    answer = mailer(server.port, server.certificates, place).send(delivery(), NOW)
    server.stop()

    assert (answer.arrived, answer.sure) == (False, True)
    assert "localhost" in answer.said


def test_a_wrong_password_is_told_without_it(
    mail_server: MailServer, papers: Certificates, place: Place
) -> None:
    """The server's words come through; the password does not."""
    answer = mailer(mail_server.port, papers, place, (USER, "wrong one")).send(delivery(), NOW)

    assert not answer.arrived
    assert answer.said.startswith("535")
    assert "wrong one" not in answer.said


def test_no_tls_is_no_mail(papers: Certificates, place: Place) -> None:
    """A server that offers no STARTTLS gets nothing."""
    from aiosmtpd.controller import Controller  # noqa: PLC0415 - only here
    from aiosmtpd.handlers import Sink  # noqa: PLC0415 - only here

    plain = Controller(Sink(), hostname="127.0.0.1", port=free_port())
    plain.start()
    answer = mailer(plain.port, papers, place, security="starttls").send(delivery(), NOW)
    plain.stop()

    assert (answer.arrived, answer.sure) == (False, True)
    assert "STARTTLS" in answer.said


def test_who_refuses_has_surely_not_taken_it(
    mail_server: MailServer, papers: Certificates, place: Place
) -> None:
    """A refusal is no doubt: the next attempt is no repeat."""
    mail_server.manner = REFUSE

    answer = mailer(mail_server.port, papers, place).send(delivery(), NOW)

    assert (answer.arrived, answer.sure, answer.said) == (False, True, "451 4.3.0 not now")


def test_who_breaks_off_after_the_text_may_have_taken_it(
    mail_server: MailServer, papers: Certificates, place: Place
) -> None:
    """A connection that breaks before the answer leaves a doubt, and the next copy says so with the same identifier."""
    mail_server.manner = SWALLOW
    post = mailer(mail_server.port, papers, place)
    first = post.send(delivery(), NOW)
    mail_server.manner = "accept"
    second = post.send(replace(delivery(), doubt=NOW), NOW)

    assert (first.arrived, first.sure, second.arrived) == (False, False, True)
    one, other = mail_server.taken
    assert one["Message-ID"] == other["Message-ID"]
    assert other["Subject"] == "Repeat? ACT: leak, bench1"
    assert "This may be a repeat: an attempt at 13:00 ended without a clear answer." in other.get_content()


def test_nobody_there_is_no_doubt(papers: Certificates, place: Place) -> None:
    """A port that nobody listens at has surely taken nothing."""
    answer = mailer(free_port(), papers, place).send(delivery(), NOW)

    assert (answer.arrived, answer.sure) == (False, True)


def test_a_file_that_is_no_certificate_is_named(papers: Certificates, place: Place) -> None:
    """The text names the file."""
    with pytest.raises(UserError, match=r"server\.key: no certificates of an authority could be read"):
        mailer(1, papers, place, ca_file="server.key")


def test_mails_of_one_finding_make_a_thread(place: Place) -> None:
    """A later mail answers the last one and refers to the first."""
    settings = Mail(host="localhost", sender="drip@garden.example")
    parents = tuple(f"m{n}.mail" for n in range(30))

    mail = composed(delivery(parents=parents), settings, place, NOW)

    refers = mail["References"].split()
    assert mail["In-Reply-To"] == refers[-1] == "<m29.mail.brackendale-test-beds@garden.example>"
    assert refers[0] == "<m0.mail.brackendale-test-beds@garden.example>"
    assert len(refers) == 10


NASTY = st.text(
    alphabet=st.characters(codec="utf-8") | st.sampled_from("\r\n\x0b\x0c\x1c\x85\u2028\u2029:"), max_size=200
)


@given(NASTY, NASTY, NASTY)
def test_no_text_can_become_a_header(name: str, subject: str, text: str) -> None:
    """Whatever stands in names, subjects and findings, the headers are ours alone and each is one line."""
    import tomllib  # noqa: PLC0415 - only here

    from ingest.installation import Installation  # noqa: PLC0415 - only here
    from tests.dashboard import field as invented  # noqa: PLC0415 - only here

    base = Installation.model_validate(tomllib.loads(invented.installation_text()))
    system: Installation = base.model_copy(update={"name": name + "\r\nBcc: all@example.org"})
    settings = Mail(host="localhost", sender="drip@garden.example")
    evil = "\r\nBcc: all@example.org\r\n\r\n<b>"

    mail = composed(delivery(subject=subject + evil, text=text + evil), settings, Place(system), NOW)

    raw = mail.as_bytes()
    head, _, _ = raw.partition(b"\r\n\r\n")
    names = [
        line.partition(b":")[0].decode() for line in head.split(b"\r\n") if line[:1] not in (b" ", b"\t")
    ]
    assert set(names) <= {
        "From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "Content-Type",
        "Content-Transfer-Encoding", "MIME-Version",
    }  # fmt: skip
    assert raw.isascii()


@given(NASTY)
def test_a_subject_is_one_short_line(text: str) -> None:
    """At most sixty letters, no control character among them."""
    line = one_line(text)

    assert len(line) <= 60
    assert not set(line) & set("\r\n\x00\x0b\x0c\x85\u2028\u2029")
    assert all(letter.isprintable() or letter in string.whitespace or ord(letter) > 0xFF for letter in line)
