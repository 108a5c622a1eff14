"""The checkpoint: how far the archive has the journal, and which of its files no manifest names yet."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from ingest.files import publish

if TYPE_CHECKING:
    from pathlib import Path


class CheckpointError(ValueError):
    """Raised when a checkpoint is damaged: its checksum is not that of its content."""


@dataclass(frozen=True, slots=True)
class FileRecord:
    """One published file.

    Attributes
    ----------
    name : str
        Within its day's folder.
    sha256 : str
        Of its bytes.
    rows : int
        Rows in it.
    size : int
        Its length. [bytes]
    weight : int
        Its rows' length in memory. [bytes]
    """

    name: str
    sha256: str
    rows: int
    size: int
    weight: int


@dataclass(slots=True)
class Swap:
    """A folder that is being replaced by its merged form.

    Attributes
    ----------
    folder : str
        The day's folder, relative to the archive.
    built : str
        Where the merged form was built, relative to the archive.
    files : list of FileRecord
        The merged form's files.
    is_whole : bool
        Whether they are all of the day; where not, those that the manifests name stand in the depot.
    """

    folder: str
    built: str
    files: list[FileRecord]
    is_whole: bool = True


@dataclass(slots=True)
class Checkpoint:
    """What is durable in the archive.

    Attributes
    ----------
    generation : int
        Number of the next round; files of earlier rounds are committed, those of this one are not.
    positions : dict of str to (int, int)
        Writer to segment and byte up to which its journal is in the archive.
    memory : str
        What the decoders must know of the messages up to there.
    open : dict of str to list of FileRecord
        Day's folder, relative to the archive, to those of its files that no manifest names yet.
    reopened : list of str
        Day's folders that were merged again after their manifest: it does not hold for them any more.
    swap : Swap, optional
        A merge that was begun.
    doomed : list of str
        Day's folders that were pruned and are to be removed.
    doomed_far : list of str
        Files in the depot that were pruned and are to be removed.
    head : str
        SHA-256 of the newest manifest, empty where there is none.
    counts : dict of str to int
        Readings stored, duplicates dropped, and rejects by reason, since the archive began.
    notes : dict of str to int
        Small memories of the archiver, such as the broker's last count of dropped messages.
    """

    generation: int = 0
    positions: dict[str, tuple[int, int]] = field(default_factory=dict)
    memory: str = ""
    open: dict[str, list[FileRecord]] = field(default_factory=dict)
    reopened: list[str] = field(default_factory=list)
    swap: Swap | None = None
    doomed: list[str] = field(default_factory=list)
    doomed_far: list[str] = field(default_factory=list)
    head: str = ""
    counts: dict[str, int] = field(default_factory=dict)
    notes: dict[str, int] = field(default_factory=dict)


def path_of(archive: Path, site: str) -> Path:
    """Return where a site's checkpoint stands."""
    return archive / "state" / f"site={site}" / "checkpoint.json"


def lock_of(archive: Path, site: str) -> Path:
    """Return the file whose lock gives the right to change a site's archive."""
    return archive / "state" / f"site={site}" / "lock"


def _digest(content: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def load(archive: Path, site: str) -> Checkpoint | None:
    """Return the site's checkpoint, or None where the archive is new.

    Raises
    ------
    CheckpointError
        If it is damaged.
    """
    path = path_of(archive, site)
    try:
        document = json.loads(path.read_bytes())
        content, digest = document["content"], document["sha256"]
    except FileNotFoundError:
        return None
    except (ValueError, KeyError, TypeError):
        content, digest = {}, ""
    if digest != _digest(content):
        msg = f"{path} is damaged: its checksum does not fit its content"
        raise CheckpointError(msg)
    content = {**asdict(Checkpoint()), **content}  # an older version wrote fewer fields
    swap = content["swap"]
    return Checkpoint(
        generation=content["generation"],
        positions={writer: (segment, offset) for writer, (segment, offset) in content["positions"].items()},
        memory=content["memory"],
        open={
            folder: [FileRecord(**record) for record in records]
            for folder, records in content["open"].items()
        },
        reopened=content["reopened"],
        swap=swap and Swap(**{**swap, "files": [FileRecord(**record) for record in swap["files"]]}),
        doomed=content["doomed"],
        doomed_far=content["doomed_far"],
        head=content["head"],
        counts=content["counts"],
        notes=content["notes"],
    )


def save(archive: Path, site: str, checkpoint: Checkpoint) -> None:
    """Make the checkpoint durable."""
    content = asdict(checkpoint)
    content["positions"] = {writer: list(place) for writer, place in checkpoint.positions.items()}
    document = {"sha256": _digest(content), "content": content}
    publish(path_of(archive, site), json.dumps(document).encode(), "checkpoint")


def read_positions(archive: Path, site: str) -> dict[str, tuple[int, int]]:
    """Return how far each writer's journal is in the archive; nothing is known where it is damaged."""
    try:
        found = load(archive, site)
    except CheckpointError:
        return {}
    return {} if found is None else found.positions
