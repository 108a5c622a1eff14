"""The journal that several sites share: which of its messages are a site's, and how far its archive has them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.checkpoint import read_positions
from ingest.files import publish
from ingest.fleet import FLEET, Dispatch
from ingest.tail import Batch, read_batch

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

Places = dict[str, tuple[int, int]]
"""Writer to segment and byte."""

SHARED = "fleet/"
"""Start of a shared journal's name in a site's checkpoint."""


@dataclass(frozen=True, slots=True)
class Share:
    """What a site has of a shared journal.

    Attributes
    ----------
    folder : Path
        The fleet's folder, which holds the journal.
    topics : tuple of str
        Filters of the topics that are the site's.
    """

    folder: Path
    topics: tuple[str, ...]


def _path(archive: Path, site: str) -> Path:
    return archive / "state" / f"site={site}" / "fleet.json"


def note_share(archive: Path, site: str, share: Share) -> None:
    """Note in a site's archive where messages of it wait; nothing is written where that is known."""
    if read_share(archive, site) == share:
        return
    content = {"folder": str(share.folder), "topics": list(share.topics)}
    publish(_path(archive, site), json.dumps(content).encode(), "checkpoint")


def read_share(archive: Path, site: str) -> Share | None:
    """Return what a site has of a shared journal, or None where it has a journal of its own only."""
    try:
        content = json.loads(_path(archive, site).read_bytes())
    except (FileNotFoundError, ValueError):
        return None
    return Share(archive.__class__(content["folder"]), tuple(content["topics"]))


def places_of(positions: Mapping[str, tuple[int, int]]) -> Places:
    """Return how far a site's archive has the shared journals."""
    return {name.removeprefix(SHARED): place for name, place in positions.items() if name.startswith(SHARED)}


def read_shared(archive: Path, site: str, positions: Mapping[str, tuple[int, int]]) -> Batch | None:
    """Return a site's messages that wait in a shared journal, or None where there is none.

    Parameters
    ----------
    archive : Path
        The site's archive.
    site : str
        The installation's name as it stands in archive paths.
    positions : mapping of str to (int, int)
        How far the archive has the journals.

    Raises
    ------
    FileNotFoundError
        If the archiver removed a segment meanwhile: read the positions again.
    """
    share = read_share(archive, site)
    if share is None:
        return None
    floor, own = read_positions(share.folder, FLEET), places_of(positions)
    begin = {name: max(floor.get(name, (0, 0)), own.get(name, (0, 0))) for name in {*floor, *own}}
    whose = Dispatch([(topic, 0) for topic in share.topics])
    batch = read_batch(share.folder, FLEET, begin)
    batch.messages = [message for message in batch.messages if whose(message.topic) == 0]
    batch.positions = {f"{SHARED}{name}": place for name, place in batch.positions.items()}
    batch.too_large, batch.broker, batch.damages = [], [], []
    return batch
