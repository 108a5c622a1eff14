"""What the ingester's processes say of themselves, as small files that anyone may read."""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from ingest.files import publish_soon

if TYPE_CHECKING:
    from pathlib import Path

EVERY_S = 2.0
"""How often a status is written although nothing has changed. [s]"""


PADDED_BYTES = 4096
"""Length of a status file, one block of the usual disk, so that a full disk still takes the next status. [bytes]"""


def receiver_path(archive: Path, site: str, writer: str) -> Path:
    """Return where a receiver's status stands."""
    return archive / "state" / f"site={site}" / f"receiver.{writer}.json"


def archiver_path(archive: Path, site: str) -> Path:
    """Return where the archiver's status stands."""
    return archive / "state" / f"site={site}" / "archiver.json"


class StatusFile:
    """Writes a status now and then, and at once when its state changes.

    Parameters
    ----------
    path : Path
        Where.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._due = 0.0
        self._state: tuple[object, object] = ("", "")

    def write(self, status: Any) -> None:
        """Write a dataclass with the fields ``state`` and ``problem``, when it is due."""
        state = (status.state, status.problem)
        now = time.monotonic()
        if now < self._due and state == self._state:
            return
        self._due, self._state = now + EVERY_S, state
        content = {**asdict(status), "pid": os.getpid(), "time": time.time()}
        with suppress(OSError):  # it is no data, and must not stop what writes it
            try:
                publish_soon(self._path, content, padded=PADDED_BYTES)
            except OSError:
                _write_over(self._path, content)


def _write_over(path: Path, content: dict[str, Any]) -> None:
    """Write into the place that the file has already: on a full disk that is all there is."""
    fd = os.open(path, os.O_WRONLY)
    try:
        os.pwrite(fd, json.dumps(content).ljust(PADDED_BYTES).encode()[:PADDED_BYTES], 0)
    finally:
        os.close(fd)


def read_all(archive: Path, site: str) -> tuple[dict[str, Any] | None, dict[str, dict[str, Any]]]:
    """Return the archiver's status and each receiver's, by writer; None where there is none."""
    folder = archive / "state" / f"site={site}"
    receivers = {
        path.name.removeprefix("receiver.").removesuffix(".json"): status
        for path in sorted(folder.glob("receiver.*.json"))
        if (status := read_status(path)) is not None
    }
    return read_status(archiver_path(archive, site)), receivers


def read_status(path: Path) -> dict[str, Any] | None:
    """Return one status, with the keys ``pid`` and ``time`` [s since 1970]; None where there is none."""
    try:
        content: dict[str, Any] = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return content
