"""What is stored, as one table: the archive's files and the journal that is not in them yet.

Readers need no lock and no running ingester. They read the journal from the checkpoint on first and the
files after it, so a reading that moves from one to the other meanwhile is seen, and seen once.
"""

from __future__ import annotations

import functools
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ingest import archive as parquet
from ingest.checkpoint import Checkpoint, CheckpointError, load
from ingest.day_file import DayFile
from ingest.days import TRIES, BusyArchiveError, days_of, each_file
from ingest.decoding import Decoder
from ingest.dedupe import order_of, repeats
from ingest.row_groups import newest
from ingest.shared_journal import read_share, read_shared
from ingest.tables import sensors_in, table_of
from ingest.tail import Batch, read_batch

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from ingest.installation import Installation

Span = tuple[int, int]
"""First and last instant wanted, both included. [µs since 1970, UTC]"""

_EPOCH = date(1970, 1, 1).toordinal()

_EVER: Span = (-(2**62), 2**62)


def read_readings(
    archive: Path,
    installation: Installation,
    *,
    sensors: Sequence[str] | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> pd.DataFrame:
    """Return stored readings, archived or not yet.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.
    sensors : sequence of str, optional
        Names wanted, all where left out.
    start, end : datetime, optional
        First instant wanted, and the first one not wanted any more, with time zone.

    Returns
    -------
    pandas.DataFrame
        Columns ``time`` (UTC), ``sensor`` (categorical), ``value`` (stored unit of the sensor's quantity),
        ``quality`` and ``received`` (UTC); sorted by sensor and time, no pair of them twice.

    Raises
    ------
    BusyArchiveError
        If the archive changed every time that it was read.

    Examples
    --------
    >>> from pathlib import Path
    >>> import tomllib
    >>> from ingest.installation import Installation
    >>> text = '''name = "Home"
    ... timezone = "UTC"
    ... supply = { kind = "well", backflow_preventer = "none" }
    ... zone.a = {}
    ... sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { csv = "ec" } }'''
    >>> read_readings(Path("nowhere"), Installation.model_validate(tomllib.loads(text))).shape
    (0, 5)
    """
    span = (_EVER[0] if start is None else _us(start), _EVER[1] if end is None else _us(end) - 1)
    tail = tail_table(archive, installation, sensors, span)
    tables = [
        table
        for day in days_of(archive, installation.site)
        if overlaps(day, span)
        for table in each_file(
            archive,
            f"readings/site={installation.site}/date={day}",
            functools.partial(parquet.read_file, sensors=sensors, span_us=None if span == _EVER else span),
        )
    ]
    return _frame([*tables, tail])


def _us(instant: datetime) -> int:
    """Return an instant as a count. [µs since 1970, UTC]"""
    stamp = pd.Timestamp(instant)
    if stamp.tzinfo is None:
        msg = f"{instant} has no time zone"
        raise ValueError(msg)
    return int(stamp.value) // 1000  # pandas counts nanoseconds here, whatever the unit


def overlaps(day: str, span: Span) -> bool:
    """Tell whether a day (UTC, ISO) has an instant of a span.

    Examples
    --------
    >>> overlaps("1970-01-02", (0, 86_399_999_999)), overlaps("1970-01-02", (0, 86_400_000_000))
    (False, True)
    """
    first = (date.fromisoformat(day).toordinal() - _EPOCH) * parquet.US_PER_DAY
    return first <= span[1] and first + parquet.US_PER_DAY > span[0]


def read_tail(archive: Path, site: str) -> tuple[Batch, str]:
    """Return what the journals hold that the archive does not, and what the decoders must know for it.

    Raises
    ------
    BusyArchiveError
        If the checkpoint moved every time that it was read.
    """
    if not (archive / "journal").is_dir() and read_share(archive, site) is None:
        return Batch({}), ""
    for _ in range(TRIES):
        before = _checkpoint(archive, site)
        try:
            batch = read_batch(archive, site, before.positions)
            shared = read_shared(archive, site, before.positions)
        except FileNotFoundError:
            continue
        if _checkpoint(archive, site).generation == before.generation:
            if shared is not None:
                batch.messages = sorted([*batch.messages, *shared.messages], key=lambda m: m.received_us)
            return batch, before.memory
    raise BusyArchiveError(archive)


def _checkpoint(archive: Path, site: str) -> Checkpoint:
    """Return the checkpoint; where it is new or damaged, all of the journals is read."""
    try:
        return load(archive, site) or Checkpoint()
    except CheckpointError:
        return Checkpoint()


def tail_table(
    archive: Path, installation: Installation, sensors: Sequence[str] | None, span: Span
) -> pa.Table:
    """Return the journal's readings that are wanted, in the order of their arrival."""
    batch, memory = read_tail(archive, installation.site)
    if not batch.messages:
        return parquet.SCHEMA.empty_table()
    decoded, _ = Decoder(installation, memory).decode(batch.messages)
    keep = (decoded.time_us >= span[0]) & (decoded.time_us <= span[1])
    if sensors is not None:
        keep &= np.isin(
            decoded.code, [decoded.names.index(name) for name in sensors if name in decoded.names]
        )
    return table_of(decoded).filter(pa.array(keep))


def _frame(tables: list[pa.Table]) -> pd.DataFrame:
    """Put tables together; of readings with one sensor and instant, the first table's stays."""
    table = pa.concat_tables(tables)
    names, codes = sensors_in(table)
    times = table.column("time").cast(pa.int64()).to_numpy()
    order = order_of(codes, times)
    codes, times = codes[order], times[order]
    taken = repeats(codes, times)
    if taken.any():
        order, codes, times = order[~taken], codes[~taken], times[~taken]
    received = table.column("received").cast(pa.int64()).to_numpy()[order]
    return pd.DataFrame(
        {
            "time": pd.DatetimeIndex(times.view("datetime64[us]"), tz="UTC"),
            "sensor": pd.Categorical.from_codes(codes, categories=pd.Index(names, dtype="str")),
            "value": table.column("value").to_numpy()[order],
            "quality": table.column("quality").to_numpy()[order],
            "received": pd.DatetimeIndex(received.view("datetime64[us]"), tz="UTC"),
        }
    )


def latest(archive: Path, installation: Installation) -> pd.DataFrame:
    """Return the newest stored reading of each sensor.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.

    Returns
    -------
    pandas.DataFrame
        As `read_readings`, one row a sensor that has any reading.
    """
    tail = tail_table(archive, installation, None, _EVER)
    found = _last_rows(tail)
    missing = set(installation.sensor)
    for day in reversed(days_of(archive, installation.site)):
        for table in each_file(archive, f"readings/site={installation.site}/date={day}", _latest_in):
            found = pa.concat_tables([found, table])
            missing -= set(table.column("sensor").to_pylist())
        if not missing:
            break
    return _frame([_last_rows(found)])


@functools.lru_cache(maxsize=4096)
def _latest_in(file: DayFile) -> pa.Table:
    """Return each sensor's newest reading in a file, which never changes once it has its name."""
    with parquet.opened(file) as source:
        groups = (source.read_row_group(n, use_threads=False) for n in newest(source.metadata))
        found = [_last_rows(group.replace_schema_metadata(None)) for group in groups]
    return _last_rows(pa.concat_tables([parquet.SCHEMA.empty_table(), *found]))


def first_time(archive: Path, installation: Installation) -> pd.Timestamp | None:
    """Return when the oldest stored reading was taken, archived or not.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.

    Returns
    -------
    pandas.Timestamp or None
        None where there is no reading. [UTC]

    Raises
    ------
    BusyArchiveError
        If the archive changed every time that it was read.
    """
    found = tail_table(archive, installation, None, _EVER).column("time").cast(pa.int64()).to_pylist()
    for day in days_of(archive, installation.site):
        times = each_file(archive, f"readings/site={installation.site}/date={day}", _first_in)
        if found_here := [time for time in times if time is not None]:
            found += found_here
            break
    return pd.Timestamp(min(found), unit="us", tz="UTC").as_unit("us") if found else None


@functools.lru_cache(maxsize=256)
def _first_in(file: DayFile) -> int | None:
    """Return when the oldest reading of a file was taken [µs since 1970, UTC]; None where it has none."""
    times = parquet.read_file(file, columns=["time"]).column("time")
    return None if len(times) == 0 else int(pc.min(times.cast(pa.int64())).as_py())


def _last_rows(table: pa.Table) -> pa.Table:
    """Return each sensor's newest reading."""
    _, codes = sensors_in(table)
    times = table.column("time").cast(pa.int64()).to_numpy()
    order = order_of(codes, times)
    if len(order) == 0:
        return table
    ordered = codes[order]
    last = np.append(ordered[1:] != ordered[:-1], [True])
    return table.take(pa.array(order[last]))
