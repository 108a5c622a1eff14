"""From a decoded batch to what shall be written: new readings a day, and what goes to quarantine."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest.dedupe import order_of, repeats, same_value
from ingest.layout import day_folder, split_days
from ingest.records import Reject
from ingest.tables import ranks, table_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.records import Decoded, Message
    from ingest.taken import Taken


@dataclass(slots=True)
class Sorted:
    """What a batch comes to.

    Attributes
    ----------
    tables : dict of str to pyarrow.Table
        Day's folder, relative to the archive, to its new rows in the order of the file.
    conflicts : list of Reject
        Readings whose instant has another value already.
    readings, duplicates : int
        Readings that are new, and that are stored already.
    newest_us : int
        Newest instant among the new ones. [µs since 1970, UTC]
    """

    tables: dict[str, pa.Table] = field(default_factory=dict)
    conflicts: list[Reject] = field(default_factory=list)
    readings: int = 0
    duplicates: int = 0
    newest_us: int = 0


def sort_out(decoded: Decoded, site: str, taken: Taken) -> Sorted:
    """Sort a batch's readings into days, each sensor and instant once, the first one staying.

    Parameters
    ----------
    decoded : Decoded
        In the order of arrival.
    site : str
        The installation's name as it stands in archive paths.
    taken : Taken
        What is stored.

    Returns
    -------
    Sorted
        An equal reading is dropped and counted; another value for the same instant is a conflict.
    """
    out = Sorted()
    rank = ranks(decoded.names)[decoded.code]
    for day, rows in split_days(decoded.time_us):
        folder = day_folder("readings", site, day)
        ordered = rows[order_of(rank[rows], decoded.time_us[rows])]
        codes, times, values = decoded.code[ordered], decoded.time_us[ordered], decoded.value[ordered]
        again = repeats(codes, times)
        first = np.maximum.accumulate(np.where(again, 0, np.arange(len(ordered))))
        there, stored = taken.stored(folder, codes, times)
        held = np.where(there, stored, values[first])
        differs = (again | there) & ~same_value(values, held)
        new = ~(again | there)
        out.conflicts += _conflicts(decoded, ordered[differs], held[differs])
        out.readings += int(new.sum())
        out.duplicates += int((~new & ~differs).sum())
        if new.any():
            out.tables[folder] = table_of(decoded, ordered if new.all() else ordered[new])
            out.newest_us = max(out.newest_us, int(times[new].max()))
            taken.add(folder, codes[new], times[new])
    return out


def _conflicts(decoded: Decoded, rows: np.ndarray, held: np.ndarray) -> list[Reject]:
    """Return one reject for each message that has other values for instants that are taken."""
    found: dict[int, Reject] = {}
    for row, value in zip(rows.tolist(), held.tolist(), strict=True):
        message = int(decoded.message[row])
        if message in found:
            entry = found[message]
            found[message] = Reject(entry.reason, entry.detail, message, entry.count + 1)
            continue
        when = np.datetime64(int(decoded.time_us[row]), "us")
        name = decoded.names[decoded.code[row]]
        detail = f"{name} at {when}Z is stored as {value:g}; this message says {decoded.value[row]:g}"
        found[message] = Reject("conflict", detail, message)
    return list(found.values())


def quarantine(rejects: Sequence[Reject], messages: Sequence[Message], site: str) -> dict[str, pa.Table]:
    """Return the quarantine's rows, day's folder to table.

    Parameters
    ----------
    rejects : sequence of Reject
        What could not be stored.
    messages : sequence of Message
        The messages that the rejects count.
    site : str
        The installation's name as it stands in archive paths.

    Returns
    -------
    dict of str to pyarrow.Table
        A message's payload stands in the first of its rows; it is null in the others.
    """
    ordered = sorted(rejects, key=lambda reject: reject.message)
    received = np.array([messages[reject.message].received_us for reject in ordered], np.int64)
    payloads: list[bytes | None] = []
    last = -1
    for reject in ordered:
        payloads.append(None if reject.message == last else messages[reject.message].payload)
        last = reject.message
    columns = [
        pa.array(received, parquet.TIME),
        pa.array([reject.reason for reject in ordered]).dictionary_encode(),
        pa.array([reject.detail for reject in ordered], pa.string()),
        pa.array([reject.count for reject in ordered], pa.int64()),
        pa.array([messages[reject.message].topic for reject in ordered], pa.string()),
        pa.array(payloads, pa.binary()),
    ]
    return _by_day("quarantine", columns, received, site)


def events(rows: Sequence[tuple[int, str, str]], site: str) -> dict[str, pa.Table]:
    """Return the rows of what the ingester has to tell, day's folder to table.

    Parameters
    ----------
    rows : sequence of (int, str, str)
        When, kind and detail. [µs since 1970, UTC]
    site : str
        The installation's name as it stands in archive paths.
    """
    times = np.array([row[0] for row in rows], np.int64)
    columns = [
        pa.array(times, parquet.TIME),
        pa.array([row[1] for row in rows]).dictionary_encode(),
        pa.array([row[2] for row in rows], pa.string()),
    ]
    return _by_day("events", columns, times, site)


def _by_day(kind: str, columns: list[pa.Array], times_us: np.ndarray, site: str) -> dict[str, pa.Table]:
    """Split rows into days, each in the order of its times."""
    if len(times_us) == 0:
        return {}
    table = pa.table(columns, schema=parquet.SCHEMAS[kind])
    return {
        day_folder(kind, site, day): table.take(pa.array(rows[np.argsort(times_us[rows], kind="stable")]))
        for day, rows in split_days(times_us)
    }
