"""What is stored, as one table: the archive's files and the journal that is not in them yet.

Readers need no lock and no running ingester. They read the journal from the checkpoint on first and the
files after it, so a reading that moves from one to the other meanwhile is seen, and seen once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from ingest import archive as parquet
from ingest.checkpoint import Checkpoint, CheckpointError, load
from ingest.decoding import Decoder
from ingest.dedupe import order_of, repeats
from ingest.tables import sensors_in, table_of
from ingest.tail import Batch, read_batch

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from ingest.installation import Installation

TRIES = 100
"""How often a reader begins again because the archiver moved what it was reading; computed: a try takes
milliseconds, the archiver moves something every few seconds at most."""

Span = tuple[int, int]
"""First and last instant wanted, both included. [µs since 1970, UTC]"""

_EVER: Span = (-(2**62), 2**62)


class BusyArchiveError(RuntimeError):
    """Raised when the archive changed under the reader's hands every time it tried."""


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
    tail = _tail_table(archive, installation, sensors, span)
    folder = archive / "readings" / f"site={installation.site}"
    tables = [
        table
        for day in days_of(folder)
        if _overlaps(day, span)
        for table in _read_day(folder / f"date={day}", sensors, span)
    ]
    return _frame([*tables, tail])


def _us(instant: datetime) -> int:
    """Return an instant as a count. [µs since 1970, UTC]"""
    stamp = pd.Timestamp(instant)
    if stamp.tzinfo is None:
        msg = f"{instant} has no time zone"
        raise ValueError(msg)
    return int(stamp.value) // 1000  # pandas counts nanoseconds here, whatever the unit


def days_of(folder: Path) -> list[str]:
    """Return the days that a site has files of, oldest first."""
    if not folder.is_dir():
        return []
    return sorted(path.name.removeprefix("date=") for path in folder.glob("date=*") if path.is_dir())


def _overlaps(day: str, span: Span) -> bool:
    first = int(np.datetime64(day, "us").astype(np.int64))
    return first <= span[1] and first + parquet.US_PER_DAY > span[0]


def files_of(folder: Path) -> list[Path]:
    """Return the Parquet files of one day as they are at one moment.

    Raises
    ------
    FileNotFoundError
        If the folder was swapped or removed meanwhile.
    """
    number = folder.stat().st_ino
    names = sorted(path for path in folder.iterdir() if path.suffix == ".parquet" and path.name[0] != ".")
    if folder.stat().st_ino != number:
        raise FileNotFoundError(folder)
    return names


def _read_day(folder: Path, sensors: Sequence[str] | None, span: Span) -> list[pa.Table]:
    """Read a day's files, again from the start where they were merged meanwhile."""
    for _ in range(TRIES):
        try:
            return [
                parquet.read_file(path, sensors=sensors, span_us=None if span == _EVER else span)
                for path in files_of(folder)
            ]
        except FileNotFoundError:
            if not folder.exists():
                return []
    raise BusyArchiveError(folder)


def read_tail(archive: Path, site: str) -> tuple[Batch, str]:
    """Return what the journals hold that the archive does not, and what the decoders must know for it.

    Raises
    ------
    BusyArchiveError
        If the checkpoint moved every time that it was read.
    """
    for _ in range(TRIES):
        before = _checkpoint(archive, site)
        try:
            batch = read_batch(archive, site, before.positions)
        except FileNotFoundError:
            continue
        if _checkpoint(archive, site).generation == before.generation:
            return batch, before.memory
    raise BusyArchiveError(archive)


def _checkpoint(archive: Path, site: str) -> Checkpoint:
    """Return the checkpoint; where it is new or damaged, all of the journals is read."""
    try:
        return load(archive, site) or Checkpoint()
    except CheckpointError:
        return Checkpoint()


def _tail_table(
    archive: Path, installation: Installation, sensors: Sequence[str] | None, span: Span
) -> pa.Table:
    """Return the journal's readings that are wanted, in the order of their arrival."""
    if not (archive / "journal").is_dir():
        return parquet.SCHEMA.empty_table()
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
    tail = _tail_table(archive, installation, None, _EVER)
    folder = archive / "readings" / f"site={installation.site}"
    found = _last_rows(tail)
    missing = set(installation.sensor)
    for day in reversed(days_of(folder)):
        for path_table in _read_latest(folder / f"date={day}"):
            found = pa.concat_tables([found, path_table])
            missing -= set(path_table.column("sensor").to_pylist())
        if not missing:
            break
    return _frame([_last_rows(found)])


_latest_of_file: dict[tuple[str, int, int], pa.Table] = {}
_LATEST_FILES = 4096
"""Files whose newest readings are remembered: a file never changes once it has its name."""


def _read_latest(folder: Path) -> list[pa.Table]:
    """Return each sensor's newest reading in each file of a day."""
    for _ in range(TRIES):
        try:
            return [_latest_in(path) for path in files_of(folder)]
        except FileNotFoundError:
            if not folder.exists():
                return []
    raise BusyArchiveError(folder)


def _latest_in(path: Path) -> pa.Table:
    status = path.stat()
    key = (str(path), status.st_ino, status.st_mtime_ns)
    if key not in _latest_of_file:
        while len(_latest_of_file) >= _LATEST_FILES:
            _latest_of_file.pop(next(iter(_latest_of_file)))
        _latest_of_file[key] = _last_rows(parquet.read_file(path))
    return _latest_of_file[key]


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
