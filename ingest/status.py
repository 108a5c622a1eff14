"""What the ingester's processes say of themselves, as small files that anyone may read."""

from __future__ import annotations

import json
import os
import time
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from ingest.files import publish_soon

if TYPE_CHECKING:
    from pathlib import Path

EVERY_S = 2.0
"""How often a status is written although nothing has changed. [s]"""


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
        try:
            publish_soon(self._path, {**asdict(status), "pid": os.getpid(), "time": time.time()})
        except OSError:
            return  # a full disk is told through other ways; the status is no data


def read_all(archive: Path, site: str) -> tuple[dict[str, Any] | None, dict[str, dict[str, Any]]]:
    """Return the archiver's status and each receiver's, by writer; None where there is none."""
    folder = archive / "state" / f"site={site}"
    receivers = {
        path.name.removeprefix("receiver.").removesuffix(".json"): status
        for path in sorted(folder.glob("receiver.*.json"))
        if (status := _read(path)) is not None
    }
    return _read(archiver_path(archive, site)), receivers


def _read(path: Path) -> dict[str, Any] | None:
    try:
        content: dict[str, Any] = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return content
