"""What the ingester remembers of its session with the broker, so that a lost one is noticed."""

from __future__ import annotations

import json
from collections import deque
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from ingest.files import publish_soon
from ingest.frames import Frame, Kind, scan
from ingest.journal import segments
from ingest.packets import Packet, split
from ingest.tail import LEVELS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_NAME = "session.json"


@dataclass(frozen=True, slots=True)
class Known:
    """A session that the broker was asked to keep.

    Attributes
    ----------
    client_id : str
        As whom.
    broker : str
        Host and port.
    filters : list of str
        Topic filters that were subscribed.
    shared : bool
        Whether other ingesters share the subscription.
    """

    client_id: str
    broker: str
    filters: list[str]
    shared: bool = False


def forget(folder: Path) -> None:
    """Forget a writer's session, because it has ended for good."""
    (folder / _NAME).unlink(missing_ok=True)


def remembered(folder: Path) -> Known | None:
    """Return the last session of a writer; None where there was none."""
    try:
        return Known(**json.loads((folder / _NAME).read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def remember(folder: Path, known: Known) -> None:
    """Note a session."""
    publish_soon(folder / _NAME, asdict(known))


def gap_event(since_us: int | None) -> dict[str, str]:
    """Return what to tell when the broker does not know a session that it was asked to keep.

    Parameters
    ----------
    since_us : int, optional
        When the last message came. [µs since 1970, UTC]

    Examples
    --------
    >>> gap_event(0)["detail"]
    'the broker lost the session: messages since 1970-01-01T00:00:00+00:00 may be missing'
    """
    when = "the last connection"
    if since_us is not None:
        when = datetime.fromtimestamp(since_us / 1e6, UTC).isoformat(timespec="seconds")
    return {"kind": "gap", "detail": f"the broker lost the session: messages since {when} may be missing"}


def last_frames(folder: Path, messages: int) -> list[Frame]:
    """Return a writer's newest frames with PUBLISH packets, oldest first.

    Parameters
    ----------
    folder : Path
        The writer's folder.
    messages : int
        How many messages they should hold at least.
    """
    newest: deque[Frame] = deque()
    held = 0
    for _, path in reversed(segments(folder)):
        found = [item for item in scan(path.read_bytes()) if isinstance(item, Frame) and item.kind in LEVELS]
        for frame in reversed(found):
            newest.appendleft(frame)
            held += frame.messages
            if held >= messages:
                return list(newest)
    return list(newest)


class Redelivery:
    """Tells packets that the journal has from those that the broker sends again and it has not.

    A broker sends again, with the old packet identifier, what it has no acknowledgement for. After a crash
    such packets may be in the journal already; without this, a device that sends no times would have its
    reading stored twice, with two times of receipt.

    Parameters
    ----------
    folder : Path
        The writer's folder.
    messages : int
        How many of the newest messages to compare with.
    """

    def __init__(self, folder: Path, messages: int) -> None:
        self._folder = folder
        self._messages = messages
        self._stored: dict[int, tuple[int, int]] | None = None

    def is_stored(self, packet: Packet) -> bool:
        """Tell whether the journal has this packet."""
        if self._stored is None:
            self._stored = self._read()
        return self._stored.get(packet.mid) == _trace(packet)

    def _read(self) -> dict[int, tuple[int, int]]:
        return {
            packet.mid: _trace(packet)
            for frame in last_frames(self._folder, self._messages)
            for packet in split(frame.body, LEVELS[Kind(frame.kind)])
            if packet.mid
        }


def _trace(packet: Packet) -> tuple[int, int]:
    return hash(packet.topic), hash(packet.payload)


def stale_filters(known: Known | None, filters: Sequence[str]) -> list[str]:
    """Return the filters that the session has and that are not wanted any more.

    Examples
    --------
    >>> stale_filters(Known("me", "here:1883", ["old/#", "new/#"]), ["new/#"])
    ['old/#']
    """
    return [] if known is None else [topic for topic in known.filters if topic not in filters]
