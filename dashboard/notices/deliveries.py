"""Messages on their way: what state each is in, which may be tried now, and which may have come before.

No way of sending can promise that a message arrives exactly once. What is promised: an attempt is written down
before it begins and its end after; where the end is missing or not clear, the next attempt is marked as a
possible repeat, with the same identifier.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from dashboard.notices.log import instant

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

State = Literal["queued", "attempting", "failed", "delivered", "given up"]

FIRST_WAIT = pd.Timedelta(seconds=15)
"""Wait after the first failure; it doubles with each one. No source."""

LONGEST_WAIT = {
    "stop": pd.Timedelta(minutes=5),
    "group": pd.Timedelta(hours=1),
    "digest": pd.Timedelta(hours=1),
}
"""Longest wait between two attempts. No source."""

GIVE_UP = {"group": pd.Timedelta(days=3), "digest": pd.Timedelta(days=1)}
"""After what time a message is given up; a stop never is. No source; mail servers give up after four or five days."""


@dataclass(frozen=True, slots=True)
class Message:
    """One notice by one way.

    Attributes
    ----------
    id : str
        The same at every attempt.
    notice, recipient, kind : str
        Of the notice.
    channel : str
        ``mail`` or ``webhook NAME``.
    address : str
        Where it goes: a mail address, or the webhook's name.
    time : pandas.Timestamp
        When it was written. [UTC]
    subject, text : str
        What it says.
    data : dict
        The same for machines.
    parents : tuple of str
        Messages by the same way that told the same findings before, oldest first.
    """

    id: str
    notice: str
    recipient: str
    kind: str
    channel: str
    address: str
    time: pd.Timestamp
    subject: str
    text: str
    data: dict[str, Any] = field(default_factory=dict)
    parents: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Delivery:
    """How far a message has come.

    Attributes
    ----------
    message : Message
        What.
    state : str
        As `State`.
    tries : int
        Attempts. [-]
    last : pandas.Timestamp
        When the state was reached. [UTC]
    doubt : pandas.Timestamp or None
        First attempt that may have arrived although nobody said so. [UTC]
    said : str
        What the other side answered, or why it failed.
    """

    message: Message
    state: State
    tries: int
    last: pd.Timestamp
    doubt: pd.Timestamp | None = None
    said: str = ""

    @property
    def settled(self) -> bool:
        """Whether nothing more will be tried."""
        return self.state in ("delivered", "given up")


@dataclass(frozen=True, slots=True)
class Answer:
    """How one attempt ended.

    Attributes
    ----------
    arrived : bool
        Whether the other side took it over.
    said : str
        Its answer, or the problem, for a person; never a secret.
    sure : bool
        False where it may have arrived all the same.
    """

    arrived: bool
    said: str
    sure: bool = True


def row(message_id: str, state: State, now: pd.Timestamp, answer: Answer | None = None) -> dict[str, Any]:
    """Return the line of a step."""
    step: dict[str, Any] = {"what": state, "message": message_id, "time": now.isoformat()}
    if answer is not None:
        step |= {"said": answer.said, "sure": answer.sure}
    return step


def step(delivery: Delivery, line: Mapping[str, Any]) -> Delivery:
    """Return a delivery after the step that a line tells."""
    now, state = instant(line["time"]), line["what"]
    doubt = delivery.doubt
    if not line.get("sure", True) and doubt is None:
        doubt = delivery.last  # when the attempt began
    tries = delivery.tries + (state == "attempting")
    return replace(delivery, state=state, tries=tries, last=now, doubt=doubt, said=line.get("said", ""))


def wait(kind: str, tries: int) -> pd.Timedelta:
    """Return how long to wait after a number of failures.

    Examples
    --------
    >>> [str(wait("stop", n)) for n in (1, 2, 9)]
    ['0 days 00:00:15', '0 days 00:00:30', '0 days 00:05:00']
    """
    doubled: pd.Timedelta = FIRST_WAIT * 2 ** min(max(tries - 1, 0), 20)
    return min(doubled, LONGEST_WAIT[kind])


def due(deliveries: Iterable[Delivery], channel: str, now: pd.Timestamp) -> list[Delivery]:
    """Return what may be tried by one way now: stops first, then the oldest.

    A success by a way opens it at once for whatever has failed there before.

    Parameters
    ----------
    deliveries : iterable of Delivery
        All that is known.
    channel : str
        The way.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    list of Delivery
        Those whose wait is over.
    """
    mine = [d for d in deliveries if d.message.channel == channel]
    opened = max((d.last for d in mine if d.state == "delivered"), default=None)

    def may(one: Delivery) -> bool:
        if one.state == "queued":
            return True
        if one.state != "failed":
            return False
        reopened = opened is not None and opened > one.last
        return reopened or now - one.last >= wait(one.message.kind, one.tries)

    return sorted((d for d in mine if may(d)), key=lambda d: (d.message.kind != "stop", d.message.time))


def hopeless(delivery: Delivery, now: pd.Timestamp) -> bool:
    """Return whether a message has failed for so long that it is given up."""
    limit = GIVE_UP.get(delivery.message.kind)
    return delivery.state == "failed" and limit is not None and now - delivery.message.time >= limit


def message_row(message: Message) -> dict[str, Any]:
    """Return what a line says of a message, besides its notice."""
    return {
        "id": message.id,
        "channel": message.channel,
        "address": message.address,
        "subject": message.subject,
        "text": message.text,
        "data": message.data,
        "parents": list(message.parents),
    }


def message_of(line: Mapping[str, Any], part: Mapping[str, Any]) -> Message:
    """Return the message that a part of a notice's line tells."""
    return Message(
        part["id"],
        line["notice"],
        line["recipient"],
        line["kind"],
        part["channel"],
        part["address"],
        instant(line["time"]),
        part["subject"],
        part["text"],
        part["data"],
        tuple(part["parents"]),
    )
