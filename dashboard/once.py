"""Each entry once: a form that is sent again because no answer came is not written down twice.

A browser marks what it sends. The mark and what was sent, as one hash, stand in the entry's own line, so that there is no
moment at which only one of them is kept; the same again, after a restart too, gets the answer that the first one got.
"""

from __future__ import annotations

import hashlib
import json
import re
import threading
from typing import TYPE_CHECKING, Any

from analysis import ledger

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

ENTERED = "entered.jsonl"
"""File of the hashes and answers, in the archive's folder."""

_MARK = re.compile("[0-9a-f]{32}")


class Once:
    """What was entered at one archive.

    Parameters
    ----------
    archive : Path
        Its folder.
    files : sequence of str
        The files in it that entries go to.
    """

    def __init__(self, archive: Path, files: Sequence[str] = ()) -> None:
        self.path = archive / ENTERED
        self._lock = threading.Lock()
        self._said = dict.fromkeys((mark for file in files for mark in _marks(archive / file)), "")
        self._said |= {str(row.get("entry")): str(row.get("said", "")) for row in ledger.rows(self.path)}

    def keep(self, mark: str, kind: str, form: Mapping[str, Any], keep: Callable[[], str]) -> str:
        """Keep an entry that is not kept yet; return what is to be said, nothing where a crash kept it from being written.

        Parameters
        ----------
        mark : str
            32 hexadecimal digits that the browser made; anything else marks nothing, and the entry is kept.
        kind : str
            Of the entry.
        form : mapping
            What was sent: the same mark with other words is another entry.
        keep : callable
            Writes the entry down and returns what is to be said.
        """
        if not _MARK.fullmatch(mark):
            return keep()
        text = json.dumps([mark, kind, dict(form)], sort_keys=True)
        entry = hashlib.sha256(text.encode()).hexdigest()[:32]
        with self._lock:
            if entry in self._said:
                return self._said[entry]
            token = ledger.SENT.set(entry)
            try:
                said = keep()
            finally:
                ledger.SENT.reset(token)
            self.path.parent.mkdir(parents=True, exist_ok=True)
            ledger.append(self.path, {"entry": entry, "said": said})
            self._said[entry] = said
        return said


def _marks(path: Path) -> list[str]:
    """Return the marks of a file's lines; none of one that cannot be read, which the pages tell of."""
    try:
        return [str(row[ledger.MARK]) for row in ledger.rows(path) if ledger.MARK in row]
    except ledger.LedgerError:
        return []
