"""Reads journals from a place on: for the archiver, and for readers who want what is not archived yet."""

from __future__ import annotations

import heapq
import json
import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ingest import packets
from ingest.frames import Damage, Frame, Kind, scan
from ingest.journal import segments
from ingest.records import Message

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

CHUNK = 16 * 2**20
"""Bytes read at a time."""

OWN_TOPICS = "tricklebook/state/"
"""Topics of the ingesters' own state; they carry no readings."""

BROKER_TOPICS = "$SYS/"
"""Topics of the broker about itself; they carry no readings."""

DROPPED_TOPIC = "$SYS/broker/publish/messages/dropped"
"""Where mosquitto counts the messages that it could not deliver."""

LEVELS = {Kind.PACKETS_V311: packets.V311, Kind.PACKETS_V5: packets.V5}


Place = tuple[str, int, int]
"""Writer, segment, and byte after a frame."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A frame, or damage, and where it was found."""

    writer: str
    segment: int
    found: Frame | Damage


@dataclass(slots=True)
class Batch:
    """What a stretch of the journals holds.

    Attributes
    ----------
    positions : dict of str to (int, int)
        Writer to segment and byte after the stretch.
    messages : list of Message
        What devices published, oldest first.
    too_large : list of (Message, int)
        First bytes of packets too large to keep, and their full size. [bytes]
    events : list of (int, dict)
        When, and what the ingesters had to tell. [µs since 1970, UTC]
    broker : list of Message
        What the broker tells of itself.
    damages : list of Placed
        Stretches that are no frames.
    size : int
        Bytes read.
    message_places, event_places : list of (str, int, int)
        Writer, segment and byte after the frame of each message and event.
    """

    positions: dict[str, tuple[int, int]]
    messages: list[Message] = field(default_factory=list)
    too_large: list[tuple[Message, int]] = field(default_factory=list)
    events: list[tuple[int, dict[str, object]]] = field(default_factory=list)
    broker: list[Message] = field(default_factory=list)
    damages: list[Placed] = field(default_factory=list)
    size: int = 0
    message_places: list[Place] = field(default_factory=list)
    event_places: list[Place] = field(default_factory=list)


def writers(archive: Path, site: str) -> list[Path]:
    """Return the folders of the journals that belong to a site."""
    return sorted(
        path.parent
        for path in (archive / "journal").glob("*/writer.json")
        if json.loads(path.read_text("utf-8"))["site"] == site
    )


def backlog(archive: Path, site: str, positions: Mapping[str, tuple[int, int]]) -> int:
    """Return how many bytes of the journals are not in the archive yet."""
    total = 0
    for folder in writers(archive, site):
        number, offset = positions.get(folder.name, (0, 0))
        for segment, path in segments(folder):
            if segment >= number:
                try:
                    total += path.stat().st_size - (offset if segment == number else 0)
                except FileNotFoundError:
                    continue
    return max(total, 0)


def _whole_part(path: Path, start: int, budget: int, *, sealed: bool) -> tuple[list[Frame | Damage], bool]:
    """Return what a segment holds from a byte on, about `budget` bytes of it, and whether that is all.

    The end of a segment that is still written may be a frame on its way, and is left for the next time.
    """
    while True:
        with path.open("rb") as file:
            file.seek(start)
            data = file.read(budget)
            rest = file.read(1)
        found = list(scan(data, start))
        if found and isinstance(found[-1], Damage) and found[-1].tail and (rest or not sealed):
            found.pop()
        if found or not rest:
            return found, not rest
        budget *= 2


def _follow(folder: Path, place: tuple[int, int], budget: int) -> Iterator[Placed]:
    """Yield what a writer's journal holds from a place on, until the budget is used up."""
    number, offset = place
    ahead = [(segment, path) for segment, path in segments(folder) if segment >= number]
    for index, (segment, path) in enumerate(ahead):
        start, complete = (offset if segment == number else 0), False
        while not complete:
            if budget <= 0:
                return
            sealed = index + 1 < len(ahead)
            found, complete = _whole_part(path, start, min(budget, CHUNK), sealed=sealed)
            for item in found:
                budget -= item.end - start
                start = item.end
                yield Placed(folder.name, segment, item)


def read_batch(
    archive: Path, site: str, positions: Mapping[str, tuple[int, int]], *, budget: int | None = None
) -> Batch:
    """Read the journals of a site from their places on.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        Whose journals.
    positions : mapping of str to (int, int)
        Writer to segment and byte to begin at; the beginning where left out.
    budget : int, optional
        About how many bytes to read of each journal; all where left out.

    Returns
    -------
    Batch
        Messages in the order of their arrival, each journal's own order kept.

    Raises
    ------
    FileNotFoundError
        If the archiver removed a segment meanwhile: read the positions again.
    """
    batch = Batch(positions=dict(positions))
    streams = [
        _follow(folder, positions.get(folder.name, (0, 0)), budget or sys.maxsize)
        for folder in writers(archive, site)
    ]
    for placed in heapq.merge(*streams, key=_arrival):
        batch.positions[placed.writer] = (placed.segment, placed.found.end)
        batch.size += placed.found.end - placed.found.start
        if isinstance(placed.found, Damage):
            batch.damages.append(placed)
        else:
            _take(batch, placed.found, (placed.writer, placed.segment, placed.found.end))
    return batch


def _arrival(placed: Placed) -> int:
    return placed.found.received_us if isinstance(placed.found, Frame) else 0


def _take(batch: Batch, frame: Frame, place: Place) -> None:
    """Sort a frame's content into the batch."""
    if frame.kind in LEVELS:
        for packet in packets.split(frame.body, LEVELS[Kind(frame.kind)]):
            message = Message(packet.topic, packet.payload, frame.received_us, packet.retained)
            if packet.topic.startswith(BROKER_TOPICS):
                batch.broker.append(message)
            elif not packet.topic.startswith(OWN_TOPICS):
                batch.messages.append(message)
                batch.message_places.append(place)
    elif frame.kind == Kind.TOO_LARGE:
        size = int.from_bytes(frame.body[:8], "big")
        for packet in packets.split(frame.body[8:], packets.V311):
            batch.too_large.append((Message(packet.topic, packet.payload, frame.received_us), size))
    elif frame.kind == Kind.EVENT:
        batch.events.append((frame.received_us, json.loads(frame.body)))
        batch.event_places.append(place)
