"""A folder of things that were worked out and can be worked out again: whole, or as good as not there.

Nothing in it is needed. It may be deleted at any time, by anybody; writers side by side each put whole files
in their place, and the last one stays.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import uuid
from typing import TYPE_CHECKING

from ingest.files import TEMPORARY

if TYPE_CHECKING:
    from pathlib import Path

LOG = logging.getLogger(__name__)

DIGEST = hashlib.sha256().digest_size
"""Bytes of the checksum at the start of a file."""


class Shelf:
    """One folder.

    Parameters
    ----------
    folder : Path
        Where; made when something is put there.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._told = False

    def get(self, name: str) -> bytes | None:
        """Return what stands there under a name; None where nothing does, or nothing whole."""
        try:
            data = (self._folder / name).read_bytes()
        except OSError:
            return None
        content = data[DIGEST:]
        return content if hashlib.sha256(content).digest() == data[:DIGEST] else None

    def put(self, name: str, content: bytes) -> None:
        """Put something there; where the folder cannot be written, say so once and go on."""
        temporary = self._folder / f"{TEMPORARY}{uuid.uuid4().hex}"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            temporary.write_bytes(hashlib.sha256(content).digest() + content)
            temporary.replace(self._folder / name)
        except OSError as error:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            if not self._told:
                LOG.warning("%s: results cannot be kept for the next time: %s", self._folder, error)
            self._told = True
