"""Notices as mail: composed so that nothing in them can become a header, sent by SMTP with TLS only."""

from __future__ import annotations

import smtplib
import ssl
from contextlib import suppress
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from typing import TYPE_CHECKING

from dashboard.notices.deliveries import Answer, Delivery
from dashboard.notices.words import one_line, repeat_words
from ingest.address import plain
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    import pandas as pd

    from dashboard.notices.settings import Mail
    from dashboard.notices.words import Place

PATIENCE_S = 20.0
"""How long the server may take to answer one command. No source; RFC 5321 section 4.5.3.2 allows minutes. [s]"""

LONGEST_NAME = 60
LONGEST_ANSWER = 200
FIRST_AND_LAST = (1, 9)
"""Mails that a mail refers to: the thread's first, and the last few. No source. [-]"""

_OK, _FORWARDED = 250, 251


def message_id(message: str, site: str, sender: str) -> str:
    """Return the Message-ID of a message: the same at every attempt."""
    return f"<{message}.{site[:40]}@{sender.rpartition('@')[2]}>"


def composed(delivery: Delivery, settings: Mail, place: Place, now: pd.Timestamp) -> EmailMessage:
    """Return a message as mail.

    Parameters
    ----------
    delivery : Delivery
        The message, and whether it may have come before.
    settings : Mail
        Who sends.
    place : Place
        The installation.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    email.message.EmailMessage
        Plain text. It refers to the mails that told the same findings, so that they make one thread.
    """
    message = delivery.message
    subject, text = message.subject, message.text
    if delivery.doubt is not None:
        subject, text = repeat_words(subject, text, delivery.doubt, place)
    site = place.installation.site
    mail = EmailMessage(policy=SMTP)
    name = one_line(place.installation.name, LONGEST_NAME)
    mail["From"] = Address(display_name=name, addr_spec=settings.sender)
    mail["To"] = Address(addr_spec=message.address)
    mail["Subject"] = one_line(subject)
    mail["Date"] = format_datetime(now.tz_convert(place.installation.tz).to_pydatetime(warn=False))
    mail["Message-ID"] = message_id(message.id, site, settings.sender)
    parents = [message_id(parent, site, settings.sender) for parent in message.parents]
    if parents:
        mail["In-Reply-To"] = parents[-1]
        first, last = FIRST_AND_LAST
        mail["References"] = " ".join(dict.fromkeys((*parents[:first], *parents[-last:])))
    mail["Auto-Submitted"] = "auto-generated"
    if message.kind == "stop":
        mail["Importance"] = "high"
    mail.set_content("\n".join(_printable(text)), cte="quoted-printable")
    return mail


def _printable(text: str) -> Iterator[str]:
    """Yield the lines of a text without control characters."""
    for line in text.splitlines():
        yield "".join(letter for letter in line if letter.isprintable() or letter in "\t\xa0\u202f")


class Mailer:
    """Sends mail by one server; each message by a connection of its own.

    Parameters
    ----------
    settings : Mail
        Where.
    login : tuple of str or None
        User and password; None for no login.
    folder : Path
        Where relative paths of the file begin.
    place : Place
        The installation.
    """

    def __init__(self, settings: Mail, login: tuple[str, str] | None, folder: Path, place: Place) -> None:
        self._settings = settings
        self._login = login
        self._place = place
        self._context = client_context(folder / settings.ca_file if settings.ca_file else None)

    def send(self, delivery: Delivery, now: pd.Timestamp) -> Answer:
        """Try to deliver a message once.

        Returns
        -------
        Answer
            Not sure where the connection broke after the text was sent and before the server answered.
        """
        mail = composed(delivery, self._settings, self._place, now)
        handed, server = False, None
        try:
            server = self._connected()
            _check(server.mail(self._settings.sender), "the sender")
            _check(server.rcpt(delivery.message.address), "the recipient")
            handed = True
            code, said = server.data(mail.as_bytes())
            return Answer(arrived=code == _OK, said=_answered(code, said))
        except smtplib.SMTPResponseException as error:
            return Answer(arrived=False, said=_answered(error.smtp_code, error.smtp_error))
        except (OSError, smtplib.SMTPException) as error:
            return Answer(arrived=False, said=one_line(_why(error), LONGEST_ANSWER), sure=not handed)
        finally:
            _leave(server)

    def _connected(self) -> smtplib.SMTP:
        """Return a connection with TLS, its certificate checked, logged in."""
        host, port = self._settings.host, self._settings.door
        if self._settings.security == "tls":
            server: smtplib.SMTP = smtplib.SMTP_SSL(host, port, timeout=PATIENCE_S, context=self._context)
        else:
            server = smtplib.SMTP(host, port, timeout=PATIENCE_S)
        try:
            if self._settings.security == "starttls":
                server.starttls(context=self._context)
            server.ehlo_or_helo_if_needed()
            if self._login is not None:
                server.login(*self._login)
        except BaseException:
            server.close()
            raise
        return server


def client_context(ca: Path | None) -> ssl.SSLContext:
    """Return TLS settings that check name and certificate.

    Raises
    ------
    UserError
        If the file of the authority cannot be read.
    """
    try:
        context = ssl.create_default_context(cafile=ca)
    except (OSError, ssl.SSLError) as error:
        msg = f"{ca}: no certificates of an authority could be read ({plain(error)})"
        raise UserError(msg) from None
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    return context


def _leave(server: smtplib.SMTP | None) -> None:
    """End a connection; what the server says to a good-bye changes nothing."""
    if server is not None:
        with suppress(OSError, smtplib.SMTPException):
            server.quit()
        server.close()


def _why(error: Exception) -> str:
    """Return what went wrong on the way, without what was sent."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"the server's certificate is not accepted: {error.verify_message}"
    return str(error) if isinstance(error, smtplib.SMTPException) else plain(error)


def _check(answer: tuple[int, bytes], whom: str) -> None:
    code, said = answer
    if code not in (_OK, _FORWARDED):
        raise smtplib.SMTPResponseException(code, f"{whom} is refused: {said.decode('utf-8', 'replace')}")


def _answered(code: int, said: bytes | str) -> str:
    """Return a server's answer as one line."""
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    return one_line(f"{code} {text}", LONGEST_ANSWER)
