"""What goes into the decoders and what comes out: messages, columns of readings, counted rejects."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

REASONS: Mapping[str, str] = MappingProxyType(
    {
        "syntax": "the payload is not what its topic promises: broken JSON, CBOR or protobuf",
        "too large": "the payload is larger than any pack of readings",
        "too deep": "lists inside lists without end",
        "version": "a SenML version with features that are not known here",
        "must understand": "a label that ends in _ and is not known here",
        "name": "no name, or one with characters that SenML forbids",
        "unknown topic": "no source of the installation names this topic",
        "unknown sensor": "no source of the installation names this sensor",
        "unit": "a unit that is not one of the sensor's quantity",
        "no value": "a record without a value",
        "not a number": "text, a truth value or bytes where a number is needed",
        "not finite": "not a number, or infinite",
        "time": "a time that cannot be read",
        "clock": "a time that no working clock shows: before 2000, or more than a day ahead",
        "calibration": "a signal, like mA, with no calibration valid at its time",
        "conflict": "another value for an instant that is stored already; the first one stays",
        "decoder failed": "a fault of this program: the message is set aside so that it blocks no other",
        "damaged journal": "bytes of the journal that are no whole frame",
        "retained": "a message kept by the broker, without a time of its own: its age is not known",
        "alias": "a Sparkplug alias that no birth has announced",
        "missing metric": "a Sparkplug birth without a metric that a sensor reads",
        "death": "a Sparkplug edge node or device has left",
        "sequence": "Sparkplug messages are missing before this one",
    }
)
"""Every reason for which something is not stored, or is worth a note, and what it means."""

FOLDED_AFTER = 20
"""Rejects of one message and one reason that are told one by one; the rest share one entry with a count."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the broker or a file delivered it.

    Attributes
    ----------
    topic : str
        Where it was published.
    payload : bytes
        What was published, untouched.
    received_us : int
        When it was received. [µs since 1970, UTC]
    retained : bool
        Whether the broker had kept it from before the subscription.
    """

    topic: str
    payload: bytes
    received_us: int
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Reject:
    """Something that was not stored, and why; or, among the notices, something to know.

    Attributes
    ----------
    reason : str
        A key of `REASONS`.
    detail : str
        The place, the value and what was expected, for a person.
    message : int
        Index of the message in the batch.
    count : int
        Records that it stands for.
    """

    reason: str
    detail: str
    message: int
    count: int = 1


@dataclass(frozen=True, slots=True)
class Decoded:
    """The readings of a batch of messages, as columns of one length, in the order of the messages.

    Attributes
    ----------
    names : tuple of str
        The installation's sensors.
    code : numpy.ndarray of int32
        Index into `names` of each reading.
    time_us : numpy.ndarray of int64
        When it was measured. [µs since 1970, UTC]
    value : numpy.ndarray of float64
        In the stored unit of the sensor's quantity.
    quality : numpy.ndarray of int8
        Values of `ingest.readings.Quality`.
    received_us : numpy.ndarray of int64
        When its message was received. [µs since 1970, UTC]
    message : numpy.ndarray of int32
        Index of its message in the batch.
    rejects : list of Reject
        What was not stored.
    notices : list of Reject
        What was stored but tells of a fault, such as missing messages before it.
    """

    names: tuple[str, ...]
    code: np.ndarray
    time_us: np.ndarray
    value: np.ndarray
    quality: np.ndarray
    received_us: np.ndarray
    message: np.ndarray
    rejects: list[Reject] = field(default_factory=list)
    notices: list[Reject] = field(default_factory=list)

    @property
    def sensor(self) -> list[str]:
        """The sensor of each reading, by name."""
        return [self.names[code] for code in self.code.tolist()]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.code)


@dataclass(slots=True)
class RejectList:
    """Collects rejects, one entry a record, but never without bound for one message."""

    entries: list[Reject] = field(default_factory=list)
    _seen: dict[tuple[int, str], int] = field(default_factory=dict)

    def add(self, reason: str, detail: str, message: int, count: int = 1) -> None:
        """Note one record that is not stored.

        Examples
        --------
        >>> rejects = RejectList()
        >>> for record in range(30):
        ...     rejects.add("no value", f"record {record}", 0)
        >>> len(rejects.entries), rejects.entries[-1].count
        (21, 10)
        """
        seen = self._seen.get((message, reason), 0) + 1
        self._seen[message, reason] = seen
        if seen <= FOLDED_AFTER:
            self.entries.append(Reject(reason, detail, message, count))
            return
        if seen == FOLDED_AFTER + 1:
            self.entries.append(Reject(reason, f"and others like it, first: {detail}", message, count))
            self._seen[message, reason + " at"] = len(self.entries) - 1
            return
        place = self._seen[message, reason + " at"]
        last = self.entries[place]
        self.entries[place] = Reject(reason, last.detail, message, last.count + count)


def shown(value: object, limit: int = 60) -> str:
    """Return a value from outside as it may stand in a text: quoted, printable, short.

    Examples
    --------
    >>> shown("pressure")
    "'pressure'"
    >>> len(shown("x" * 1000))
    60
    """
    if isinstance(value, (str, bytes)):
        value = value[: limit + 1]
    elif isinstance(value, int) and not isinstance(value, bool) and abs(value) >= 10**limit:
        return "a number with very many digits"
    text = repr(value).encode("utf-8", "backslashreplace").decode("utf-8")
    return text if len(text) <= limit else text[: limit - 1] + "…"


class Place:
    """Where something stands, spelled only if someone asks: plain text and quoted values in turn.

    Examples
    --------
    >>> str(Place("topic ", "a/b", " field x"))
    "topic 'a/b' field x"
    """

    __slots__ = ("_parts",)

    def __init__(self, *parts: str) -> None:
        self._parts = parts

    def __str__(self) -> str:
        """Return the place as text."""
        return "".join(shown(part) if number % 2 else part for number, part in enumerate(self._parts))
