"""From a notice to the messages that carry it: one for each way to its recipient."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.notices.deliveries import Message
from dashboard.notices.digest import Matter, digest_words
from dashboard.notices.words import Place, finding_words

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from dashboard.notices.deliveries import Delivery
    from dashboard.notices.log import Log, Notice
    from dashboard.notices.settings import Recipient


def ways(recipient: Recipient) -> Iterator[tuple[str, str]]:
    """Yield channel and address of every way to a recipient."""
    if recipient.mail is not None:
        yield "mail", recipient.mail
    if recipient.webhook is not None:
        yield f"webhook {recipient.webhook}", recipient.webhook


def messages(
    notice: Notice, recipient: Recipient, matter: Matter, deliveries: Iterable[Delivery], place: Place
) -> list[Message]:
    """Return what carries a notice.

    Parameters
    ----------
    notice : Notice
        What was decided.
    recipient : Recipient
        To whom.
    matter : Matter
        What is known.
    deliveries : iterable of Delivery
        Earlier messages, for the thread.
    place : Place
        The installation.

    Returns
    -------
    list of Message
        One a way; their identifiers depend on the notice and the way alone.
    """
    words = (
        digest_words(notice, matter, place)
        if notice.kind == "digest"
        else finding_words(notice, matter.cases, place)
    )
    before = _notices_before(notice, matter.log)
    earlier = sorted((d.message for d in deliveries if d.message.notice in before), key=lambda m: m.time)
    return [
        Message(
            f"{notice.id}.{channel.replace(' ', '.')}",
            notice.id,
            notice.recipient,
            notice.kind,
            channel,
            address,
            notice.time,
            words.subject,
            words.text,
            words.data,
            tuple(m.id for m in earlier if m.channel == channel),
        )
        for channel, address in ways(recipient)
    ]


def _notices_before(notice: Notice, log: Log) -> set[str]:
    """Return the notices in which this recipient was told the same findings."""
    marks = {entry.mark for entry in notice.entries}
    return {
        one
        for (recipient, mark, _), told in log.told.items()
        if recipient == notice.recipient and mark in marks
        for one in told.notices
    }
