"""Rows of loggers' files on their way through the journal: packs by sensor name, and rows that are none.

A file is read once, when it is loaded; the journal then holds what was understood, so that decoding it
again needs neither the file nor the options with which it was read.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from ingest.records import REASONS, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.formats.batch import Batch
    from ingest.logger_files import BadRow, Entry

TOPIC = "tricklebook/load/"
"""First levels of the topic of everything that came from a file."""

LONGEST_ROW = 1000
"""Characters of a refused row that are kept."""


class _Refused(msgspec.Struct, forbid_unknown_fields=True):
    """A row that is no reading, as it stands in the journal."""

    reason: str
    detail: str
    row: str = ""


_DECODER = msgspec.json.Decoder(_Refused)


def topic(source: str) -> str:
    """Return the topic of a file.

    Examples
    --------
    >>> topic("week 12 #3.csv")
    'tricklebook/load/week 12 _3.csv'
    """
    return TOPIC + "".join("_" if mark in "+#/\0" else mark for mark in source)[:200]


def pack(entries: Sequence[Entry]) -> bytes:
    """Return readings as a SenML pack whose names are those of the sensors.

    Examples
    --------
    >>> from ingest.logger_files import Entry
    >>> pack([Entry(2, "flow", 1_780_000_000_500_000, 7.5, "L/min")])
    b'[{"n":"flow","t":1780000000.5,"v":7.5,"u":"L/min"}]'
    """
    rows = []
    for entry in entries:
        row: dict[str, object] = {"n": entry.sensor, "t": entry.time_us / 1e6, "v": entry.value}
        if entry.unit is not None:
            row["u"] = entry.unit
        rows.append(row)
    return msgspec.json.encode(rows)


def refused(row: BadRow) -> bytes:
    """Return a row that is no reading, with its reason, for the quarantine."""
    return msgspec.json.encode(_Refused(row.reason, row.detail, row.text[:LONGEST_ROW]))


def read_refused(batch: Batch, item: int) -> None:
    """Tell a row that was refused when its file was read.

    Parameters
    ----------
    batch : Batch
        Takes the reject.
    item : int
        Index of the message.
    """
    payload = batch.messages[item].payload
    try:
        told = _DECODER.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        batch.rejects.add("syntax", f"no row of a file: {shown(payload)}", item)
        return
    reason = told.reason if told.reason in REASONS else "syntax"
    batch.rejects.add(reason, told.detail[:500], item)
